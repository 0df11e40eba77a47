"""A request sent again under its key is done once."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient
from sqlmodel import func, select

from api.storage.database import Database
from api.storage.replies import KEPT_FOR, forget_old_replies
from api.storage.tables import AuditRow, IdempotencyRow, PlanRow
from tests.api.http.conftest import NOW, Caller

PLAN = {"first_day": "2027-03-02", "iterations": 50}
KEY = {"Idempotency-Key": "order-1"}


def _plans(database: Database) -> int:
    with database.read() as session:
        return session.exec(select(func.count()).select_from(PlanRow)).one()


def test_the_reply_is_repeated_and_nothing_is_done_again(
    dispatcher: TestClient, database: Database
) -> None:
    first = dispatcher.post("/v1/plans", json=PLAN, headers=KEY)
    again = dispatcher.post("/v1/plans", json=PLAN, headers={"Idempotency-Key": '"order-1"'})
    assert (first.status_code, again.status_code) == (202, 202)
    assert again.json() == first.json()
    assert again.headers["location"] == first.headers["location"]
    assert "idempotency-replayed" not in first.headers
    assert again.headers["idempotency-replayed"] == "true"
    assert _plans(database) == 1


def test_without_a_key_each_request_counts(dispatcher: TestClient, database: Database) -> None:
    for _ in range(2):
        dispatcher.post("/v1/plans", json=PLAN)
    assert _plans(database) == 2


@pytest.mark.parametrize("key", ["", '""', "--", "two words"])
def test_a_key_that_is_none_is_refused_and_nothing_done(
    dispatcher: TestClient, database: Database, key: str
) -> None:
    for path, body in (("/v1/plans", PLAN), ("/v1/bookings", {"hold_id": "ho_1"})):
        refused = dispatcher.post(path, json=body, headers={"Idempotency-Key": key})
        assert (refused.status_code, refused.json()["detail"]) == (
            400,
            "send Idempotency-Key: a value of your own, new for every request, with a letter or "
            "digit and without spaces",
        )
    assert _plans(database) == 0


def test_the_same_key_with_another_body_is_refused(
    dispatcher: TestClient, database: Database
) -> None:
    dispatcher.post("/v1/plans", json=PLAN, headers=KEY)
    other = dispatcher.post("/v1/plans", json={**PLAN, "days": 3}, headers=KEY)
    assert other.status_code == 422
    assert _plans(database) == 1


def test_keys_of_different_callers_have_nothing_to_do_with_each_other(caller: Caller) -> None:
    for letter in ("a", "b"):
        report = {"machine": f"E-{letter}", "text": "drips"}
        taken = caller(f"portal-{letter}").post("/v1/callbacks", json=report, headers=KEY)
        assert (taken.status_code, taken.json()["client_id"]) == (201, f"c-{letter}")


def test_a_failed_request_leaves_nothing_and_may_be_tried_again(
    dispatcher: TestClient, database: Database
) -> None:
    late = dispatcher.post("/v1/plans", json={**PLAN, "first_day": "2027-02-01"}, headers=KEY)
    assert late.status_code == 422
    with database.read() as session:
        assert session.exec(select(IdempotencyRow)).all() == []
        assert session.exec(select(AuditRow).where(AuditRow.verb == "request")).all() == []
    assert dispatcher.post("/v1/plans", json=PLAN, headers=KEY).status_code == 202


def test_many_at_once_under_few_keys_have_one_effect_each(
    dispatcher: TestClient, database: Database
) -> None:
    def ask(number: int) -> str:
        key = {"Idempotency-Key": f"order-{number % 3}"}
        reply = dispatcher.post("/v1/plans", json=PLAN, headers=key)
        assert reply.status_code == 202
        return str(reply.json()["id"])

    with ThreadPoolExecutor(8) as pool:
        plans = list(pool.map(ask, range(24)))
    assert len(set(plans)) == 3
    assert _plans(database) == 3


def test_old_keys_are_forgotten(dispatcher: TestClient, database: Database) -> None:
    dispatcher.post("/v1/plans", json=PLAN, headers=KEY)
    forget_old_replies(database, now=NOW + KEPT_FOR)
    with database.read() as session:
        assert len(session.exec(select(IdempotencyRow)).all()) == 1
    forget_old_replies(database, now=NOW + KEPT_FOR + timedelta(seconds=1))
    with database.read() as session:
        assert session.exec(select(IdempotencyRow)).all() == []


WITHOUT_A_KEY = {
    # the secret is shown once and kept as a hash: it may not stand in a stored reply. Who lost the
    # reply withdraws what was made and makes another
    "add_key",
    "add_feed_link",
    "rotate_link",
}


def test_everything_that_creates_takes_a_key(nobody: TestClient) -> None:
    document = nobody.get("/v1/openapi.json").json()
    without = {
        operation["operationId"]
        for methods in document["paths"].values()
        for operation in methods.values()
        if "201" in operation["responses"]
        and "Idempotency-Key" not in {each["name"] for each in operation.get("parameters", ())}
    }
    assert without == WITHOUT_A_KEY


def test_a_record_is_added_once_under_a_key(dispatcher: TestClient) -> None:
    body = {"name": "Tidewater Cafés"}
    headers = {"Idempotency-Key": "client-1"}
    first, again = (dispatcher.post("/v1/clients", json=body, headers=headers) for _ in range(2))
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json() == first.json()
    assert again.headers["location"] == first.headers["location"]
    names = [each["name"] for each in dispatcher.get("/v1/clients").json()["items"]]
    assert names.count("Tidewater Cafés") == 1
