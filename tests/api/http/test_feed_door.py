"""Calendars handed over at the door, on either database: at once, and never a moment too long."""

import logging
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from fastapi.testclient import TestClient

from api.feeds.delivery import store_form
from api.feeds.events import render_calendar
from api.feeds.links import feed_path, mint_secret, secret_hash
from api.http.app import create_app
from api.storage.database import Database
from api.storage.tables import FeedDocumentRow, FeedKind, FeedLinkRow
from scheduler.catalogue import Catalogue

NOW = datetime(2027, 3, 1, 8, tzinfo=UTC)


@pytest.fixture
def databases(database_url: str) -> Iterator[tuple[Database, Database]]:
    """That of the server, and the same as another process opens it."""
    both = Database(database_url), Database(database_url)
    both[0].create_or_upgrade()
    yield both
    for each in both:
        each.close()


def publish(database: Database, title: str) -> bytes:
    """Store a calendar with no event in it, and return its bytes."""
    feed = store_form(render_calendar(title, [], "Europe/Oslo", day_start=NOW), now=NOW)
    with database.write() as session:
        session.merge(
            FeedDocumentRow(
                kind=FeedKind.TECHNICIAN, subject="t-a", name="Inga", body=feed.body,
                body_gzip=feed.gzip_body, etag=feed.etag, changed_at=NOW, written_at=NOW,
            )
        )  # fmt: skip
    return feed.body


def test_an_answer_is_repeated_until_anybody_writes_anything(
    databases: tuple[Database, Database], catalogue: Catalogue, caplog: pytest.LogCaptureFixture
) -> None:
    ours, others = databases
    caplog.set_level(logging.DEBUG, logger="steamround.feeds")
    secret = mint_secret()
    first = publish(others, "First")
    with others.write() as session:
        session.add(
            FeedLinkRow(
                id="fl-1", kind=FeedKind.TECHNICIAN, subject="t-a", device="telephone",
                secret_hash=secret_hash(secret), created_at=NOW, last_fetched_at=NOW,
            )
        )  # fmt: skip
    app = create_app(ours, catalogue, public_url="https://x.example", tell_time=lambda: NOW)
    client, path = TestClient(app), feed_path(secret, "Inga")

    def fetch(**headers: str) -> tuple[int, bytes, bool]:
        """Status, body, and whether it was at hand."""
        caplog.clear()
        plain = {"Accept-Encoding": "identity"}
        reply = client.get(
            path, headers=plain | {k.replace("_", "-"): v for k, v in headers.items()}
        )
        return reply.status_code, reply.content, bool(caplog.records)

    assert fetch() == (200, first, False)
    assert fetch() == (200, first, True)
    tag = client.get(path, headers={"Accept-Encoding": "identity"}).headers["etag"]
    assert fetch(If_None_Match=tag) == (304, b"", False)  # asked otherwise than before
    assert fetch(If_None_Match=tag) == (304, b"", True)
    assert fetch(If_None_Match='"another"') == (200, first, False)

    second = publish(others, "Second")
    assert fetch(If_None_Match=tag) == (200, second, False)
    assert fetch() == (200, second, False)
    assert fetch() == (200, second, True)

    with others.write() as session:
        session.get_one(FeedLinkRow, "fl-1").revoked_at = NOW
    assert (fetch()[0], fetch()[0]) == (410, 410)
