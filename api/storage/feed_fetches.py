"""The calendar behind a secret address, and when it was last fetched."""

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, func, update
from sqlmodel import Session, col, select

from api.storage.database import Database
from api.storage.tables import FeedDocumentRow, FeedLinkRow
from scheduler.errors import Busy

NOTED_EVERY = timedelta(minutes=15)
"""A fetch is noted at most this often: a reader that asks every minute must not write as often."""

STALE_AFTER = timedelta(days=1)
"""A link that was not fetched for as long shows its reader an old calendar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFeed:
    """What a secret leads to; ``etag`` is None once the calendar is no longer kept."""

    link_id: str
    kind: str
    subject: str
    name: str
    etag: str | None
    revoked: bool
    last_fetched_at: datetime | None


def feed_by_secret_hash(session: Session, digest: str) -> FoundFeed | None:
    """Return what a secret address leads to, withdrawn or not; None when it was never given out."""
    row = session.exec(
        select(FeedLinkRow, FeedDocumentRow.name, FeedDocumentRow.etag)
        .join(
            FeedDocumentRow,
            (col(FeedDocumentRow.kind) == col(FeedLinkRow.kind))
            & (col(FeedDocumentRow.subject) == col(FeedLinkRow.subject)),
            isouter=True,
        )
        .where(FeedLinkRow.secret_hash == digest)
    ).first()
    if row is None:
        return None
    link, name, etag = row
    return FoundFeed(
        link_id=link.id,
        kind=link.kind,
        subject=link.subject,
        name=name or "",
        etag=etag,
        revoked=link.revoked_at is not None,
        last_fetched_at=link.last_fetched_at,
    )


def remember_fetch(database: Database, link_id: str, *, now: datetime, reader: str) -> None:
    """Note that a calendar was fetched, and by which program; where the database is busy, don't."""
    with suppress(Busy), database.write() as session:
        session.exec(
            update(FeedLinkRow)
            .where(col(FeedLinkRow.id) == link_id)
            .values(last_fetched_at=now, last_fetched_by=reader[:200])
        )


def is_stale(link: FeedLinkRow, now: datetime) -> bool:
    """Whether a link that should be read has not been read for a day."""
    last = link.last_fetched_at or link.created_at
    return link.revoked_at is None and last <= now - STALE_AFTER


def stale_links(now: datetime) -> ColumnElement[bool]:
    """Return the condition of `is_stale`."""
    last = func.coalesce(col(FeedLinkRow.last_fetched_at), col(FeedLinkRow.created_at))
    return col(FeedLinkRow.revoked_at).is_(None) & (last <= now - STALE_AFTER)
