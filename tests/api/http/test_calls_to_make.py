"""An urgent visit whose technician no calendar reaches: the dispatcher is told to telephone."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.http.context import present
from api.storage.database import Database
from api.storage.tables import AppointmentRow, FeedLinkRow, TechnicianRow, VisitRow
from tests.api.http.conftest import NOW, Caller

EVER = "telephone Technician a, +47 1: no device has ever fetched their calendar"
A_DAY = "telephone Technician a, +47 1: no device has fetched their calendar for a day"


@pytest.fixture
def urgent(database: Database) -> None:
    with database.write() as session:
        session.get_one(VisitRow, "v-a").urgency = "stopped"
        session.get_one(TechnicianRow, "t-a").phone = "+47 1"


def fetched(database: Database, moment: datetime | None, **others: Any) -> None:
    with database.write() as session:
        values = {
            "id": f"fl-{moment}{others}", "kind": "technician", "subject": "t-a",
            "device": "telephone", "secret_hash": f"{moment}{others}", "created_at": NOW,
            "last_fetched_at": moment,
        }  # fmt: skip
        session.add(FeedLinkRow(**{**values, **others}))


def said(dispatcher: TestClient) -> list[str]:
    return [each["say"] for each in dispatcher.get("/v1/calls-to-make").json()["items"]]


DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("links", "expected"),
    [
        ([], [EVER]),
        ([(None, {})], [EVER]),  # a link made an hour ago that no device has ever used
        ([(NOW - DAY, {})], [A_DAY]),
        ([(NOW - DAY + timedelta(seconds=1), {})], []),
        ([(NOW - 3 * DAY, {}), (NOW, {"device": "tablet"})], []),
        ([(NOW, {"revoked_at": NOW})], [EVER]),  # what was withdrawn reaches nobody
        ([(NOW, {"kind": "busy"})], [EVER]),  # nor does what the partner reads
        ([(NOW, {"subject": "t-b"})], [EVER]),
    ],
)
@pytest.mark.usefixtures("urgent")
def test_a_call_is_to_be_made_when_no_device_has_fetched_for_a_day(
    dispatcher: TestClient, database: Database, links: list[Any], expected: list[str]
) -> None:
    for moment, others in links:
        fetched(database, moment, **others)
    assert said(dispatcher) == expected


@pytest.mark.usefixtures("urgent")
def test_a_call_says_whom_why_and_about_what(dispatcher: TestClient) -> None:
    (call,) = dispatcher.get("/v1/calls-to-make").json()["items"]
    assert call == {
        "say": EVER,
        "technician_id": "t-a",
        "name": "Technician a",
        "phone": "+47 1",
        "last_fetched_at": None,
        "appointment_id": "ap-a",
        "visit_id": "v-a",
        "site": "Site a",
        "starts_at": "2027-03-02T08:00:00Z",
    }


def test_usual_work_needs_no_call(dispatcher: TestClient) -> None:
    assert said(dispatcher) == []


@pytest.mark.usefixtures("urgent")
@pytest.mark.parametrize("state", ["under_way", "done", "no_access", "cancelled"])
def test_a_visit_that_has_begun_or_is_off_needs_no_call(
    dispatcher: TestClient, database: Database, state: str
) -> None:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = state
    assert said(dispatcher) == []


@pytest.mark.usefixtures("urgent")
def test_a_fetch_takes_the_call_off_the_list(
    dispatcher: TestClient, nobody: TestClient, app: FastAPI
) -> None:
    made = dispatcher.post("/v1/feed-links", json={"device": "phone", "technician_id": "t-a"})
    path = made.json()["address"].removeprefix("https://plan.example.org")
    assert said(dispatcher) == [EVER]
    assert nobody.get(path).status_code == 200
    assert said(dispatcher) == []
    app.dependency_overrides[present] = lambda: NOW + timedelta(hours=24)
    try:
        assert said(dispatcher) == [A_DAY]
    finally:
        app.dependency_overrides[present] = lambda: NOW


@pytest.mark.usefixtures("urgent")
def test_who_places_an_urgent_visit_is_told_at_once(dispatcher: TestClient) -> None:
    moved = dispatcher.put(
        "/v1/appointments/ap-a/slot",
        json={"technician_id": "t-a", "starts_at": "2027-03-03T09:00:00Z"},
        headers={"If-Match": '"v1"'},
    )
    assert moved.json()["telephone"] == EVER
    usual = dispatcher.put(
        "/v1/appointments/ap-b/state", json={"state": "promised"}, headers={"If-Match": '"v1"'}
    )
    assert usual.json()["telephone"] is None


@pytest.mark.usefixtures("urgent")
def test_portals_and_technicians_are_told_of_nobody(caller: Caller) -> None:
    for name in ("portal-a", "technician-a"):
        assert caller(name).get("/v1/calls-to-make").status_code == 403
    cancelled = caller("portal-a").put(
        "/v1/appointments/ap-a/cancellation", headers={"If-Match": '"v1"'}
    )
    assert (cancelled.status_code, cancelled.json()["telephone"]) == (200, None)
