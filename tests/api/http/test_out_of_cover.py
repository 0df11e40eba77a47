"""Work that no contract covers has a price, and nothing happens before it is accepted."""

from datetime import date, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text
from sqlmodel import select

from api.storage.database import Database
from api.storage.open_work import open_work
from api.storage.snapshots import active_technicians
from api.storage.tables import ContractRow, OutboxRow, PriceAcceptanceRow, TechnicianRow
from scheduler.call_price import CallPrice
from scheduler.errors import Conflict
from tests.api.http.conftest import NOW, Caller


@pytest.fixture
def database(database: Database) -> Database:
    with database.write() as session:
        contract = session.get_one(ContractRow, "k-a")
        contract.ends_on = date(2027, 1, 31)
        contract.call_out_minor, contract.hour_rate_minor = 8000, 6000
        for each in ("a", "b"):
            session.get_one(TechnicianRow, f"t-{each}").skills = [
                "electrical", "espresso", "gas", "grinder", "pressure", "water",
            ]  # fmt: skip
    return database


def key(name: str) -> dict[str, str]:
    return {"Idempotency-Key": name}


def report(portal: TestClient, **more: Any) -> dict[str, Any]:
    reply = portal.post("/v1/callbacks", json={"machine": "E-a", "text": "it drips", **more})
    assert reply.status_code == 201, reply.text
    told: dict[str, Any] = reply.json()
    return told


def accept(portal: TestClient, callback: dict[str, Any], name: str = "p1") -> Any:
    body = {
        "amount_minor": callback["price"]["amount_minor"],
        "currency": callback["price"]["currency"],
        "accepted_by": "Ada Quist",
    }
    path = f"/v1/callbacks/{callback['id']}/price-acceptances"
    return portal.post(path, json=body, headers=key(name))


def held(portal: TestClient, callback: dict[str, Any]) -> str:
    offers = portal.get(f"/v1/callbacks/{callback['id']}/offers").json()["offers"]
    body = {"visit_id": callback["visit_id"], "arrive_from": offers[0]["arrive_from"]}
    reply = portal.post("/v1/holds", json=body, headers=key("h" + callback["id"]))
    assert reply.status_code == 201, reply.text
    return str(reply.json()["id"])


def test_the_price_follows_the_contracts_rates(caller: Caller) -> None:
    portal = caller("portal-a")
    told = report(portal)
    price = told["price"]
    assert (told["covered"], told["respond_by"]) == (False, None)
    # 80.00 to come, 60.00 an hour, a minute a minute; the parts as the catalogue prices them
    assert price["call_out_minor"] == 8000
    assert price["labour_minor"] == price["minutes"] * 100
    visit = caller("dispatcher").get(f"/v1/visits/{told['visit_id']}").json()
    parts = caller("dispatcher").get("/v1/catalogue/part-types").json()
    prices = {part["id"]: part["price_minor"] for part in parts["items"]}
    assert price["parts_minor"] == sum(prices[p] * n for p, n in visit["parts"].items())
    assert price["amount_minor"] == 8000 + price["labour_minor"] + price["parts_minor"]
    assert (price["currency"], price["accepted_at"]) == ("NOK", None)
    on_site = f"An estimate: the call-out, {price['minutes']} minutes on site"
    assert (price["parts_minor"], price["because"]) == (0, f"{on_site}.")
    with_parts = CallPrice(
        call_out_minor=1, minutes=price["minutes"], labour_minor=1, parts_minor=1
    )
    assert with_parts.because == (
        f"{on_site}, and the parts taken along, of which those not used are not charged."
    )
    assert visit["awaits_price"]
    covered = caller("portal-b").post("/v1/callbacks", json={"machine": "E-b", "text": "it drips"})
    assert covered.json()["price"] is None


def test_nothing_is_booked_or_planned_before_the_price_is_accepted(
    caller: Caller, database: Database
) -> None:
    portal, dispatcher = caller("portal-a"), caller("dispatcher")
    callback = report(portal)
    hold = held(portal, callback)  # times may be looked at and held
    refused = portal.post("/v1/bookings", json={"hold_id": hold}, headers=key("b1"))
    assert (refused.status_code, refused.json()["title"]) == (409, "Price not accepted")
    assert "accept the price" in refused.json()["detail"]
    visit = dispatcher.get(f"/v1/visits/{callback['visit_id']}")
    by_hand = dispatcher.post(
        f"/v1/visits/{callback['visit_id']}/book",
        json={"technician_id": "t-b", "starts_at": "2027-03-04T09:00:00Z"},
        headers={"If-Match": visit.headers["etag"]},
    )
    assert by_hand.json()["title"] == "Price not accepted"

    def planned() -> bool:
        with database.read() as session:
            people = active_technicians(session, from_day=NOW.date())
            days = [NOW.date() + timedelta(days=each) for each in range(3)]
            work = open_work(session, people, now=NOW, days=days, zone="Europe/Oslo")
        return callback["visit_id"] in {each.id for each in work.visits}

    assert not planned()
    accepted = accept(portal, callback)
    assert accepted.status_code == 201, accepted.text
    assert planned()
    booked = portal.post("/v1/bookings", json={"hold_id": hold}, headers=key("b2"))
    assert booked.status_code == 201


def test_an_acceptance_is_kept_for_good_and_told(caller: Caller, database: Database) -> None:
    portal = caller("portal-a")
    callback = report(portal)
    first, again = accept(portal, callback), accept(portal, callback)
    assert first.json() == again.json()  # under the same key
    assert again.headers["idempotency-replayed"] == "true"
    shown = portal.get(f"/v1/callbacks/{callback['id']}").json()["price"]
    assert (shown["accepted_by"], shown["accepted_at"]) == ("Ada Quist", "2027-03-01T08:00:00Z")
    with database.read() as session:
        (row,) = session.exec(select(PriceAcceptanceRow)).all()
        assert (row.amount_minor, row.actor) == (shown["amount_minor"], "portal/portal-a")
        topics = session.exec(select(OutboxRow.topic).order_by(OutboxRow.position)).all()  # type: ignore[arg-type]
    assert topics == ["callback.taken", "callback.price_accepted"]
    for change in ("UPDATE price_acceptance SET amount_minor = 1", "DELETE FROM price_acceptance"):
        with pytest.raises(Conflict), database.write() as session:
            session.connection().execute(text(change))


def test_another_price_waits_for_another_acceptance(caller: Caller, database: Database) -> None:
    portal = caller("portal-a")
    callback = report(portal)
    assert accept(portal, callback).status_code == 201
    with database.write() as session:
        session.get_one(ContractRow, "k-a").call_out_minor = 9000
    dearer = report(portal, text="now it hisses too")
    assert dearer["id"] == callback["id"]
    assert dearer["price"]["accepted_at"] is None
    stale = accept(portal, callback, "p2")
    assert (stale.status_code, stale.json()["title"]) == (409, "Price changed")
    assert str(dearer["price"]["amount_minor"]) in stale.json()["detail"]
    hold = held(portal, dearer)
    refused = portal.post("/v1/bookings", json={"hold_id": hold}, headers=key("b3"))
    assert refused.status_code == 409
    assert accept(portal, dearer, "p3").status_code == 201
    assert portal.post("/v1/bookings", json={"hold_id": hold}, headers=key("b4")).status_code == 201


def test_nobody_accepts_for_another_client_or_what_is_covered(caller: Caller) -> None:
    callback = report(caller("portal-a"))
    assert accept(caller("portal-b"), callback).status_code == 404
    covered = caller("portal-b").post("/v1/callbacks", json={"machine": "E-b"}).json()
    refused = accept(caller("portal-b"), {**covered, "price": callback["price"]})
    assert refused.status_code == 409


def test_the_technician_sees_what_was_reported_and_nobody_fetches_a_photo(caller: Caller) -> None:
    photos = ["https://pictures.example.org/7?size=large", "upload-4711"]
    callback = report(caller("portal-a"), photos=photos)
    assert callback["photos"] == photos
    more = report(caller("portal-a"), photos=["upload-4712", "upload-4711"])
    assert more["photos"] == [*photos, "upload-4712"]
    sheet = caller("technician-a").get(f"/v1/visits/{callback['visit_id']}/worksheet").json()
    assert sheet["reported"] == [{"text": "it drips\nit drips", "photos": more["photos"]}]
    for bad in ("http://pictures.example.org/7", "javascript:alert(1)", "", "two words"):
        body = {"machine": "E-a", "photos": [bad]}
        refused = caller("portal-a").post("/v1/callbacks", json=body)
        assert (bad, refused.status_code) == (bad, 422)
