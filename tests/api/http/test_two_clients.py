"""Client B's portal tries every route with what is client A's: it learns what nobody would.

The routes are those of the application; one that is missing from the tables below fails a test.
"""

import re
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlmodel import func, select

from api.auth import Role
from api.http.context import Allow
from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    AuditRow,
    DeliveryRow,
    HoldRow,
    OutboxRow,
    VisitRow,
    WebhookEndpointRow,
)
from tests.api.http.conftest import NOW, Caller

OF_A = {
    "client_id": "c-a",
    "contract_id": "k-a",
    "site_id": "s-a",
    "machine_id": "m-a",
    "part_id": "p-a",
    "task_id": "d-a",
    "visit_id": "v-a",
    "appointment_id": "ap-a",
    "callback_id": "",  # reported by A's portal
    "hold_id": "",  # held by A's portal
    "endpoint_id": "we-a",
    "delivery_id": "dl-a",
}
"""What stands in an address that a portal may use, and A's thing of that kind."""

BODIES: dict[str, dict[str, Any]] = {
    "report_fault": {"machine": "m-a"},
    "accept_callback_price": {"amount_minor": 1, "currency": "NOK", "accepted_by": "B"},
    "hold_offered_time": {"visit_id": "v-a", "arrive_from": "2027-03-03T08:00:00Z"},
    "book_held_time": {"hold_id": "HOLD"},
    "move_appointment_to_hold": {"hold_id": "HOLD"},
    "add_webhook_endpoint": {"url": "https://b.example/hook", "topics": ["callback.taken"]},
    "replace_webhook_endpoint": {
        "url": "https://b.example/hook",
        "topics": ["callback.taken"],
        "enabled": True,
    },
    "replay_webhook_events": {"since": "2027-02-01T00:00:00Z"},
}
"""A sound body for each change a portal may ask for, naming what is A's."""

OWN_ONLY = {"add_webhook_endpoint"}
"""What names nothing of anybody's: B may do it, and gets a thing of its own."""

SHARED = {"list_symptoms"}
"""What is the same for everybody."""


def roles(dependant: Any) -> frozenset[Role]:
    if isinstance(dependant.call, Allow):
        return dependant.call.roles
    return next(filter(None, map(roles, dependant.dependencies)), frozenset())


def open_to_portals(app: FastAPI) -> list[Any]:
    return [route for route in app.state.routes if Role.PORTAL in roles(route.dependant)]


@pytest.fixture
def of_a(caller: Caller, database: Database) -> dict[str, str]:
    """Everything of A's by its name in an address, a callback and a hold included."""
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "promised"
        session.add(
            WebhookEndpointRow(
                id="we-a", client_id="c-a", url="https://a.example/hook",
                topics=["callback.taken"], secret="whsec_" + "a" * 44, created_at=NOW,
            )
        )  # fmt: skip
    portal = caller("portal-a")
    callback = portal.post("/v1/callbacks", json={"machine": "m-a"}).json()["id"]
    offers = portal.get("/v1/visits/v-a/offers").json()["offers"]
    held = portal.post(
        "/v1/holds",
        json={"visit_id": "v-a", "arrive_from": offers[-1]["arrive_from"]},
        headers={"Idempotency-Key": "of-a"},
    )
    assert held.status_code == 201, held.text
    with database.write() as session:
        event = session.exec(select(OutboxRow)).first()
        assert event is not None
        session.add(
            DeliveryRow(
                id="dl-a", endpoint_id="we-a", event_id=event.id, topic=event.topic, position=1,
                subject="v-a", created_at=NOW, next_attempt_at=NOW, state="given_up",
            )
        )  # fmt: skip
    return {**OF_A, "callback_id": callback, "hold_id": held.json()["id"]}


def ask(portal: TestClient, route: Any, ids: dict[str, str], hold: str) -> tuple[int, Any]:
    """Return status and body of a request, without what differs from one request to the next."""
    (method,) = route.methods
    body = BODIES.get(route.name)
    if body is not None:
        body = {name: hold if value == "HOLD" else value for name, value in body.items()}
    path = route.path.format_map(ids)
    # a key of A's, and a version anybody could guess
    headers = {"If-Match": '"v1"', "If-None-Match": '"v1"', "Idempotency-Key": "of-a"}
    reply = portal.request(method, path, json=body, headers=headers)
    assert reply.status_code != 422, reply.text
    told = reply.json() if reply.content else {}
    for each in ("request_id", "detail"):
        told.pop(each, None)
    return reply.status_code, told


def everything(database: Database) -> tuple[int, int, str]:
    with database.read() as session:
        return (
            session.exec(select(func.count()).select_from(AuditRow)).one(),
            session.exec(select(func.count()).select_from(HoldRow)).one(),
            session.get_one(VisitRow, "v-a").model_dump_json(),
        )


def test_b_learns_of_what_is_as_what_no_one_has(
    app: FastAPI, caller: Caller, database: Database, of_a: dict[str, str]
) -> None:
    absent = dict.fromkeys(of_a, "nobodys")
    portal = caller("portal-b")
    before = everything(database)
    tried = []
    for route in open_to_portals(app):
        if route.name in OWN_ONLY | SHARED:
            continue
        assert set(route.param_convertors) <= set(OF_A), f"{route.path}: add what is A's there"
        assert route.methods == {"GET"} or route.name in BODIES or not route.body_field, route.name
        if not route.param_convertors and route.methods == {"GET"}:
            continue  # a list, see below
        theirs = ask(portal, route, of_a, of_a["hold_id"])
        nobodys = ask(portal, route, absent, "nobodys")
        assert (route.name, theirs) == (route.name, nobodys if nobodys[0] == 404 else theirs)
        assert (route.name, theirs[0]) == (route.name, 404)
        tried.append(route.name)
    assert everything(database) == before
    assert len(tried) >= 25


def test_a_reaches_all_of_that(app: FastAPI, caller: Caller, of_a: dict[str, str]) -> None:
    """Else the test above would prove nothing."""
    for route in open_to_portals(app):
        if route.methods == {"GET"}:
            reply = caller("portal-a").get(route.path.format_map(of_a))
            assert (route.path, reply.status_code) == (route.path, 200)


def test_no_list_of_bs_names_anything_of_as(
    app: FastAPI, caller: Caller, of_a: dict[str, str]
) -> None:
    secrets = {re.escape(each) for each in of_a.values()}
    for route in open_to_portals(app):
        if route.param_convertors or route.methods != {"GET"} or route.name in SHARED:
            continue
        known = app.state.known_parameters[route.name]
        filters = ["", *(f"?{name}={each}" for name in known & {
            "client", "site", "machine", "visit", "contract", "tag"
        } for each in of_a.values())]  # fmt: skip
        for each in filters:
            reply = caller("portal-b").get(route.path + each)
            assert reply.status_code == 200, reply.text
            items = str(reply.json()["items"])
            assert not re.search(rf"'({'|'.join(secrets)})'", items), route.path
        page = caller("portal-a").get(route.path + "?limit=1").json()
        if page.get("next"):  # a cursor of A's opens nothing to B
            stolen = caller("portal-b").get(f"{route.path}?limit=1&cursor={page['next']}")
            assert stolen.status_code in (200, 422)
            if stolen.status_code == 200:
                assert not re.search(rf"'({'|'.join(secrets)})'", str(stolen.json()["items"]))


OPEN_TO_ALL = {
    "/feeds/{secret}/{name}.ics",
    "/w/{secret}/{appointment}",
    "/livez",
    "/readyz",
    "/v1/docs",
}
"""What needs no key: secret addresses, health, and the description of the interface."""


def test_every_other_route_is_closed_to_portals(app: FastAPI, caller: Caller) -> None:
    portal = caller("portal-b")
    for route in app.state.routes:
        allowed = roles(route.dependant)
        if not allowed:
            assert route.path in OPEN_TO_ALL, f"{route.path} asks nobody for a key"
        elif Role.PORTAL not in allowed:
            (method,) = route.methods
            path = route.path.format_map(dict.fromkeys(route.param_convertors, "m-b"))
            assert (method, path, portal.request(method, path).status_code) == (method, path, 403)
