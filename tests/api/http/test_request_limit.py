"""How many requests a key may make, and what it is told of it."""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from api.http.app import create_app
from api.http.context import present
from api.http.request_limit import Allowance, RequestLimit, TooManyRequests
from api.storage.database import Database
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, Caller


def test_a_key_may_make_so_many_requests_in_the_minute_of_its_first() -> None:
    limit = RequestLimit(2)
    at = [NOW + timedelta(seconds=each) for each in (0, 15, 59, 60)]

    assert limit.count("k", at[0]) == Allowance(limit=2, remaining=1, seconds=60)
    assert limit.count("k", at[1]) == Allowance(limit=2, remaining=0, seconds=45)
    with pytest.raises(TooManyRequests) as refusal:
        limit.count("k", at[2])
    assert refusal.value.allowance == Allowance(limit=2, remaining=0, seconds=1)
    assert limit.count("other", at[2]).remaining == 1
    assert limit.count("k", at[3]) == Allowance(limit=2, remaining=1, seconds=60)


def test_replies_tell_what_is_left_and_refusals_when_to_come_back(
    caller: Caller, database: Database, catalogue: Catalogue
) -> None:
    app = create_app(
        database, catalogue, public_url="https://plan.example.org", requests_per_minute=2
    )
    app.dependency_overrides[present] = lambda: NOW
    keys = [caller(name).headers["authorization"] for name in ("portal-a", "portal-b")]
    client = TestClient(app)

    def get(key: str, path: str) -> tuple[int, str, str | None]:
        reply = client.get(path, headers={"Authorization": key})
        assert reply.headers["ratelimit-policy"] == '"requests";q=2;w=60'
        return reply.status_code, reply.headers["ratelimit"], reply.headers.get("retry-after")

    assert [
        get(keys[0], "/v1/sites"),
        get(keys[0], "/v1/sites/absent"),
        get(keys[0], "/v1/sites"),
        get(keys[1], "/v1/sites"),
    ] == [
        (200, '"requests";r=1;t=60', None),
        (404, '"requests";r=0;t=60', None),
        (429, '"requests";r=0;t=60', "60"),
        (200, '"requests";r=1;t=60', None),
    ]
    problem = client.get("/v1/sites", headers={"Authorization": keys[0]}).json()
    assert (problem["title"], problem["detail"]) == (
        "Too many requests",
        "more than 2 requests in a minute: try again in 60 seconds",
    )
    assert "ratelimit" not in client.get("/livez").headers
