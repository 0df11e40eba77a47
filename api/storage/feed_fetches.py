"""The calendar behind a secret address, and when it was last fetched."""

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import update
from sqlalchemy.exc import OperationalError
from sqlmodel import Session, col, select

from api.storage.database import Database
from api.storage.tables import FeedDocumentRow, FeedLinkRow, TechnicianRow

_NOTED_EVERY = timedelta(minutes=15)
"""A fetch is noted at most this often: a reader that asks every minute must not write as often."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFeed:
    """A link, whose it is, and the calendar."""

    link: FeedLinkRow
    technician: TechnicianRow
    document: FeedDocumentRow


def feed_by_secret_hash(session: Session, digest: str) -> FoundFeed | None:
    """Return what a secret address leads to, withdrawn or not; None when it was never given out."""
    row = session.exec(
        select(FeedLinkRow, TechnicianRow, FeedDocumentRow)
        .join(TechnicianRow, col(TechnicianRow.id) == col(FeedLinkRow.technician_id))
        .join(FeedDocumentRow, col(FeedDocumentRow.technician_id) == col(TechnicianRow.id))
        .where(FeedLinkRow.secret_hash == digest)
    ).first()
    if row is None:
        return None
    link, technician, document = row
    return FoundFeed(link=link, technician=technician, document=document)


def remember_fetch(database: Database, link: FeedLinkRow, *, now: datetime, reader: str) -> None:
    """Note that a calendar was fetched, and by which program; where the database is busy, don't."""
    if link.last_fetched_at is not None and now - link.last_fetched_at < _NOTED_EVERY:
        return
    with suppress(OperationalError), database.write() as session:
        session.exec(
            update(FeedLinkRow)
            .where(col(FeedLinkRow.id) == link.id)
            .values(last_fetched_at=now, last_fetched_by=reader[:200])
        )
