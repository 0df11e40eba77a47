"""Counters and pressures of a machine, through the API."""

from datetime import date, timedelta

import pytest
from fastapi.testclient import TestClient

from api.storage.database import Database
from api.storage.tables import FittedPartRow, MeterReadingRow
from scheduler.steam import boiler_celsius
from tests.api.http.conftest import NOW, TODAY


def test_the_pace_comes_from_good_readings_and_odd_ones_are_named(
    database: Database, dispatcher: TestClient
) -> None:
    with database.write() as session:
        session.delete(session.get_one(MeterReadingRow, "r-a"))
        # 200 cycles a day over 90 days, one reading with a digit too many
        for n, value in enumerate((10_000, 16_000, 220_000, 28_000)):
            session.add(
                MeterReadingRow(
                    id=f"read-{n}",
                    machine_id="m-a",
                    counter="brew_cycles",
                    value=value,
                    taken_at=NOW - timedelta(days=90 - 30 * n),
                )
            )
        session.add(
            FittedPartRow(
                id="flow-a",
                machine_id="m-a",
                part_type="flow_meter",
                position="group 1",
                fitted_on=TODAY - timedelta(days=90),
            )
        )

    found = dispatcher.get("/v1/machines/m-a/use").json()

    assert found["season_by_month"] == [1.0] * 12
    (counter,) = found["counters"]
    assert (counter["counter"], counter["basis"], counter["readings_used"]) == (
        "brew_cycles",
        "measured",
        3,
    )
    assert counter["per_day"] == pytest.approx(200)
    assert [odd["value"] for odd in counter["odd"]] == [220_000]
    assert "does not fit" in counter["odd"][0]["why"]
    # 150,000 cycles at 200 a day from the day it was fitted: 750 days
    (limit,) = counter["limits"]
    assert (limit["rule"], limit["fitted_part"], limit["limit"]) == (
        "flow_meter_rebuild",
        "flow-a",
        150_000,
    )
    expected = date.fromisoformat(limit["expected_at"][:10])
    assert abs((expected - (TODAY - timedelta(days=90))).days - 750) <= 1
    assert limit["earliest_at"] < limit["expected_at"] < limit["latest_at"]


def test_pressures_are_read_against_the_build_and_the_altitude(dispatcher: TestClient) -> None:
    right = boiler_celsius(1.4, 0.0)
    seen = {
        "boiler": {"gauge_bar": 1.4, "celsius": round(right, 1)},
        "switching": {"off_at_bar": 1.6, "on_at_bar": 1.1},
        "reheat": {"line_bar": 4.0, "highest_bar": 15.0},
    }
    found = dispatcher.post("/v1/machines/m-a/pressure-patterns", json=seen).json()["items"]
    assert [(each["meaning"], each["verdict"]) for each in found] == [
        ("expansion_valve_set_high", "stop_and_make_safe"),
        ("switch_reacts_late", "adjust"),
        ("as_it_should_be", "ok"),
    ]
    upside_down = {"switching": {"off_at_bar": 1.0, "on_at_bar": 1.2}}
    assert (
        dispatcher.post("/v1/machines/m-a/pressure-patterns", json=upside_down).status_code == 422
    )
