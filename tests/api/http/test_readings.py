"""Values read at a visit: judged at once, kept, followed up; a cause named; bad data refused."""

from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlmodel import select

from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    DueTaskRow,
    MachineRow,
    MeasurementRow,
    MeterReadingRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, TEST, TODAY


def reading(value: float, stage: str = "as_left", **other: Any) -> dict[str, Any]:
    return {
        "machine": "m-a",
        "set_point": "steam_pressure_separate",
        "value": value,
        "unit": "bar",
        "stage": stage,
        **other,
    }


@pytest.fixture
def under_way(database: Database) -> Database:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "under_way"
    return database


def report(client: TestClient, **body: Any) -> Any:
    version = client.get("/v1/appointments/ap-a").headers["etag"]
    return client.post("/v1/appointments/ap-a/report", json=body, headers={"If-Match": version})


def test_danger_comes_first_in_the_reply_and_makes_work_for_tomorrow(
    under_way: Database, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    reply = report(
        dispatcher, readings=[reading(1.45, "as_found"), reading(1.9)], tasks_done=[]
    ).json()

    assert list(reply)[:3] == ["stop_and_make_safe", "readings", "follow_ups"]
    assert reply["state"] == "done"
    assert reply["stop_and_make_safe"] == [
        "Two groups, tag E-a: Steam boiler pressure 1.9 bar is above 1.8 bar: "
        "switch off and make safe."
    ]
    assert [each["verdict"] for each in reply["readings"]] == ["ok", "stop_and_make_safe"]
    (follow_up,) = reply["follow_ups"]
    # no part that sets the pressure is on record, so it is the check itself
    assert (follow_up["rule"], follow_up["target"]) == (
        "steam_pressure_check",
        str(TODAY + timedelta(days=1)),
    )
    with under_way.read() as session:
        task = session.get_one(DueTaskRow, follow_up["task_id"])
        kept = session.exec(select(MeasurementRow.value, MeasurementRow.visit_id)).all()
    assert (task.state, task.latest) == ("open", TODAY + timedelta(days=2))
    assert sorted(kept) == [(1.45, "v-a"), (1.9, "v-a")]

    # the night keeps the task and makes it a visit
    raise_due_work(under_way, catalogue, now=NOW, origin=TEST)
    with under_way.read() as session:
        task = session.get_one(DueTaskRow, follow_up["task_id"])
        visit = session.get_one(VisitRow, task.visit_id)
    assert (task.state, visit.state) == ("open", "open")
    assert visit.latest <= TODAY + timedelta(days=2)


def test_the_course_of_a_value_over_visits_is_told(
    under_way: Database, dispatcher: TestClient
) -> None:
    earlier = TODAY - timedelta(days=61)
    with under_way.write() as session:
        session.add(
            MeasurementRow(
                id="me-1", machine_id="m-a", set_point="steam_pressure_separate", value=1.45,
                unit="bar", stage="as_left", verdict="ok", because="right",
                taken_at=NOW - timedelta(days=61), taken_on=earlier,
            )
        )  # fmt: skip
    report(dispatcher, readings=[reading(1.47, "as_found"), reading(1.45)])

    found = dispatcher.get("/v1/machines/m-a/readings").json()
    (course,) = found["items"]
    # up by 0.02 bar in 61 days, 2.004 months
    assert course["per_month"] == pytest.approx(0.02 / (61 / (365.25 / 12)))
    assert [each["value"] for each in course["readings"]] == [1.45, 1.47, 1.45]
    assert (course["set_point"], course["low"], course["high"]) == (
        "steam_pressure_separate",
        1.4,
        1.5,
    )
    history = dispatcher.get("/v1/machines/m-a/history").json()["items"]
    assert [each["on"] for each in history if each["kind"] == "measured"] == [
        str(TODAY),
        str(TODAY),
        str(earlier),
    ]


def test_a_machine_may_be_named_by_the_tag_on_it(
    under_way: Database, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    reply = report(
        dispatcher,
        readings=[reading(1.45, machine="E-a")],
        counters=[{"machine": "E-a", "counter": "drinks", "value": 40_404}],
        tasks_done=[],
    ).json()

    assert [each["machine"] for each in reply["readings"]] == ["m-a"]
    counters = dispatcher.get("/v1/machines/m-a/meter-readings").json()["items"]
    assert 40_404 in [each["value"] for each in counters]


@pytest.mark.parametrize(
    ("bad", "detail"),
    [
        (
            {"readings": [reading(1.45), reading(145, unit="kPa", stage="as_found")]},
            "readings[1]: Steam boiler pressure is read in bar, got 145.0 kPa",
        ),
        (
            {"readings": [reading(1.45), reading(1.46)]},
            "readings[1]: the same was read in readings[0] already",
        ),
        (
            {"readings": [reading(1.45, machine="m-b")]},
            "readings[0]: machine m-b is not at site s-a",
        ),
        (
            {"readings": [reading(1.45, machine="E-b")]},
            "readings[0]: machine E-b is not at site s-a",
        ),
        (
            {"readings": [reading(1.0, set_point="steam_pressure_exchanger")]},
            "readings[0]: Steam boiler pressure (steam_pressure_exchanger) is not read on a "
            "machine built like this",
        ),
        (
            {"readings": [reading(1.0, set_point="mood")]},
            "readings[0]: the catalogue has no set-point 'mood'",
        ),
        (
            {
                "counters": [
                    {"machine": "m-a", "counter": "drinks", "value": value} for value in (1, 2)
                ]
            },
            "counters[1]: drinks of machine m-a is there twice",
        ),
        (
            {"counters": [{"machine": "zz", "counter": "drinks", "value": 1}]},
            "machine zz is not at site s-a",
        ),
        (
            {"cause": "pump_tired"},
            "cause 'pump_tired'",
        ),
        (
            {"cause": "group_gasket_worn"},
            "cause 'group_gasket_worn' needs a visit that answers a callback",
        ),
    ],
)
def test_bad_data_is_refused_by_its_place_and_nothing_of_the_report_is_kept(
    under_way: Database, dispatcher: TestClient, bad: dict[str, Any], detail: str
) -> None:
    reply = report(dispatcher, **bad)

    assert reply.status_code == 422
    assert detail in reply.json()["detail"]
    with under_way.read() as session:
        assert session.get_one(AppointmentRow, "ap-a").state == "under_way"
        assert session.get_one(DueTaskRow, "d-a").state == "open"
        assert session.exec(select(MeasurementRow)).all() == []
        assert {row.id for row in session.exec(select(MeterReadingRow))} == {"r-a", "r-b"}
        assert {row.id for row in session.exec(select(WorkDoneRow))} == {"w-a", "w-b"}


def test_a_value_that_is_no_number_is_malformed(
    under_way: Database, dispatcher: TestClient
) -> None:
    reply = report(dispatcher, readings=[reading(1.45), {**reading(1.4), "value": "high"}])
    assert reply.status_code == 422
    assert [each["pointer"] for each in reply.json()["errors"]] == ["/readings/1/value"]


def test_faults_that_can_be_named_are_listed(dispatcher: TestClient) -> None:
    faults = dispatcher.get("/v1/catalogue/faults").json()["items"]
    assert {"id": "group_gasket_worn", "name": "A group gasket is worn or hard",
            "part_type": "group_gasket"} in faults  # fmt: skip


def test_a_hardness_is_read_in_any_unit_and_kept_in_german_degrees(
    under_way: Database, dispatcher: TestClient
) -> None:
    with under_way.write() as session:
        filter_ = session.get_one(MachineRow, "m-a").model_dump()
        filter_ |= {"id": "m-f", "tag": "F-a", "kind": "water_filter", "groups": 0}
        session.add(MachineRow(**filter_ | {"boiler_layout": None, "dosing": None}))
    hard = reading(80, machine="m-f", set_point="treated_hardness", unit="mg/L CaCO3")

    (judged,) = report(dispatcher, readings=[hard], tasks_done=[]).json()["readings"]

    assert (judged["value"], judged["unit"]) == (pytest.approx(80 / 17.848, rel=5e-5), "°dH")
    with under_way.read() as session:
        row = session.exec(select(MeasurementRow)).one()
    assert (row.value, row.unit) == (judged["value"], "°dH")
