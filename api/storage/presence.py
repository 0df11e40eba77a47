"""Who is at which site and when, as it stands in the calendar; see :mod:`scheduler.presence`.

What the database itself refuses is that appointments get such times (the guards of both
dialects). It cannot know when a hold ends, nor say who is there: that is looked at here.
"""

from collections.abc import Collection, Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, and_
from sqlalchemy import select as select_columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, HoldRow, SiteRow, StayRow, TechnicianRow, VisitRow
from scheduler.errors import SiteTaken
from scheduler.intervals import Interval
from scheduler.lifecycle import LIVE, AppointmentState
from scheduler.presence import Presence, meetings

OVERRUN = timedelta(minutes=15)
"""How much longer work is taken to last that should have ended by now."""


def presences(
    session: Session,
    *,
    start: datetime,
    end: datetime,
    now: datetime,
    sites: Collection[str] | None = None,
    with_holds: bool = True,
) -> tuple[Presence, ...]:
    """Return who is at a site at any time in ``[start, end)``, by appointments and holds.

    Work that has begun counts from its beginning where that was early; begun late, it lasts as long
    as planned from then; and it always lasts a quarter of an hour from now.

    Parameters
    ----------
    sites : only these, when given.
    """
    found = []
    for table in (AppointmentRow, HoldRow) if with_holds else (AppointmentRow,):
        under_way = col(table.state) == AppointmentState.UNDER_WAY
        rows = select_columns(
            col(table.id),
            col(table.visit_id),
            col(VisitRow.site_id),
            col(table.technician_id),
            col(table.starts_at),
            col(table.ends_at),
            col(table.state),
            col(StayRow.arrived_at),
        ).join(VisitRow, col(VisitRow.id) == col(table.visit_id))
        rows = rows.join(StayRow, col(StayRow.appointment_id) == col(table.id), isouter=True)
        if sites is not None:
            rows = rows.where(col(VisitRow.site_id).in_(sites))
        if table is HoldRow:
            rows = rows.where(col(HoldRow.state) == "held", col(HoldRow.expires_at) > now)
        else:
            rows = rows.where(col(AppointmentRow.state).in_(LIVE))
        rows = rows.where(
            (col(table.starts_at) < end) | under_way, (col(table.ends_at) > start) | under_way
        ).order_by(col(table.starts_at), col(table.id))
        for id_, visit, site, technician, starts_at, ends_at, state, begun in session.execute(rows):
            span = Interval(start=starts_at, end=ends_at)
            if state == AppointmentState.UNDER_WAY:
                span = _at_work(starts_at, ends_at, begun)
                span = Interval(start=span.start, end=max(span.end, now + OVERRUN))
            if span.end > start and span.start < end:
                found.append(
                    Presence(id=id_, visit=visit, site=site, technician=technician, span=span)
                )
    return tuple(found)


def _at_work(starts_at: datetime, ends_at: datetime, begun: datetime | None) -> Interval[datetime]:
    """Return from when to when work goes that was planned so and began then."""
    begun = begun or starts_at
    return Interval(start=min(starts_at, begun), end=max(ends_at, begun + (ends_at - starts_at)))


def at_one_site_at_once() -> ColumnElement[bool]:
    """Return the condition that another technician's live appointment meets this one at its site.

    None has got such a time since it is refused; some may have had it before.
    """
    other, here, there = aliased(AppointmentRow), aliased(VisitRow), aliased(VisitRow)
    meeting = (
        select_columns(col(other.id))
        .join(there, col(there.id) == col(other.visit_id))
        .join(here, col(here.site_id) == col(there.site_id))
        .where(col(here.id) == col(AppointmentRow.visit_id))
        .where(col(other.technician_id) != col(AppointmentRow.technician_id))
        .where(col(other.state).in_(LIVE))
        .where(col(other.starts_at) < col(AppointmentRow.ends_at))
        .where(col(other.ends_at) > col(AppointmentRow.starts_at))
    )
    return and_(col(AppointmentRow.state).in_(LIVE), meeting.exists())


def refuse_second_at_site(
    session: Session, placed: Iterable[AppointmentRow], *, now: datetime
) -> None:
    """Refuse to go on when an appointment that was given a time meets another technician's.

    Raises
    ------
    SiteTaken
        Says who is at which site, from when to when.
    """
    session.flush()
    rows = {row.id: row for row in placed if row.state in LIVE}
    if not rows:
        return
    around = presences(
        session,
        start=min(row.starts_at for row in rows.values()),
        end=max(row.ends_at for row in rows.values()),
        now=now,
    )
    for pair in meetings(around):
        for ours, theirs in (pair, pair[::-1]):
            if ours.id in rows:
                raise _site_taken(
                    session,
                    theirs,
                    "choose a time before or after, or let one of them make both visits",
                )


def refuse_to_join(session: Session, row: AppointmentRow, *, now: datetime) -> None:
    """Refuse to let a visit begin while another technician is at work there.

    By the calendar, too: where their visit has its time now, they may be there and not have said
    so.

    Work is no obstacle once it has had its planned time since it began: somebody may have forgotten
    to report it.

    Raises
    ------
    SiteTaken
        Says who is there and until when.
    """
    site = session.get_one(VisitRow, row.visit_id).site_id
    others = session.exec(
        select(AppointmentRow, StayRow.arrived_at)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(StayRow, col(StayRow.appointment_id) == col(AppointmentRow.id), isouter=True)
        .where(VisitRow.site_id == site, AppointmentRow.technician_id != row.technician_id)
        .where(col(AppointmentRow.state).in_(LIVE))
        .order_by(col(AppointmentRow.starts_at).desc())
    ).all()
    for there, begun in others:
        span = _at_work(there.starts_at, there.ends_at, begun)
        if span.start <= now < span.end:
            presence = Presence(
                id=there.id,
                visit=there.visit_id,
                site=site,
                technician=there.technician_id,
                span=span,
            )
            raise _site_taken(
                session,
                presence,
                "begin when they have reported their work, or have the office move their visit if "
                "they are not there",
            )


def _site_taken(session: Session, by: Presence, instead: str) -> SiteTaken:
    site = session.get_one(SiteRow, by.site)
    zone = ZoneInfo(site.zone)
    return SiteTaken(
        site=site.name,
        technician=session.get_one(TechnicianRow, by.technician).name,
        starts_at=by.span.start.astimezone(zone),
        ends_at=by.span.end.astimezone(zone),
        instead=instead,
    )
