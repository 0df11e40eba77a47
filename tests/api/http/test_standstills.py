"""A machine left in a dangerous state stands still until somebody says why it may be used again."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from icalendar import Calendar
from sqlmodel import select

from api.actions.calendars import Feed, write_calendar
from api.actions.lay_out import lay_out_anew
from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    DueTaskRow,
    FeedDocumentRow,
    FeedKind,
    MeasurementRow,
    MeterReadingRow,
    OutboxRow,
    StandstillRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, TEST, TODAY, Caller
from tests.api.http.test_readings import reading, report


@pytest.fixture(autouse=True)
def under_way(database: Database) -> Database:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "under_way"
    return database


def put_back(
    client: TestClient, standstill: dict[str, Any], reason: str = "Renewed it.", **more: Any
) -> Any:
    address = f"/v1/standstills/{standstill['id']}"
    tag = {"If-Match": client.get(address).headers["etag"]}
    return client.put(f"{address}/ended", json={"reason": reason, **more}, headers=tag)


def again(value: float, set_point: str = "steam_pressure_separate") -> dict[str, Any]:
    return {"set_point": set_point, "value": value, "unit": "bar"}


def test_a_machine_left_dangerous_is_out_of_service_until_put_back(
    caller: Caller,
    dispatcher: TestClient,
    database: Database,
    an_hour_later: Callable[[], None],
) -> None:
    tag = dispatcher.get("/v1/machines/m-a").headers["etag"]
    assert report(dispatcher, readings=[reading(1.9)], tasks_done=[]).status_code == 200

    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    assert (standing["machine_id"], standing["visit_id"], standing["ended_at"]) == (
        "m-a",
        "v-a",
        None,
    )
    assert {key: standing[key] for key in ("machine_name", "site_id", "site_name")} == {
        "machine_name": "Two groups",
        "site_id": "s-a",
        "site_name": "Site a",
    }
    assert standing["because"] == (
        "Steam boiler pressure 1.9 bar is above 1.8 bar: switch off and make safe."
    )
    for who in ("dispatcher", "technician-b", "portal-a"):
        machine = caller(who).get("/v1/machines/m-a", headers={"If-None-Match": tag})
        assert machine.json()["out_of_service_since"] == "2027-03-01T08:00:00Z"
    assert dispatcher.get("/v1/machines/m-b").json()["out_of_service_since"] is None

    an_hour_later()
    done = put_back(
        caller("technician-a"),
        standing,
        "Switch renewed; 1.45 bar as left.",
        readings=[again(1.45)],
    )

    assert done.json()["ended_by"] == "technician/technician-a"
    assert dispatcher.get("/v1/machines/m-a").json()["out_of_service_since"] is None
    assert dispatcher.get("/v1/standstills").json()["items"] == []
    assert len(dispatcher.get("/v1/standstills?ended=true&machine=m-a").json()["items"]) == 1
    assert put_back(dispatcher, standing).status_code == 409
    kinds = {
        each["kind"]: each["what"]
        for each in dispatcher.get("/v1/machines/m-a/history").json()["items"]
    }
    assert kinds["put_back"].endswith("Switch renewed; 1.45 bar as left.")
    assert kinds["stopped"].startswith("stopped and made safe: Steam boiler pressure")


def test_what_stopped_a_machine_is_read_again_or_somebody_answers_for_it(
    caller: Caller,
    dispatcher: TestClient,
    database: Database,
    an_hour_later: Callable[[], None],
) -> None:
    stops = [reading(1.9), reading(14.5, set_point="brew_pressure")]
    report(dispatcher, readings=stops, tasks_done=[])
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    assert standing["set_points"] == ["brew_pressure", "steam_pressure_separate"]
    technician = caller("technician-a")
    an_hour_later()

    silent = put_back(technician, standing, "  ", readings=[again(1.45)])
    assert (silent.status_code, "not only spaces" in silent.text) == (422, True)

    # nothing done, only half of it read, read on a cold machine, still dangerous, nothing such a
    # machine has
    brew = "Brew pressure while a shot runs (brew_pressure) is read within 8.5 to 9.5 bar"
    steam = "Steam boiler pressure (steam_pressure_separate) is read within 1.4 to 1.5 bar"
    for more, detail in (
        (
            {},
            f"m-a stays out of service until {brew} (not read again yet) and {steam} (not read "
            "again yet): give it in readings, or a competent person",
        ),
        ({"readings": [again(1.45)]}, f"out of service until {brew} (not read again yet): give"),
        (
            {"readings": [again(0.0), again(9.0, "brew_pressure")]},
            f"out of service until {steam} (it read 0 bar): give it in readings, or",
        ),
        (
            {"readings": [again(1.95)]},
            "readings[0]: Steam boiler pressure 1.95 bar is above 1.8 bar: switch off and make "
            "safe. It stays out of service.",
        ),
        (
            {"readings": [again(1.0, "steam_pressure_exchanger")]},
            "readings[0]: 'steam_pressure_exchanger' is not read on a machine built like m-a",
        ),
        ({"readings": [again(1.45)] * 2}, "readings[1]: steam_pressure_separate is there twice"),
        ({"competent_person": "Berthe Lous"}, "competent_person is for the office"),
    ):
        refused = put_back(technician, standing, **more)
        assert refused.status_code == 422
        assert detail in refused.json()["detail"]
    with database.read() as session:
        assert len(session.exec(select(MeasurementRow)).all()) == 2

    done = put_back(dispatcher, standing, competent_person="Berthe Lous").json()
    assert (done["ended_by"], done["ended_for"]) == ("dispatcher/dispatcher", "Berthe Lous")
    story = dispatcher.get("/v1/machines/m-a/history").json()["items"]
    assert "put back into service by dispatcher/dispatcher, Berthe Lous answering for it: " in str(
        story
    )


def test_the_values_a_machine_is_put_back_with_are_on_record(
    dispatcher: TestClient, database: Database, an_hour_later: Callable[[], None]
) -> None:
    report(dispatcher, readings=[reading(1.9)], tasks_done=[])
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    an_hour_later()
    assert put_back(dispatcher, standing, readings=[again(1.45)]).status_code == 200
    (course,) = dispatcher.get("/v1/machines/m-a/readings").json()["items"]
    assert [(each["value"], each["verdict"]) for each in course["readings"]] == [
        (1.9, "stop_and_make_safe"),
        (1.45, "ok"),
    ]


def test_a_value_read_again_in_the_same_second_is_told_to_wait(dispatcher: TestClient) -> None:
    report(dispatcher, readings=[reading(1.9)], tasks_done=[])
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    refused = put_back(dispatcher, standing, readings=[again(1.45)])
    assert refused.status_code == 409
    assert refused.json()["detail"] == (
        "readings[0]: steam_pressure_separate was read on this machine in this very second: send "
        "it again in the next"
    )
    assert len(dispatcher.get("/v1/standstills").json()["items"]) == 1


def test_whoever_is_booked_learns_of_the_stop_and_of_its_end(
    dispatcher: TestClient,
    database: Database,
    catalogue: Catalogue,
    an_hour_later: Callable[[], None],
) -> None:
    """A second visit to the same machine, in another technician's calendar."""
    with database.write() as session:
        session.add(
            VisitRow(
                id="v-2", site_id="s-a", kind="upkeep", window="access", minutes=60,
                skills=["espresso"], earliest=TODAY, target=TODAY, latest=TODAY,
                headlines=["pump"], worksheet={}, state="booked",
            )
        )  # fmt: skip
        session.add(
            DueTaskRow(
                id="d-2", machine_id="m-a", site_id="s-a", fitted_part_id="p-a",
                rule="group_screen_replace", anchor=TODAY, earliest=TODAY, target=TODAY,
                latest=TODAY, hard=False, because="worn", visit_id="v-2",
            )
        )  # fmt: skip
        session.flush()
        session.add(
            AppointmentRow(
                id="ap-2", visit_id="v-2", technician_id="t-b",
                starts_at=NOW + timedelta(days=2), ends_at=NOW + timedelta(days=2, hours=1),
                created_at=NOW, revised_at=NOW,
            )
        )  # fmt: skip
        lay_out_anew(session, catalogue, now=NOW)
        write_calendar(session, Feed(FeedKind.TECHNICIAN, "t-b"), catalogue, now=NOW)

    def event() -> tuple[int, bool]:
        with database.read() as session:
            row = session.get_one(FeedDocumentRow, (FeedKind.TECHNICIAN, "t-b"))
            (found,) = [
                each
                for each in Calendar.from_ical(row.body).walk("VEVENT")
                if "ap-2" in each["UID"]
            ]
        return int(found["SEQUENCE"]), "do not switch it on" in str(found["DESCRIPTION"])

    assert event() == (0, False)
    report(dispatcher, readings=[reading(1.9)], tasks_done=[])
    assert event() == (1, True)
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    an_hour_later()
    assert put_back(dispatcher, standing, readings=[again(1.45)]).status_code == 200
    assert event() == (2, False)


def test_a_booked_callback_finds_the_stopped_machine_cold(
    dispatcher: TestClient, database: Database
) -> None:
    fault = {"machine": "E-a", "symptoms": ["group_drips_idle"]}
    callback = dispatcher.post("/v1/callbacks", json=fault).json()
    visit_address = f"/v1/visits/{callback['visit_id']}"
    with database.write() as session:
        visit = session.get_one(VisitRow, callback["visit_id"])
        session.get_one(TechnicianRow, "t-b").skills = list(visit.skills)
    tag = {"If-Match": dispatcher.get(visit_address).headers["etag"]}
    booking = {"technician_id": "t-b", "starts_at": "2027-03-03T09:00:00Z"}
    booked = dispatcher.post(f"{visit_address}/book", json=booking, headers=tag)
    assert booked.status_code == 201

    def first_look() -> tuple[str, str]:
        with database.read() as session:
            steps = session.get_one(VisitRow, callback["visit_id"]).worksheet["steps"]
        here = [step for step in steps if step["machine"] == "m-a"]
        (find,) = [step for step in here if step["text"].startswith("Find the cause")]
        return here[0]["text"], find["state"]

    assert first_look()[1] == "live"
    report(dispatcher, readings=[reading(1.9)], tasks_done=[])
    assert first_look() == (
        "Ask what happened and look without touching; do not switch it on",
        "cold",
    )


def test_the_client_is_told_in_ids_and_instants_in_the_same_transaction(
    dispatcher: TestClient, database: Database, an_hour_later: Callable[[], None]
) -> None:
    report(dispatcher, readings=[reading(1.9)], tasks_done=[], note="Ask for Berthe")
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    an_hour_later()
    put_back(dispatcher, standing, "Berthe says so", readings=[again(1.45)])
    with database.read() as session:
        events = session.exec(
            select(OutboxRow)
            .where(OutboxRow.topic.like("machine.%"))  # type: ignore[attr-defined]
            .order_by(OutboxRow.position)  # type: ignore[arg-type]
        ).all()
    stopped, back = events
    assert (stopped.topic, back.topic) == ("machine.stopped", "machine.in_service")
    assert {stopped.client_id, back.client_id} == {"c-a"}
    assert stopped.payload == {
        "visit": "v-a",
        "site": "s-a",
        "machine": "m-a",
        "tag": "E-a",
        "standstill": standing["id"],
        "began_at": "2027-03-01T08:00:00Z",
        "ended_at": None,
        "set_points": ["steam_pressure_separate"],
    }
    assert back.payload == {
        **stopped.payload,
        "ended_at": "2027-03-01T09:00:00Z",
        "set_points": [],
    }


def test_a_report_that_is_refused_stops_nothing(dispatcher: TestClient, database: Database) -> None:
    refused = report(dispatcher, readings=[reading(1.9)], tasks_done=[], cause="group_gasket_worn")
    assert refused.status_code == 422
    with database.read() as session:
        assert session.exec(select(StandstillRow)).all() == []
        assert session.exec(select(OutboxRow)).all() == []


def test_danger_found_and_mended_at_the_same_visit_stops_nothing(dispatcher: TestClient) -> None:
    found = [reading(1.9, "as_found"), reading(1.45)]
    shown = report(dispatcher, readings=found, tasks_done=["d-a"]).json()
    assert len(shown["stop_and_make_safe"]) == 1
    assert dispatcher.get("/v1/standstills").json()["items"] == []


def test_the_work_on_a_stopped_machine_is_urgent(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    shown = report(dispatcher, readings=[reading(1.9)], tasks_done=[]).json()
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    with database.read() as session:
        task = session.get_one(DueTaskRow, shown["follow_ups"][0]["task_id"])
        visit = session.get_one(VisitRow, task.visit_id)
        others = session.exec(select(VisitRow.urgency).where(VisitRow.id != visit.id)).all()
    assert (visit.state, visit.urgency) == ("open", "stopped")
    assert set(others) == {None}
    steps = [step for step in visit.worksheet["steps"] if step["machine"] == "m-a"]
    assert steps[0]["text"] == "Ask what happened and look without touching; do not switch it on"


def test_who_leaves_something_to_do_says_what_was_done(
    dispatcher: TestClient, database: Database
) -> None:
    refused = report(dispatcher, readings=[reading(1.6)])
    assert refused.status_code == 422
    assert refused.json()["detail"].startswith("readings[0] makes follow-up work (Steam boiler")
    with database.read() as session:
        assert session.get_one(DueTaskRow, "d-a").state == "open"
    assert report(dispatcher, readings=[reading(1.6)], tasks_done=["d-a"]).status_code == 200


@pytest.mark.parametrize(
    ("bad", "detail"),
    [
        (
            {"readings": [reading(1.45), reading(90, set_point="brew_pressure")]},
            "readings[1]: Brew pressure while a shot runs can be at most 25 bar, got 90 bar: with "
            "the point in its place it would be 9 bar;",
        ),
        (
            {
                "counters": [
                    {"machine": "m-a", "counter": "drinks", "value": 7},
                    # two groups: 4320 brew cycles a day at most, and 5 were read this morning
                    {"machine": "m-a", "counter": "brew_cycles", "value": 4326},
                ]
            },
            "counters[1]: brew_cycles rose from 5 on",
        ),
    ],
)
def test_what_cannot_be_is_refused_by_its_place_and_nothing_is_kept(
    dispatcher: TestClient, database: Database, bad: dict[str, Any], detail: str
) -> None:
    with database.write() as session:
        session.get_one(MeterReadingRow, "r-a").taken_at = NOW - timedelta(hours=1)
    refused = report(dispatcher, **bad)
    assert refused.status_code == 422
    assert refused.json()["detail"].startswith(detail)
    with database.read() as session:
        assert session.get_one(AppointmentRow, "ap-a").state == "under_way"
        assert session.exec(select(MeasurementRow)).all() == []
        assert {row.id for row in session.exec(select(MeterReadingRow))} == {"r-a", "r-b"}


def test_a_counter_reported_lower_than_before_is_kept_with_a_notice(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.get_one(MeterReadingRow, "r-a").taken_at = NOW - timedelta(hours=1)
    lower = {"machine": "m-a", "counter": "brew_cycles", "value": 3}
    (notice,) = report(dispatcher, counters=[lower]).json()["counter_notices"]
    with database.read() as session:
        rows = session.exec(select(MeterReadingRow).where(MeterReadingRow.machine_id == "m-a"))
        (kept,) = (row.id for row in rows if row.id != "r-a")
    assert notice.startswith(
        f"brew_cycles was 5 on 2027-03-01 (r-a) and is only 3 on 2027-03-01 ({kept}). It is kept"
    )


@pytest.mark.parametrize(
    ("change", "detail"),
    [
        ({"value": 9000}, "brew_cycles rose from 5 on 2027-03-01 to 9000"),
        ({"taken_at": "2027-03-01T08:00:00Z"}, "was read at 2027-03-01T08:00:00+00:00 already"),
        ({"taken_at": "2027-03-01T08:00:01Z"}, "taken_at must not lie ahead"),
    ],
)
def test_a_counter_reading_that_cannot_be_is_refused(
    dispatcher: TestClient, database: Database, change: dict[str, Any], detail: str
) -> None:
    with database.write() as session:
        session.get_one(MeterReadingRow, "r-a").taken_at = (
            NOW if "already" in detail else NOW - timedelta(hours=2)
        )
    good = {
        "machine_id": "m-a",
        "counter": "brew_cycles",
        "value": 40,
        "taken_at": "2027-03-01T07:00:00Z",
    }
    refused = dispatcher.post("/v1/meter-readings", json={**good, **change})
    assert (refused.status_code, detail in refused.json()["detail"]) == (422, True)
    assert dispatcher.post("/v1/meter-readings", json=good).status_code == 201
