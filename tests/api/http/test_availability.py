"""How much of the time machines could be used, and the telephone, through the API."""

from datetime import UTC, date, datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    MachineRow,
    StandstillRow,
    StayRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, Caller

REPORTED = datetime(2026, 11, 2, 9, tzinfo=UTC)


@pytest.fixture
def broken_down(database: Database) -> Database:
    """Machine a stood still from 9:00 until the technician, there from 12:00, left at 13:30."""
    with database.write() as session:
        visit = session.get_one(VisitRow, "v-a")
        session.add(VisitRow(**{**visit.model_dump(), "id": "v-call", "state": "done"}))
        session.flush()
        session.add(
            AppointmentRow(
                id="ap-call", visit_id="v-call", technician_id="t-a", state="done",
                starts_at=REPORTED + timedelta(hours=2), ends_at=REPORTED + timedelta(hours=3),
                created_at=REPORTED, revised_at=REPORTED,
            )
        )  # fmt: skip
        session.flush()
        for n, urgency in enumerate(("stopped", "minor")):
            session.add(
                CallbackRow(
                    id=f"cb-{n}", client_id="c-a", site_id="s-a", machine_id="m-a", state="done",
                    reported_at=REPORTED + n * timedelta(days=1), symptoms=[], urgency=urgency,
                    finding={}, visit_id="v-call" if n == 0 else None,
                )
            )  # fmt: skip
        session.add(
            WorkDoneRow(
                id="first", machine_id="m-b", rule="group_gasket_replace", outcome="failure",
                done_on=date(2026, 1, 10),
            )
        )  # fmt: skip
    return database


def stay(database: Database) -> None:
    with database.write() as session:
        session.add(
            StayRow(
                appointment_id="ap-call", technician_id="t-a", lat=60.39, lon=5.32,
                planned_start=REPORTED + timedelta(hours=2),
                arrived_at=REPORTED + timedelta(hours=3),
                left_at=REPORTED + timedelta(hours=4, minutes=30),
            )
        )  # fmt: skip


def test_a_machine_is_down_from_the_report_until_the_technician_left(
    broken_down: Database, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    # records begin with the first failure written down, on 2026-01-10. Planned work that stops the
    # machine: the gasket of 2026-05-02, by the minutes of its rule
    gasket_hours = catalogue.rules["group_gasket_replace"].minutes / 60
    planned = dispatcher.get("/v1/machines/m-a/availability").json()
    # nobody wrote down when the technician came and went: two hours' wait and one of work, planned
    assert (planned["failures"], planned["planned"], planned["estimated"]) == (1, 1, 2)
    assert planned["down_hours"] == pytest.approx(3 + gasket_hours)

    stay(broken_down)
    found = dispatcher.get("/v1/machines/m-a/availability").json()
    assert (found["watched_from"], found["estimated"]) == ("2026-01-10", 1)
    assert found["watched_hours"] == (NOW - datetime(2026, 1, 10, tzinfo=UTC)) / timedelta(hours=1)
    assert found["mean_to_repair"] == 1.5
    assert found["mean_delay"] == 3 / 2  # over the failure and the planned work
    assert found["down_hours"] == pytest.approx(4.5 + gasket_hours)
    up = found["watched_hours"] - found["down_hours"]
    assert found["operational"] == pytest.approx(up / found["watched_hours"])
    assert found["inherent"] == pytest.approx(up / (up + 1.5))
    assert found["because"].endswith("The times of 1 of them are estimated, not recorded.")


def test_a_machine_that_is_going_to_be_retired_is_watched_until_now(
    broken_down: Database, dispatcher: TestClient
) -> None:
    before = dispatcher.get("/v1/machines/m-a/availability").json()
    with broken_down.write() as session:
        session.get_one(MachineRow, "m-a").retired_on = NOW.date() + timedelta(days=30)
    assert dispatcher.get("/v1/machines/m-a/availability").json() == before


def test_a_machine_left_out_of_service_is_down_until_it_is_put_back(
    broken_down: Database, dispatcher: TestClient
) -> None:
    before = dispatcher.get("/v1/machines/m-a/availability").json()
    with broken_down.write() as session:
        for n, ended_at in enumerate((REPORTED + timedelta(hours=50), None)):
            session.add(
                StandstillRow(
                    id=f"st-{n}", machine_id="m-a", visit_id="v-call",
                    began_at=REPORTED if ended_at else NOW - timedelta(hours=5),
                    ended_at=ended_at, because="boiler pressure 1.9 bar",
                )
            )  # fmt: skip
    found = dispatcher.get("/v1/machines/m-a/availability").json()
    assert found["down_hours"] == pytest.approx(before["down_hours"] + 50 + 5)
    assert found["failures"] == before["failures"] + 2


def test_a_site_tells_of_its_machines_and_whether_they_fail_more_often(
    broken_down: Database, dispatcher: TestClient
) -> None:
    found = dispatcher.get("/v1/sites/s-a/availability").json()
    assert [each["machine_id"] for each in found["machines"]] == ["m-a"]
    assert found["trend"] is None  # one failure says nothing
    with broken_down.write() as session:
        for n in range(6):
            session.add(
                WorkDoneRow(
                    id=f"f{n}", machine_id="m-a", rule="group_gasket_replace", outcome="failure",
                    done_on=date(2027, 1, 12 + n),
                )
            )  # fmt: skip
    trend = dispatcher.get("/v1/sites/s-a/availability").json()["trend"]
    assert trend["failures"] == 7
    assert trend["shape"] > 1
    assert trend["because"].startswith("7 failures in 13 months, shape ")


def test_records_that_begin_today_say_nothing_yet(
    database: Database, caller: Caller, dispatcher: TestClient
) -> None:
    with database.write() as session:
        session.add(
            WorkDoneRow(
                id="now", machine_id="m-a", rule="group_gasket_replace", outcome="failure",
                done_on=NOW.date(),
            )
        )  # fmt: skip
    # eight hours since midnight, more than a failure of today is taken to last
    assert dispatcher.get("/v1/machines/m-a/availability").status_code == 200
    with database.write() as session:
        for n in range(3):
            session.add(
                CallbackRow(
                    id=f"cb-{n}", client_id="c-a", site_id="s-a", machine_id="m-a",
                    reported_at=NOW - timedelta(hours=3), symptoms=[], urgency="stopped",
                    finding={},
                )
            )  # fmt: skip
    refused = dispatcher.get("/v1/machines/m-a/availability")
    assert (refused.status_code, refused.json()["detail"]) == (
        409,
        "machine 'm-a' has not been watched for long enough: ask again in some days",
    )
    assert dispatcher.get("/v1/sites/s-a/availability").json()["machines"] == []
    assert caller("portal-a").get("/v1/sites/s-a/availability").status_code == 403


def test_the_telephone_is_staffed_for_the_share_asked_for(
    caller: Caller, dispatcher: TestClient
) -> None:
    path = "/v1/telephone-staffing?calls_per_hour=720&minutes_per_call=4&answered_within_seconds=15"
    found = dispatcher.get(path).json()
    assert found["people"] == 55
    assert found["answered_in_time"] == pytest.approx(0.846, abs=5e-4)
    assert dispatcher.get(f"{path}&people=60").json()["answered_in_time"] > 0.846
    refused = dispatcher.get(f"{path}&people=40")
    assert (refused.status_code, refused.json()["detail"]) == (
        422,
        "a load of 48 needs more than 48 people, got 40",
    )
    assert caller("technician-a").get(path).status_code == 403
