"""What becomes of a secret address: withdrawn everywhere at once, fetched by whom, never logged."""

import logging
import subprocess
import sys
from datetime import datetime, timedelta

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlmodel import select

from api.actions.feed_links import revoke_feed_link
from api.http.context import present
from api.storage.database import Database
from api.storage.tables import AuditRow, FeedLinkRow, OutboxRow
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, TEST, Caller

_OTHER_PROCESS = """
import sys
from fastapi.testclient import TestClient
from api.http.app import create_app
from api.storage.database import Database
from seed_data.catalogue import load_catalogue
database = Database(sys.argv[1])
client = TestClient(create_app(database, load_catalogue(), public_url="http://x"))
for path in sys.stdin:
    print(client.get(path.strip()).status_code, flush=True)
database.close()
"""


def link(dispatcher: TestClient, **body: str) -> tuple[str, str]:
    """Return a new link's id and path."""
    made = dispatcher.post("/v1/feed-links", json={"device": "phone", **body}).json()
    return made["id"], made["address"].removeprefix("https://plan.example.org")


def test_a_withdrawn_link_is_gone_in_every_process_at_once(
    dispatcher: TestClient, nobody: TestClient, database: Database, catalogue: Catalogue
) -> None:
    link_id, path = link(dispatcher, technician_id="t-a")
    with subprocess.Popen(
        [sys.executable, "-c", _OTHER_PROCESS, database._url],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None

        def asked_elsewhere() -> str:
            assert other.stdin is not None
            assert other.stdout is not None
            print(path, file=other.stdin, flush=True)
            return other.stdout.readline().strip()

        # the second fetch of each process finds the calendar at hand
        assert [asked_elsewhere(), asked_elsewhere()] == ["200", "200"]
        assert [nobody.get(path).status_code, nobody.get(path).status_code] == [200, 200]
        revoke_feed_link(database, link_id, catalogue, now=NOW, origin=TEST)
        assert asked_elsewhere() == "410"
        assert nobody.get(path).status_code == 410
        other.stdin.close()
        assert other.wait() == 0


@pytest.mark.parametrize("fetches", [1, 2, 3])
def test_a_change_is_in_the_very_next_fetch(
    dispatcher: TestClient, nobody: TestClient, fetches: int
) -> None:
    _, path = link(dispatcher, kind="site", site_id="s-a")
    for _ in range(fetches):
        assert "Café Ny" not in nobody.get(path).text
    site = dispatcher.get("/v1/sites/s-a")
    values = {name: value for name, value in site.json().items() if name not in ("id", "version")}
    changed = dispatcher.put(
        "/v1/sites/s-a",
        json=values | {"name": "Café Ny"},
        headers={"If-Match": site.headers["etag"]},
    )
    assert changed.status_code == 200
    assert "Machine care at Café Ny" in nobody.get(path).text


def test_fetches_are_noted_by_client_every_quarter_of_an_hour(
    dispatcher: TestClient, nobody: TestClient, app: FastAPI, database: Database
) -> None:
    _, path = link(dispatcher, technician_id="t-a")

    def noted(minutes: int, reader: str) -> tuple[object, object]:
        app.dependency_overrides[present] = lambda: NOW + timedelta(minutes=minutes)
        try:
            assert nobody.get(path, headers={"User-Agent": reader}).status_code == 200
        finally:
            app.dependency_overrides[present] = lambda: NOW
        shown = dispatcher.get("/v1/feed-links").json()["items"][0]
        return datetime.fromisoformat(shown["last_fetched_at"]) - NOW, shown["last_fetched_by"]

    quarter = timedelta(minutes=15)
    assert noted(0, "Telephone/1") == (timedelta(), "Telephone/1")
    assert noted(14, "Tablet/2") == (timedelta(), "Telephone/1")
    assert noted(15, "Tablet/2") == (quarter, "Tablet/2")


def test_links_nobody_fetches_are_listed(dispatcher: TestClient, app: FastAPI) -> None:
    silent, _ = link(dispatcher, technician_id="t-a")
    read, path = link(dispatcher, kind="busy", technician_id="t-a")
    withdrawn, _ = link(dispatcher, kind="company")
    dispatcher.post(f"/v1/feed-links/{withdrawn}/revoke")
    tomorrow = NOW + timedelta(days=1)
    assert dispatcher.get("/v1/feed-links?stale=true").json()["items"] == []
    app.dependency_overrides[present] = lambda: tomorrow
    try:
        assert TestClient(app).get(path).status_code == 200
        stale = dispatcher.get("/v1/feed-links?stale=true").json()["items"]
        marks = {
            each["id"]: each["stale"] for each in dispatcher.get("/v1/feed-links").json()["items"]
        }
    finally:
        app.dependency_overrides[present] = lambda: NOW
    assert [each["id"] for each in stale] == [silent]
    assert marks == {silent: True, read: False, withdrawn: False}


def test_a_technician_sees_their_own_links_and_no_others(
    dispatcher: TestClient, caller: Caller
) -> None:
    own, _ = link(dispatcher, technician_id="t-a")
    busy, _ = link(dispatcher, kind="busy", technician_id="t-a")
    link(dispatcher, technician_id="t-b")
    link(dispatcher, kind="site", site_id="s-a")
    link(dispatcher, kind="company")
    listed = caller("technician-a").get("/v1/feed-links").json()["items"]
    assert {each["id"] for each in listed} == {own, busy}


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "site", "technician_id": "t-a"},
        {"kind": "busy"},
        {"kind": "company", "site_id": "s-a"},
        {"technician_id": "t-a", "site_id": "s-a"},
    ],
)
def test_a_link_names_whose_calendar_it_is(dispatcher: TestClient, body: dict[str, str]) -> None:
    reply = dispatcher.post("/v1/feed-links", json={"device": "phone", **body})
    assert reply.status_code == 422


def test_no_secret_is_kept_or_logged(
    dispatcher: TestClient,
    nobody: TestClient,
    database: Database,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    _, path = link(dispatcher, technician_id="t-a")
    secret = path.split("/")[2]
    for method in ("GET", "GET", "HEAD", "POST"):  # found, at hand, at hand, refused
        nobody.request(method, path)
    nobody.get(f"/feeds/{secret}/x/y.ics")
    nobody.get(f"/feeds/{secret}")
    refusal = nobody.get(f"/feeds/{secret}x/technician-a.ics")
    logged = "\n".join(
        f"{record.getMessage()} {record.exc_text or ''}"
        for record in caplog.records
        if not record.name.startswith(("http", "asyncio"))  # the test's own client
    )
    with database.read() as session:
        rows = [
            row.model_dump_json()
            for table in (AuditRow, FeedLinkRow, OutboxRow)
            for row in session.exec(select(table))
        ]
    assert "/feeds/***/technician-a.ics" in logged
    for told in (logged, "".join(rows), refusal.text):
        assert secret not in told
