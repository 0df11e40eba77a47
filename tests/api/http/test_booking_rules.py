"""The company's own rules: checked, under an ETag, in force from the next request on."""

from datetime import datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlmodel import select

from api.storage.database import Database
from api.storage.tables import AppointmentRow, AuditRow, VisitRow
from tests.api.http.conftest import Caller


@pytest.fixture
def database(database: Database) -> Database:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "cancelled"
        session.get_one(VisitRow, "v-a").state = "open"
    return database


def minutes(offer: dict[str, str]) -> float:
    first, last = (datetime.fromisoformat(offer[name]) for name in ("arrive_from", "arrive_until"))
    return (last - first).total_seconds() / 60


def change(office: TestClient, **rules: Any) -> Any:
    now = office.get("/v1/booking-rules")
    body = {name: value for name, value in now.json().items() if name != "version"} | rules
    return office.put("/v1/booking-rules", json=body, headers={"If-Match": now.headers["etag"]})


def test_new_rules_are_in_force_at_once(caller: Caller, database: Database) -> None:
    portal, office = caller("portal-a"), caller("dispatcher")
    before = portal.get("/v1/visits/v-a/offers").json()["offers"]
    # an hour's work from nine to eleven: arrival from nine to ten
    assert max(map(minutes, before)) == 60
    assert len(before) == 6
    changed = change(office, offers=2, window_minutes=30, hold_minutes=3, holds_per_client=1)
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    offers = portal.get("/v1/visits/v-a/offers").json()["offers"]
    assert len(offers) == 2
    assert max(map(minutes, offers)) == 30
    body = {"visit_id": "v-a", "arrive_from": offers[0]["arrive_from"]}
    held = portal.post("/v1/holds", json=body, headers={"Idempotency-Key": "h1"}).json()
    assert (held["created_at"], held["expires_at"]) == (
        "2027-03-01T08:00:00Z",
        "2027-03-01T08:03:00Z",
    )
    change(office, change_notice_minutes=20_000)
    booked = portal.post(
        "/v1/bookings", json={"hold_id": held["id"]}, headers={"Idempotency-Key": "b1"}
    ).json()
    late = portal.put(
        f"/v1/appointments/{booked['id']}/cancellation",
        headers={"If-Match": f'"v{booked["version"]}"'},
    )
    assert (late.status_code, late.json()["title"]) == (409, "Notice too short")
    with database.read() as session:
        trail = session.exec(select(AuditRow).where(AuditRow.subject == "booking_rules/1")).all()
    assert [row.after for row in trail][-1] == {"change_notice_minutes": 20_000}


def test_rules_that_make_no_sense_are_refused(caller: Caller) -> None:
    office = caller("administrator")
    assert change(office, step_minutes=90, window_minutes=60).status_code == 422
    assert change(office, hold_minutes=0).json()["errors"][0]["pointer"] == "/hold_minutes"
    assert change(office, telephone="call me").status_code == 422
    stale = office.put(
        "/v1/booking-rules",
        json={k: v for k, v in office.get("/v1/booking-rules").json().items() if k != "version"},
        headers={"If-Match": '"v7"'},
    )
    assert stale.status_code == 412
    assert caller("portal-a").get("/v1/booking-rules").status_code == 403
