"""Who may do what, and see what: every route with every kind of key."""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from api.actions.keys import create_key, revoke_key
from api.auth import Role, mint_key
from api.http.context import routes_without_roles
from api.storage.database import Database
from api.storage.tables import ApiKeyRow
from tests.api.http.conftest import NOW, TEST, Caller

OPEN_PATHS = [
    *["/feeds/{secret}/{name}.ics"] * 2,
    "/livez",
    "/readyz",
    "/v1/docs",
    *["/w/{secret}/{appointment}"] * 2,
]

# path of one's own → path of the other client's, for everything that belongs to a client
OF_CLIENT_A = [
    "/v1/clients/c-a",
    "/v1/contracts/k-a",
    "/v1/sites/s-a",
    "/v1/machines/m-a",
    "/v1/machines/m-a/fitted-parts",
    "/v1/machines/m-a/meter-readings",
    "/v1/fitted-parts/p-a",
    "/v1/due-tasks/d-a",
    "/v1/visits/v-a",
    "/v1/appointments/ap-a",
]
LISTS_OF_CLIENTS = [
    ("/v1/clients", "c"),
    ("/v1/contracts", "k"),
    ("/v1/sites", "s"),
    ("/v1/machines", "m"),
    ("/v1/due-tasks", "d"),
    ("/v1/visits", "v"),
    ("/v1/appointments", "ap"),
]
CLOSED_TO_PORTALS = [
    "/v1/technicians",
    "/v1/technicians/t-a",
    "/v1/technicians/t-a/absences",
    "/v1/absences/ab-a",
    "/v1/machines/m-a/work-done",
    "/v1/visits/v-a/worksheet",
    "/v1/plans",
    "/v1/travel",
    "/v1/feed-links",
    "/v1/api-keys",
    "/v1/catalogue/service-rules",
    "/v1/machines/m-a/history",
    "/v1/machines/m-a/wear",
    "/v1/machines/m-a/outlook",
    "/v1/part-types/group_gasket/wear",
    "/v1/outlook",
    "/v1/interval-decisions",
]


def test_every_route_but_feeds_and_health_asks_for_a_role(nobody: TestClient) -> None:
    assert routes_without_roles(nobody.app.state.routes) == OPEN_PATHS


def test_every_route_refuses_a_caller_without_a_key(nobody: TestClient) -> None:
    for route in nobody.app.state.routes:
        if route.path in OPEN_PATHS:
            continue
        path = route.path.format_map(dict.fromkeys(route.param_convertors, "x"))
        (method,) = route.methods
        reply = nobody.request(method, path)
        assert (path, reply.status_code) == (path, 401)
        assert reply.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("path", OF_CLIENT_A)
def test_a_portal_sees_its_own_and_of_others_not_even_that_they_exist(
    caller: Caller, path: str
) -> None:
    own = caller("portal-a").get(path)
    others = caller("portal-b").get(path)
    absent = caller("portal-b").get(path.replace("-a", "-zz"))
    assert (own.status_code, others.status_code, absent.status_code) == (200, 404, 404)

    def told(reply: object) -> object:
        document = reply.json()  # type: ignore[attr-defined]
        return {key: document[key] for key in ("type", "title", "status", "errors")}

    assert told(others) == told(absent)


@pytest.mark.parametrize(("path", "prefix"), LISTS_OF_CLIENTS)
def test_lists_hold_what_is_ones_own(caller: Caller, path: str, prefix: str) -> None:
    def ids(name: str) -> list[str]:
        return [item["id"] for item in caller(name).get(path).json()["items"]]

    assert ids("portal-a") == [f"{prefix}-a"]
    assert ids("portal-b") == [f"{prefix}-b"]
    assert ids("dispatcher") == [f"{prefix}-a", f"{prefix}-b"]


def test_a_filter_does_not_reach_beyond_ones_own(caller: Caller) -> None:
    assert caller("portal-b").get("/v1/sites?client=c-a").json()["items"] == []
    assert caller("portal-b").get("/v1/machines?tag=E-a").json()["items"] == []


@pytest.mark.parametrize("path", CLOSED_TO_PORTALS)
def test_portals_are_kept_out_of_the_company(caller: Caller, path: str) -> None:
    assert caller("portal-a").get(path).status_code == 403


def test_a_portal_is_not_told_who_comes(caller: Caller) -> None:
    assert caller("dispatcher").get("/v1/appointments/ap-a").json()["technician_id"] == "t-a"
    assert caller("portal-a").get("/v1/appointments/ap-a").json()["technician_id"] is None
    # nor can it find out by filtering
    filtered = caller("portal-a").get("/v1/appointments?technician=t-b").json()["items"]
    assert [item["id"] for item in filtered] == ["ap-a"]


def test_technicians_see_all_machines_but_only_their_own_calendar(caller: Caller) -> None:
    technician = caller("technician-a")
    machines = technician.get("/v1/machines").json()["items"]
    assert [item["id"] for item in machines] == ["m-a", "m-b"]
    appointments = technician.get("/v1/appointments").json()["items"]
    assert [item["id"] for item in appointments] == ["ap-a"]
    assert technician.get("/v1/appointments/ap-b").status_code == 404
    assert technician.get("/v1/technicians/t-b").status_code == 404
    assert technician.get("/v1/absences/ab-b").status_code == 404


@pytest.mark.usefixtures("due_today")
def test_a_technician_may_begin_their_own_appointment_and_no_other(caller: Caller) -> None:
    version = {"If-Match": '"v2"'}
    own, other = "/v1/appointments/ap-a/state", "/v1/appointments/ap-b/state"
    technician = caller("technician-a")
    begin = {"state": "under_way"}
    assert technician.put(other, json=begin, headers=version).status_code == 404
    assert technician.put(own, json={"state": "promised"}, headers=version).status_code == 403
    begun = technician.put(own, json=begin, headers=version)
    assert (begun.status_code, begun.json()["state"]) == (200, "under_way")


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("PUT", "/v1/clients/c-a", {"name": "Taken over"}),
        ("POST", "/v1/clients", {"name": "New"}),
        ("POST", "/v1/plans", {"first_day": "2027-03-02"}),
        ("POST", "/v1/api-keys", {"name": "me", "role": "administrator"}),
        ("PUT", "/v1/appointments/ap-a/state", {"state": "cancelled"}),
    ],
)
def test_a_portal_changes_nothing(
    caller: Caller, method: str, path: str, body: dict[str, str]
) -> None:
    reply = caller("portal-a").request(method, path, json=body, headers={"If-Match": '"v1"'})
    assert reply.status_code == 403


def test_a_dispatcher_makes_no_keys(caller: Caller) -> None:
    new = {"name": "me", "role": "administrator"}
    assert caller("dispatcher").post("/v1/api-keys", json=new).status_code == 403
    assert caller("administrator").post("/v1/api-keys", json=new).status_code == 201


def test_withdrawn_expired_and_unknown_keys_are_all_the_same(
    nobody: TestClient, database: Database
) -> None:
    withdrawn, key = create_key(
        database, name="w", role=Role.DISPATCHER, now=NOW, origin=TEST
    )  # fmt: skip
    before = NOW - timedelta(days=2)
    _, expired = create_key(
        database, name="e", role=Role.DISPATCHER, expires_at=NOW, now=before, origin=TEST
    )
    headers = {"Authorization": f"Bearer {key}"}
    assert nobody.get("/v1/clients", headers=headers).status_code == 200
    revoke_key(database, withdrawn.id, now=NOW, origin=TEST)

    def told(secret: str) -> object:
        reply = nobody.get("/v1/clients", headers={"Authorization": f"Bearer {secret}"})
        return reply.status_code, {**reply.json(), "request_id": ""}

    assert told(key) == told(expired) == told(mint_key()) == told("nonsense")
    assert told(key)[0] == 401  # type: ignore[index]


def test_keys_are_shown_once_and_kept_as_hashes(caller: Caller, database: Database) -> None:
    administrator = caller("administrator")
    new = {"name": "Portal", "role": "portal", "client_id": "c-a"}
    made = administrator.post("/v1/api-keys", json=new).json()
    listed = administrator.get("/v1/api-keys").text
    assert made["key"].startswith("srk_")
    assert made["key"] not in listed
    with database.read() as session:
        row = session.get_one(ApiKeyRow, made["id"])
        assert made["key"] not in row.model_dump_json()


@pytest.mark.parametrize(
    "key",
    [
        {"name": "x", "role": "portal"},
        {"name": "x", "role": "technician"},
        {"name": "x", "role": "dispatcher", "client_id": "c-a"},
        {"name": "x", "role": "emperor"},
    ],
)
def test_a_key_is_bound_as_its_role_demands(caller: Caller, key: dict[str, str]) -> None:
    assert caller("administrator").post("/v1/api-keys", json=key).status_code == 422
