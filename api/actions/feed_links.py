"""The secret addresses of calendars: handed out once, exchanged, withdrawn."""

from datetime import datetime

from sqlmodel import Session, col, select

from api.actions.calendars import THE_COMPANY, Feed, write_calendar
from api.actions.worksheet_addresses import retire_worksheet_addresses
from api.feeds.links import feed_path, mint_secret, secret_hash
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.scope import EVERYTHING, one
from api.storage.snapshots import company
from api.storage.tables import (
    FeedDocumentRow,
    FeedKind,
    FeedLinkRow,
    SiteRow,
    TechnicianRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, Conflict


def create_feed_link(
    database: Database,
    feed: Feed,
    device: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> tuple[FeedLinkRow, str]:
    """Return a new link to a calendar for one device, and its path, which is never shown again.

    Parameters
    ----------
    device
        Whose and which, "her telephone": each device has a link of its own.

    Raises
    ------
    Absent
        There is no such technician or site.
    Conflict
        The device has a link to this calendar already.
    """
    with database.write() as session:
        _require_subject(session, feed)
        if _live_links(session, feed, device):
            raise Conflict(
                f"{device!r} has a link to this calendar already: rotate that one, or name the "
                "device otherwise"
            )
        if session.get(FeedDocumentRow, (feed.kind, feed.subject)) is None:
            write_calendar(session, feed, catalogue, now=now)
        return _add(session, feed, device, now, origin)


def rotate_feed_link(
    database: Database, link_id: str, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> tuple[FeedLinkRow, str]:
    """Withdraw a link and return its successor for the same device, with its path.

    Raises
    ------
    Absent, Conflict
        There is no such link, or it has been withdrawn already.
    """
    with database.write() as session:
        old = _withdraw(session, link_id, catalogue, now, origin)
        return _add(session, _feed_of(old), old.device, now, origin)


def revoke_feed_link(
    database: Database, link_id: str, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> FeedLinkRow:
    """Withdraw a link: from now on its address answers 410.

    So do those of the worksheets named in a technician's calendar; their other devices find new
    ones there.

    Raises
    ------
    Absent, Conflict
        There is no such link, or it has been withdrawn already.
    """
    with database.write() as session:
        row = _withdraw(session, link_id, catalogue, now, origin)
        _forget_unread(session, _feed_of(row))
        return row


def _require_subject(session: Session, feed: Feed) -> None:
    if feed.kind is FeedKind.COMPANY:
        if feed.subject != THE_COMPANY:
            raise Absent("company", feed.subject)
        company(session)
    elif feed.kind is FeedKind.SITE:
        one(session, SiteRow, feed.subject, EVERYTHING)
    else:
        one(session, TechnicianRow, feed.subject, EVERYTHING)


def _add(
    session: Session, feed: Feed, device: str, now: datetime, origin: Origin
) -> tuple[FeedLinkRow, str]:
    secret = mint_secret()
    row = FeedLinkRow(
        id=new_id("fl"),
        kind=feed.kind,
        subject=feed.subject,
        device=device,
        secret_hash=secret_hash(secret),
        created_at=now,
    )
    session.add(row)
    record(session, origin, now=now, verb="create", subject=f"feed_link/{row.id}")
    document = session.get_one(FeedDocumentRow, (feed.kind, feed.subject))
    return row, feed_path(secret, document.name)


def _withdraw(
    session: Session, link_id: str, catalogue: Catalogue, now: datetime, origin: Origin
) -> FeedLinkRow:
    row = session.get(FeedLinkRow, link_id)
    if row is None:
        raise Absent("feed link", link_id)
    if row.revoked_at is not None:
        raise Conflict(f"feed link {link_id} was withdrawn on {row.revoked_at:%Y-%m-%d}")
    row.revoked_at = now
    session.add(row)
    record(session, origin, now=now, verb="revoke", subject=f"feed_link/{row.id}")
    if row.kind == FeedKind.TECHNICIAN:
        retire_worksheet_addresses(session, row.subject, now=now)
        write_calendar(session, _feed_of(row), catalogue, now=now)
    return row


def _forget_unread(session: Session, feed: Feed) -> None:
    """Stop keeping a calendar nobody can read any more; technicians' own always stand ready."""
    if feed.kind is FeedKind.TECHNICIAN or _live_links(session, feed):
        return
    session.delete(session.get_one(FeedDocumentRow, (feed.kind, feed.subject)))


def _live_links(session: Session, feed: Feed, device: str | None = None) -> bool:
    statement = select(FeedLinkRow.id).where(
        FeedLinkRow.kind == feed.kind,
        FeedLinkRow.subject == feed.subject,
        col(FeedLinkRow.revoked_at).is_(None),
    )
    if device is not None:
        statement = statement.where(FeedLinkRow.device == device)
    return session.exec(statement.limit(1)).first() is not None


def _feed_of(row: FeedLinkRow) -> Feed:
    return Feed(FeedKind(row.kind), row.subject)
