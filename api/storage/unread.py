"""Urgent visits whose technician no calendar reaches in time: somebody has to telephone."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func
from sqlmodel import Session, col, select

from api.storage.feed_fetches import STALE_AFTER
from api.storage.open_work import MOVABLE
from api.storage.tables import (
    AppointmentRow,
    FeedKind,
    FeedLinkRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.company import Urgency

URGENT = frozenset({Urgency.DANGER, Urgency.STOPPED})
"""Who comes for these may have to set out within the hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """A technician whose calendar no device has fetched for a day, or ever."""

    technician: str
    name: str
    phone: str
    last_fetched_at: datetime | None

    @property
    def sentence(self) -> str:
        """What a dispatcher has to do."""
        how = f"{self.name}, {self.phone}" if self.phone else f"{self.name} (no number is known)"
        if self.last_fetched_at is None:
            return f"telephone {how}: no device has ever fetched their calendar"
        return f"telephone {how}: no device has fetched their calendar for a day"


@dataclass(frozen=True, slots=True, kw_only=True)
class CallToMake:
    """An urgent visit to come, and whom to tell of it."""

    whom: Unread
    appointment: str
    visit: str
    site: str
    starts_at: datetime


def unread_calendars(
    session: Session, technicians: Collection[str], *, now: datetime
) -> Mapping[str, Unread]:
    """Return, by id, the technicians whose own calendar nothing has fetched for a day.

    A link that was never fetched reaches nobody, however new it is.
    """
    fetched = func.max(FeedLinkRow.last_fetched_at)
    last = dict(
        session.exec(
            select(FeedLinkRow.subject, fetched)
            .where(FeedLinkRow.kind == FeedKind.TECHNICIAN)
            .where(col(FeedLinkRow.revoked_at).is_(None))
            .where(col(FeedLinkRow.subject).in_(technicians))
            .group_by(FeedLinkRow.subject)
        ).all()
    )
    people = session.exec(select(TechnicianRow).where(col(TechnicianRow.id).in_(technicians)))
    return {
        person.id: Unread(
            technician=person.id,
            name=person.name,
            phone=person.phone,
            last_fetched_at=last.get(person.id),
        )
        for person in people
        if (moment := last.get(person.id)) is None or moment <= now - STALE_AFTER
    }


def whom_to_telephone(
    session: Session, visits: Iterable[tuple[str, str]], *, now: datetime
) -> list[Unread]:
    """Return whom to telephone when visits, each with its technician, are theirs from now on."""
    technicians = dict(visits)
    urgent = session.exec(
        select(VisitRow.id)
        .where(col(VisitRow.id).in_(technicians))
        .where(col(VisitRow.urgency).in_(URGENT))
    )
    unread = unread_calendars(session, {technicians[visit] for visit in urgent}, now=now)
    return sorted(unread.values(), key=lambda each: each.name)


def calls_to_make(session: Session, *, now: datetime) -> list[CallToMake]:
    """Return the urgent visits to come that no calendar tells of in time, soonest first."""
    coming = session.exec(
        select(AppointmentRow, SiteRow.name)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(col(AppointmentRow.state).in_(MOVABLE), AppointmentRow.ends_at > now)
        .where(col(VisitRow.urgency).in_(URGENT))
        .order_by(col(AppointmentRow.starts_at), col(AppointmentRow.id))
    ).all()
    unread = unread_calendars(session, {row.technician_id for row, _ in coming}, now=now)
    return [
        CallToMake(
            whom=unread[row.technician_id],
            appointment=row.id,
            visit=row.visit_id,
            site=site,
            starts_at=row.starts_at,
        )
        for row, site in coming
        if row.technician_id in unread
    ]
