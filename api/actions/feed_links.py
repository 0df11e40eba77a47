"""The secret addresses of calendars: handed out once, exchanged, withdrawn."""

from datetime import datetime

from sqlmodel import Session

from api.actions.calendars import refresh_calendars
from api.feeds.links import feed_path, mint_secret, secret_hash
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.tables import FeedDocumentRow, FeedLinkRow, TechnicianRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, Conflict


def create_feed_link(
    database: Database,
    technician_id: str,
    device: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> tuple[FeedLinkRow, str]:
    """Return a new link for one device of a technician, and its path, which is never shown again.

    Raises
    ------
    Absent
        There is no such technician.
    """
    with database.write() as session:
        technician = session.get(TechnicianRow, technician_id)
        if technician is None:
            raise Absent("technician", technician_id)
        if session.get(FeedDocumentRow, technician_id) is None:
            refresh_calendars(session, [technician_id], catalogue, now=now)
        return _add(session, technician, device, now, origin)


def rotate_feed_link(
    database: Database, link_id: str, *, now: datetime, origin: Origin
) -> tuple[FeedLinkRow, str]:
    """Withdraw a link and return its successor for the same device, with its path.

    Raises
    ------
    Absent, Conflict
        There is no such link, or it has been withdrawn already.
    """
    with database.write() as session:
        old = _withdraw(session, link_id, now, origin)
        technician = session.get_one(TechnicianRow, old.technician_id)
        return _add(session, technician, old.device, now, origin)


def revoke_feed_link(
    database: Database, link_id: str, *, now: datetime, origin: Origin
) -> FeedLinkRow:
    """Withdraw a link: from now on its address answers 410.

    Raises
    ------
    Absent, Conflict
        There is no such link, or it has been withdrawn already.
    """
    with database.write() as session:
        return _withdraw(session, link_id, now, origin)


def _add(
    session: Session, technician: TechnicianRow, device: str, now: datetime, origin: Origin
) -> tuple[FeedLinkRow, str]:
    secret = mint_secret()
    row = FeedLinkRow(
        id=new_id("fl"),
        technician_id=technician.id,
        device=device,
        secret_hash=secret_hash(secret),
        created_at=now,
    )
    session.add(row)
    record(session, origin, now=now, verb="create", subject=f"feed_link/{row.id}")
    return row, feed_path(secret, technician.name)


def _withdraw(session: Session, link_id: str, now: datetime, origin: Origin) -> FeedLinkRow:
    row = session.get(FeedLinkRow, link_id)
    if row is None:
        raise Absent("feed link", link_id)
    if row.revoked_at is not None:
        raise Conflict(f"feed link {link_id} was withdrawn on {row.revoked_at:%Y-%m-%d}")
    row.revoked_at = now
    session.add(row)
    record(session, origin, now=now, verb="revoke", subject=f"feed_link/{row.id}")
    return row
