"""Every error is a problem document, whoever raised it, and says nothing it should not."""

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from sqlalchemy.exc import OperationalError

from api.http.edge import MAX_BODY_BYTES
from api.http.problems import _STATUS_AND_NAME
from scheduler.errors import Busy, SteamroundError

KEYS = {"type", "title", "status", "detail", "request_id", "errors"}


def _every_error(base: type[SteamroundError] = SteamroundError) -> Iterator[type[Exception]]:
    for kind in base.__subclasses__():
        yield kind
        yield from _every_error(kind)


def test_every_error_of_ours_has_its_place_in_the_table() -> None:
    bases = tuple(kind for kind, _, _ in _STATUS_AND_NAME)
    assert [kind.__name__ for kind in _every_error() if not issubclass(kind, bases)] == []


@pytest.mark.parametrize(
    ("method", "path", "status", "name"),
    [
        ("GET", "/nothing/here", 404, "not-found"),
        ("GET", "/v1/sites/zz", 404, "not-found"),
        ("DELETE", "/v1/sites", 405, "method-not-allowed"),
        ("PUT", "/v1/clients/c-a", 422, "invalid-input"),
        ("GET", "/v1/visits?state=lost", 422, "invalid-input"),
        ("POST", "/v1/plans/zz/publish", 404, "not-found"),
    ],
)
def test_errors_are_problem_documents(
    dispatcher: TestClient, method: str, path: str, status: int, name: str
) -> None:
    reply = dispatcher.request(method, path, headers={"If-Match": '"v1"'})
    document = reply.json()
    assert reply.status_code == status
    assert reply.headers["content-type"] == "application/problem+json"
    assert set(document) == KEYS
    assert document["status"] == status
    assert document["type"].endswith(f"/{name}")
    assert document["request_id"] == reply.headers["x-request-id"]


def test_wrong_fields_are_pointed_at(dispatcher: TestClient) -> None:
    body = {"machine": "m-a", "symptoms": ["x", 5], "answers": {"a/b": "perhaps"}, "colour": 1}
    reply = dispatcher.post("/v1/callbacks", json=body)
    pointers = sorted(error["pointer"] for error in reply.json()["errors"])
    assert (reply.status_code, pointers) == (422, ["/answers/a~1b", "/colour", "/symptoms/1"])
    reply = dispatcher.get("/v1/sites?limit=x")
    assert [error["pointer"] for error in reply.json()["errors"]] == ["limit"]


def test_a_body_that_is_not_json_is_a_bad_request(dispatcher: TestClient) -> None:
    headers = {"Content-Type": "application/json"}
    reply = dispatcher.post("/v1/clients", content=b'{"name": "x"', headers=headers)
    assert (reply.status_code, reply.headers["content-type"]) == (400, "application/problem+json")


def test_the_allow_header_names_every_method(dispatcher: TestClient) -> None:
    assert dispatcher.delete("/v1/sites").headers["allow"] == "GET, POST"
    assert dispatcher.delete("/v1/sites/s-a").headers["allow"] == "GET, PUT"
    assert dispatcher.put("/feeds/x/y.ics").headers["allow"] == "GET, HEAD"


def _drops(size: int) -> Iterator[bytes]:
    yield b'{"name": "'
    for _ in range(size // 1000):
        yield b"x" * 1000
    yield b'"}'


@pytest.mark.parametrize("announced", [True, False])
def test_a_body_that_is_too_large_is_refused(dispatcher: TestClient, announced: bool) -> None:
    drops = _drops(MAX_BODY_BYTES + 2000)
    content = b"".join(drops) if announced else drops
    headers = {"Content-Type": "application/json"}
    reply = dispatcher.post("/v1/clients", content=content, headers=headers)  # type: ignore[arg-type]
    assert (reply.status_code, reply.headers["content-type"]) == (413, "application/problem+json")


def test_an_unexpected_error_tells_nothing(nobody: TestClient, dispatcher: TestClient) -> None:
    nobody.app.state.database = None  # type: ignore[attr-defined]
    reply = dispatcher.get("/v1/clients")
    assert (reply.status_code, set(reply.json())) == (500, KEYS)
    assert "NoneType" not in reply.text


def test_a_busy_database_asks_to_come_again(nobody: TestClient, dispatcher: TestClient) -> None:
    class Locked:
        def read(self) -> object:
            raise Busy from OperationalError("SELECT secret", {}, Exception("database is locked"))

    nobody.app.state.database = Locked()  # type: ignore[attr-defined]
    reply = dispatcher.get("/v1/clients")
    assert (reply.status_code, reply.headers["retry-after"]) == (503, "1")
    assert "secret" not in reply.text


def test_a_request_may_bring_its_name(dispatcher: TestClient) -> None:
    named = dispatcher.get("/v1/clients", headers={"X-Request-Id": "caller-12345"})
    assert named.headers["x-request-id"] == "caller-12345"
    forged = dispatcher.get("/v1/clients", headers={"X-Request-Id": "x\ty; drop"})
    assert forged.headers["x-request-id"].startswith("rq_")


def test_an_unknown_feed_address_is_not_repeated(nobody: TestClient) -> None:
    assert "srf_secret" not in nobody.get("/feeds/srf_secret").text


SLOT = {"technician_id": "t-a", "starts_at": "9999-12-31T23:59:00Z"}
AWAY = {"technician_id": "t-a", "starts_at": "2027-03-02T00:00:00Z", "ends_at": "9999-12-31T00:00Z"}


@pytest.mark.parametrize(
    ("method", "path", "body", "pointer"),
    [
        ("PUT", "/v1/appointments/ap-a/slot", SLOT, "/starts_at"),
        ("POST", "/v1/absences", AWAY, "/ends_at"),
        ("POST", "/v1/plans", {"first_day": "9999-12-20"}, "/first_day"),
        ("GET", "/v1/appointments?starts_from=0001-01-01T00:00:00%2B14:00", None, "starts_from"),
    ],
)
def test_days_nobody_can_mean_are_refused(
    dispatcher: TestClient, method: str, path: str, body: dict[str, str] | None, pointer: str
) -> None:
    reply = dispatcher.request(method, path, json=body, headers={"If-Match": '"v1"'})
    assert (reply.status_code, reply.json()["errors"][0]["pointer"]) == (422, pointer)
    assert "write a day from 1950-01-01 to 2199-12-31" in reply.json()["errors"][0]["detail"]


INSTANT = "write an instant with its offset, as in 2027-03-31T09:30:00+02:00"


@pytest.mark.parametrize(
    ("body", "detail"),
    [
        ({"technician_id": "t-a"}, "this is needed"),
        ({**SLOT, "starts_at": "2027-03-28T02:30:00"}, INSTANT),
        ({**SLOT, "starts_at": "2027-03-28"}, INSTANT),
        ({**SLOT, "starts_at": "2027-13-45T99:00:00Z"}, INSTANT),
        ({**SLOT, "starts_at": "tomorrow"}, f"{INSTANT}, got 'tomorrow'"),
        ({**SLOT, "starts_at": None}, INSTANT),
        ([SLOT], 'write a JSON object, {"name": value}, and say Content-Type: application/json'),
        (
            {**SLOT, "starts_at": "2027-03-30T09:00:00Z", "colour": 1},
            "there is no such field here; /v1/docs lists those there are",
        ),
    ],
)
def test_a_wrong_field_is_told_what_would_be_right(
    dispatcher: TestClient, body: object, detail: str
) -> None:
    reply = dispatcher.put("/v1/appointments/ap-a/slot", json=body, headers={"If-Match": '"v1"'})
    assert (reply.status_code, reply.json()["errors"][0]["detail"]) == (422, detail)


def test_a_character_no_database_keeps_is_refused_wherever_it_comes(
    dispatcher: TestClient,
) -> None:
    report = {"machine": "E-a", "symptoms": [], "text": "cold\0"}
    reply = dispatcher.post("/v1/callbacks", json=report)
    assert (reply.status_code, reply.json()["errors"][0]["pointer"]) == (422, "/text")
    for address in ("/v1/sites/%00", "/v1/sites?client=%00"):
        reply = dispatcher.get(address)
        assert (reply.status_code, reply.headers["content-type"]) == (
            422,
            "application/problem+json",
        )
        assert "NUL" in reply.json()["detail"]


def test_a_parameter_nobody_knows_is_refused_and_those_there_are_are_named(
    dispatcher: TestClient,
) -> None:
    reply = dispatcher.get("/v1/sites?colour=red&cleint=c-a")
    assert reply.status_code == 422
    assert {each["pointer"] for each in reply.json()["errors"]} == {"colour", "cleint"}
    assert "there are: client, " in reply.json()["errors"][0]["detail"]
    assert dispatcher.get("/v1/sites?client=c-a&limit=5").status_code == 200


def test_every_route_of_the_api_knows_its_parameters(dispatcher: TestClient) -> None:
    document = dispatcher.get("/v1/openapi.json").json()
    described = {
        operation["operationId"]: {
            each["name"] for each in operation.get("parameters", ()) if each["in"] == "query"
        }
        for methods in document["paths"].values()
        for operation in methods.values()
    }
    known = dispatcher.app.state.known_parameters  # type: ignore[attr-defined]
    assert described == {name: set(known[name]) for name in described}
