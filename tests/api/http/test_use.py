"""Counters and pressures of a machine, through the API."""

from datetime import date, timedelta

import httpx
import pytest
from fastapi.testclient import TestClient
from sqlmodel import select

from api.storage.database import Database
from api.storage.tables import AuditRow, FittedPartRow, MeterReadingRow
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


def typed(client: TestClient, value: float, day: int, **more: object) -> httpx.Response:
    body = {"machine_id": "m-a", "counter": "brew_cycles", "value": value}
    taken_at = f"2027-02-{day:02}T08:00:00Z"
    return client.post("/v1/meter-readings", json={**body, "taken_at": taken_at, **more})


@pytest.fixture
def counted(database: Database, dispatcher: TestClient) -> TestClient:
    """A counter read once, and nothing else on the machine."""
    with database.write() as session:
        session.delete(session.get_one(MeterReadingRow, "r-a"))
    assert typed(dispatcher, 184_220, 1).status_code == 201
    return dispatcher


def test_a_counter_typed_too_low_does_not_block_the_right_readings_after_it(
    counted: TestClient,
) -> None:
    assert typed(counted, 18_444, 5).status_code == 201  # a digit was left out
    assert typed(counted, 184_900, 10).status_code == 201
    # what carries on from neither is refused, with the way out
    refused = typed(counted, 900_000, 12)
    assert refused.status_code == 422
    assert "correct that first: POST /v1/meter-readings/mr_" in refused.json()["detail"]


def test_a_reading_is_corrected_by_another_and_stays_on_record(
    counted: TestClient, database: Database
) -> None:
    wrong = typed(counted, 18_444, 5).json()
    address = f"/v1/meter-readings/{wrong['id']}/correction"
    impossible = counted.post(address, json={"value": 18_444_000, "reason": "?"})
    assert impossible.status_code == 422
    right = counted.post(address, json={"value": 184_444, "reason": "A digit was left out."})
    assert (right.status_code, right.json()["corrects"]) == (201, wrong["id"])
    again = counted.post(address, json={"value": 184_445, "reason": "?"})
    assert (again.status_code, right.json()["id"] in again.json()["detail"]) == (409, True)

    readings = "/v1/machines/m-a/meter-readings"
    listed = counted.get(readings).json()["items"]
    assert [each["value"] for each in listed] == [184_220, 184_444]
    kept = counted.get(f"{readings}?superseded=true").json()["items"]
    assert sorted(each["value"] for each in kept) == [18_444, 184_220, 184_444]
    (counter,) = counted.get("/v1/machines/m-a/use").json()["counters"]
    assert (counter["readings_used"], counter["odd"]) == (2, [])
    with database.read() as session:
        (line,) = session.exec(select(AuditRow).where(AuditRow.verb == "correct"))
    assert (line.subject, line.before) == (f"meter_reading/{wrong['id']}", {"value": 18_444})
    assert line.after == {
        "value": 184_444,
        "reading": right.json()["id"],
        "reason": "A digit was left out.",
    }


def test_a_counter_that_runs_backwards_is_kept_with_a_notice_fresh_or_corrected(
    counted: TestClient,
) -> None:
    right = typed(counted, 184_900, 5).json()
    assert right["notice"] == ""
    fresh = typed(counted, 184_300, 9).json()
    kept = (
        "It is kept, as a counter may have been reset or replaced; if this one was not, put the "
        "wrong value right: POST /v1/meter-readings/{id}/correction"
    )
    assert fresh["notice"] == (
        f"brew_cycles was 184900 on 2027-02-05 ({right['id']}) and is only 184300 on 2027-02-09 "
        f"({fresh['id']}). {kept}"
    )

    def corrected(reading: str, value: float) -> dict[str, str]:
        address = f"/v1/meter-readings/{reading}/correction"
        answer = counted.post(address, json={"value": value, "reason": "Misread."})
        assert answer.status_code == 201
        found: dict[str, str] = answer.json()
        return found

    lower = corrected(fresh["id"], 184_200)
    assert lower["notice"] == fresh["notice"].replace("184300", "184200").replace(
        fresh["id"], lower["id"]
    )
    # below the one before it, no longer above the one after it
    middle = corrected(right["id"], 184_100)
    assert (middle["notice"].count("is only 184100 on 2027-02-05"), kept in middle["notice"]) == (
        1,
        True,
    )
    assert "184200" not in middle["notice"]
    assert corrected(middle["id"], 184_250)["notice"].startswith(
        "brew_cycles was 184250 on 2027-02-05 ("
    )
    assert corrected(lower["id"], 185_000)["notice"] == ""


def test_a_reading_of_another_machine_is_withdrawn(counted: TestClient) -> None:
    wrong = typed(counted, 4_711, 5).json()["id"]
    address = f"/v1/meter-readings/{wrong}/withdrawal"
    withdrawn = counted.post(address, json={"reason": "Another machine's."})
    assert (withdrawn.status_code, withdrawn.json()["withdrawn"]) == (201, True)
    listed = counted.get("/v1/machines/m-a/meter-readings").json()["items"]
    assert [each["value"] for each in listed] == [184_220]
    for gone in (wrong, withdrawn.json()["id"]):
        again = counted.post(f"/v1/meter-readings/{gone}/withdrawal", json={"reason": "?"})
        assert again.status_code == 409
    absent = counted.post("/v1/meter-readings/mr_none/withdrawal", json={"reason": "?"})
    assert absent.status_code == 404
