"""A portal finds a time, holds it, books it, moves it and cancels it, by HTTP alone."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlmodel import select

from api.http.context import present
from api.storage.database import Database
from api.storage.tables import AppointmentRow, HoldRow, TechnicianRow, VisitRow
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, Caller


def key(name: str) -> dict[str, str]:
    return {"Idempotency-Key": name}


@pytest.fixture
def database(database: Database) -> Database:
    """Both visits are to be placed: what the company has planned for them is cancelled."""
    with database.write() as session:
        for each in ("a", "b"):
            session.get_one(AppointmentRow, f"ap-{each}").state = "cancelled"
            session.get_one(VisitRow, f"v-{each}").state = "open"
    return database


def offers(portal: TestClient, visit: str = "v-a") -> list[dict[str, Any]]:
    """Return the offers from tomorrow on: today's are within the notice."""
    found: list[dict[str, Any]] = portal.get(f"/v1/visits/{visit}/offers").json()["offers"]
    return [offer for offer in found if offer["arrive_from"] >= "2027-03-02"]


def hold(portal: TestClient, at: str, name: str, visit: str = "v-a") -> dict[str, Any]:
    body = {"visit_id": visit, "arrive_from": at}
    reply = portal.post("/v1/holds", json=body, headers=key(name))
    assert reply.status_code == 201, reply.text
    made: dict[str, Any] = reply.json()
    return made


def test_a_portal_is_told_windows_and_not_who_comes_or_what_it_costs(caller: Caller) -> None:
    told = caller("portal-a").get("/v1/visits/v-a/offers").json()
    assert (told["visit_id"], told["deadline"], told["suggestions"]) == ("v-a", None, [])
    assert told["telephone_us"] is None
    # an hour of work in the site's hours from nine to eleven: arrival by ten
    tomorrow = next(o for o in told["offers"] if o["arrive_from"].startswith("2027-03-02"))
    assert tomorrow == {
        "arrive_from": "2027-03-02T08:00:00Z",
        "arrive_until": "2027-03-02T09:00:00Z",
        "reason": tomorrow["reason"],
        "near_anyway": False,
        "keeps_deadline": True,
        "starts_at": None,
        "technician_id": None,
        "extra_cost": None,
        "slack_minutes": None,
        "because": None,
    }
    office = caller("dispatcher").get("/v1/visits/v-a/offers").json()["offers"]
    assert [o["arrive_from"] for o in office] == [o["arrive_from"] for o in told["offers"]]
    assert office[0]["technician_id"] in ("t-a", "t-b")
    assert office[0]["because"].startswith("adds ")


def test_from_offer_to_booking_to_another_time_to_cancellation(
    caller: Caller, database: Database
) -> None:
    portal = caller("portal-a")
    first, second, *_ = offers(portal)
    held = hold(portal, first["arrive_from"], "one")
    assert (held["state"], held["technician_id"]) == ("held", None)
    assert held["expires_at"] == (NOW + timedelta(minutes=10)).isoformat().replace("+00:00", "Z")
    assert portal.get(f"/v1/holds/{held['id']}").json() == held

    booked = portal.post("/v1/bookings", json={"hold_id": held["id"]}, headers=key("two"))
    assert booked.status_code == 201
    appointment = booked.json()
    assert booked.headers["location"] == f"/v1/appointments/{appointment['id']}"
    assert (appointment["state"], appointment["arrive_from"], appointment["technician_id"]) == (
        "promised",
        first["arrive_from"],
        None,
    )
    told = appointment.pop("telephone")
    assert (portal.get(booked.headers["location"]).json(), told) == (appointment, None)

    other = hold(portal, second["arrive_from"], "three")
    path, body = f"/v1/appointments/{appointment['id']}/time", {"hold_id": other["id"]}
    assert portal.put(path, json=body).status_code == 428
    assert portal.put(path, json=body, headers={"If-Match": '"v99"'}).status_code == 412
    moved = portal.put(path, json=body, headers={"If-Match": booked.headers["etag"]})
    assert (moved.status_code, moved.json()["id"]) == (200, appointment["id"])
    assert moved.json()["arrive_from"] == second["arrive_from"]
    assert moved.json()["moved_from"] == appointment["starts_at"]

    path = f"/v1/appointments/{appointment['id']}/cancellation"
    assert portal.put(path).status_code == 428
    cancelled = portal.put(path, headers={"If-Match": moved.headers["etag"]})
    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
    assert offers(portal)[0]["arrive_from"] == first["arrive_from"]


def test_a_lost_reply_is_repeated_and_books_once(caller: Caller, database: Database) -> None:
    portal = caller("portal-a")
    at = offers(portal)[0]["arrive_from"]
    held, again = hold(portal, at, "same"), hold(portal, at, "same")
    assert again == held
    body = {"hold_id": held["id"]}
    booked = portal.post("/v1/bookings", json=body, headers=key("k"))
    repeated = portal.post("/v1/bookings", json=body, headers=key("k"))
    assert (repeated.status_code, repeated.json()) == (201, booked.json())
    assert repeated.headers["idempotency-replayed"] == "true"
    assert repeated.headers["etag"] == booked.headers["etag"]
    with database.read() as session:
        assert len(session.exec(select(HoldRow)).all()) == 1
        live = select(AppointmentRow.id).where(AppointmentRow.state == "promised")
        assert session.exec(live).all() == [booked.json()["id"]]
    # under another key it is another wish, and the hold is used up
    refused = portal.post("/v1/bookings", json=body, headers=key("l"))
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "hold-over")


@pytest.mark.parametrize("path", ["/v1/holds", "/v1/bookings"])
def test_what_takes_time_needs_a_key(caller: Caller, path: str) -> None:
    body = {"hold_id": "x"} if path.endswith("bookings") else {
        "visit_id": "v-a", "arrive_from": "2027-03-02T08:00:00Z",
    }  # fmt: skip
    for headers in ({}, key('""')):
        reply = caller("portal-a").post(path, json=body, headers=headers)
        assert reply.status_code == 400
        assert reply.json()["type"].endswith("/idempotency-key-missing")


def test_another_clients_visits_holds_and_appointments_do_not_exist(caller: Caller) -> None:
    a, b = caller("portal-a"), caller("portal-b")
    at = offers(a)[0]["arrive_from"]
    held = hold(a, at, "one")
    booked = a.post("/v1/bookings", json={"hold_id": held["id"]}, headers=key("two"))
    mine = booked.json()["id"]
    match = {"If-Match": booked.headers["etag"]}
    replies = [
        b.get("/v1/visits/v-a/offers"),
        b.get("/v1/callbacks/none/offers"),
        b.post("/v1/holds", json={"visit_id": "v-a", "arrive_from": at}, headers=key("x")),
        b.get(f"/v1/holds/{held['id']}"),
        b.post(f"/v1/holds/{held['id']}/release"),
        b.post("/v1/bookings", json={"hold_id": held["id"]}, headers=key("two")),
        b.put(f"/v1/appointments/{mine}/time", json={"hold_id": held["id"]}, headers=match),
        b.put(f"/v1/appointments/{mine}/cancellation", headers=match),
    ]
    assert [reply.status_code for reply in replies] == [404] * len(replies)
    assert b.get("/v1/holds").json()["items"] == []
    assert [item["id"] for item in a.get("/v1/holds").json()["items"]] == [held["id"]]
    # a hold of one's own does not open another's appointment
    other = hold(b, offers(b, "v-b")[0]["arrive_from"], "y", "v-b")
    reply = b.put(f"/v1/appointments/{mine}/time", json={"hold_id": other["id"]}, headers=match)
    assert reply.status_code == 404


def test_technicians_do_not_hold_times(caller: Caller) -> None:
    assert caller("technician-a").get("/v1/visits/v-a/offers").status_code == 403
    assert caller("technician-a").get("/v1/holds").status_code == 403


def test_the_offers_of_a_callback_keep_its_deadline_or_say_so(
    caller: Caller, database: Database, catalogue: Catalogue
) -> None:
    portal = caller("portal-a")
    with database.write() as session:
        session.get_one(TechnicianRow, "t-a").skills = sorted(catalogue.skills)
    report = {"machine": "E-a", "text": "no steam", "symptoms": ["steam_weak"]}
    taken = portal.post("/v1/callbacks", json=report, headers=key("report")).json()
    told = portal.get(f"/v1/callbacks/{taken['id']}/offers").json()
    assert told["deadline"] == taken["respond_by"]
    assert told["visit_id"] == taken["visit_id"]
    assert told["offers"]
    for offer in told["offers"]:
        by_then = offer["arrive_until"] <= told["deadline"]
        assert by_then == offer["keeps_deadline"]


def test_a_hold_ends_by_the_clock_and_its_time_is_offered_again(
    caller: Caller, app: FastAPI
) -> None:
    a, b = caller("portal-a"), caller("portal-b")
    before = offers(b, "v-b")
    # both technicians' hours from nine to eleven are held, one for each of two visits
    assert hold(a, offers(a)[0]["arrive_from"], "one")["state"] == "held"
    office = caller("dispatcher")
    held = hold(office, before[0]["arrive_from"], "two", "v-b")
    assert held["technician_id"] in ("t-a", "t-b")
    try:
        app.dependency_overrides[present] = lambda: NOW + timedelta(minutes=10)
        assert [h["state"] for h in a.get("/v1/holds").json()["items"]] == ["expired"]
        reply = b.post("/v1/bookings", json={"hold_id": held["id"]}, headers=key("three"))
        assert reply.json()["type"].endswith("/hold-over")
        after = offers(b, "v-b")
    finally:
        app.dependency_overrides[present] = lambda: NOW
    assert after[: len(before)] == before  # and one more, now that today's are too soon


def test_cancelling_too_late_is_refused_with_the_notice(caller: Caller, app: FastAPI) -> None:
    portal = caller("portal-a")
    held = hold(portal, offers(portal)[0]["arrive_from"], "one")
    booked = portal.post("/v1/bookings", json={"hold_id": held["id"]}, headers=key("two"))
    begins = datetime.fromisoformat(booked.json()["arrive_from"]).astimezone(UTC)
    path = f"/v1/appointments/{booked.json()['id']}/cancellation"
    try:
        app.dependency_overrides[present] = lambda: begins - timedelta(minutes=119)
        late = portal.put(path, headers={"If-Match": booked.headers["etag"]})
    finally:
        app.dependency_overrides[present] = lambda: NOW
    assert (late.status_code, late.json()["type"].rpartition("/")[2]) == (409, "notice-too-short")
    assert late.json()["detail"].endswith("call the office")
