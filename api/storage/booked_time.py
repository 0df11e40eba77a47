"""Whose time is taken: by appointments, and by holds that clients may still book.

A hold ends by the clock, which no constraint of a database can know. So holds and appointments are
compared here, by whoever has the technician's lock (`Database.lock`): everybody who puts anything
into a calendar. What the database itself refuses as well is that two appointments overlap.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, HoldRow, SiteRow, VisitRow
from scheduler.errors import HeldForClient
from scheduler.intervals import Interval, IntervalSet
from scheduler.lifecycle import LIVE
from scheduler.places import Coordinates
from scheduler.routing.open_visits import OpenVisit, Standing
from scheduler.routing.standing import Booked
from scheduler.working_time import local_date

Taking = TypeVar("Taking", AppointmentRow, HoldRow)

HOLD = "hold/"
"""Begins the id of a held time in a problem; the id of its visit follows."""

_MINUTE = timedelta(minutes=1)


def booked_time(
    session: Session,
    *,
    start: datetime,
    end: datetime,
    now: datetime,
    but_for_visit: str,
    technicians: Collection[str] | None = None,
) -> tuple[Booked, ...]:
    """Return the time taken by what begins in ``[start, end)``, each under its visit's id.

    Parameters
    ----------
    but_for_visit : a visit that is to be placed: its own appointment and holds do not count.
    technicians : of these only, when given.
    """
    span = (start, end)
    holds = (col(HoldRow.state) == "held", col(HoldRow.expires_at) > now)
    live = col(AppointmentRow.state).in_(LIVE)
    found = _taken(session, AppointmentRow, span, technicians, live)
    found += _taken(session, HoldRow, span, technicians, *holds)
    return tuple(each for each in found if each.id.removeprefix(HOLD) != but_for_visit)


def technicians_at(session: Session, site: str, *, now: datetime) -> frozenset[str]:
    """Return who goes to a site from now on, for appointments or in time held for clients."""
    found: set[str] = set()
    live = col(AppointmentRow.state).in_(LIVE), AppointmentRow.ends_at > now
    held = HoldRow.state == "held", HoldRow.expires_at > now
    for table, conditions in ((AppointmentRow, live), (HoldRow, held)):
        found.update(
            session.exec(
                select(col(table.technician_id))
                .join(VisitRow, col(VisitRow.id) == col(table.visit_id))
                .where(VisitRow.site_id == site, *conditions)
            )
        )
    return frozenset(found)


def _taken(
    session: Session,
    table: type[Taking],
    span: tuple[datetime, datetime],
    technicians: Collection[str] | None,
    *conditions: Any,
) -> list[Booked]:
    start, end = span
    if technicians is not None:
        conditions = (*conditions, col(table.technician_id).in_(technicians))
    rows = session.execute(
        select_columns(
            col(table.visit_id),
            col(table.technician_id),
            col(table.starts_at),
            col(table.ends_at),
            col(table.call_minutes),
            col(SiteRow.id),
            col(SiteRow.lat),
            col(SiteRow.lon),
        )
        .join(VisitRow, col(VisitRow.id) == col(table.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(col(table.starts_at) >= start, col(table.starts_at) < end, *conditions)
    )
    return [
        Booked(
            id=(HOLD if table is HoldRow else "") + visit,
            technician=technician,
            at=Coordinates(lat=lat, lon=lon),
            starts_at=starts_at,
            ends_at=ends_at,
            call_minutes=call_minutes,
            site=site,
        )
        for visit, technician, starts_at, ends_at, call_minutes, site, lat, lon in rows
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldTimes:
    """Times held for clients, as visits that a plan may not move; ``visits`` are what they are for.

    Nobody plans a visit whose client is making up their mind.
    """

    pinned: tuple[OpenVisit, ...]
    visits: frozenset[str]


def held_times(session: Session, *, start: datetime, end: datetime, now: datetime) -> HeldTimes:
    """Return what is held for clients and begins in ``[start, end)``."""
    rows = session.exec(
        select(HoldRow, VisitRow, SiteRow)
        .join(VisitRow, col(VisitRow.id) == col(HoldRow.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(HoldRow.state == "held", HoldRow.expires_at > now)
        .where(HoldRow.starts_at >= start, HoldRow.starts_at < end)
        .order_by(col(HoldRow.visit_id))
    ).all()
    pinned = []
    for hold, visit, site in rows:
        day = local_date(hold.starts_at, site.zone)
        pinned.append(
            OpenVisit(
                id=HOLD + visit.id,
                site=site.id,
                at=Coordinates(lat=site.lat, lon=site.lon),
                zone=site.zone,
                minutes=(hold.ends_at - hold.starts_at) // _MINUTE,
                skills=frozenset(visit.skills),
                allowed=IntervalSet.of([Interval(start=hold.starts_at, end=hold.ends_at)]),
                earliest=day,
                target=day,
                latest=day,
                parts=visit.parts,
                standing=Standing(
                    technician=hold.technician_id, starts_at=hold.starts_at, promised=True
                ),
            )
        )
    return HeldTimes(pinned=tuple(pinned), visits=frozenset(visit.id for _, visit, _ in rows))


def refuse_held_time(session: Session, technicians: Collection[str], *, now: datetime) -> None:
    """Refuse to go on when an appointment of these people lies in time held for another visit.

    Raises
    ------
    HeldForClient
        Names the first such time.
    """
    session.flush()
    held = session.exec(
        select(HoldRow)
        .join(AppointmentRow, col(AppointmentRow.technician_id) == col(HoldRow.technician_id))
        .where(col(HoldRow.technician_id).in_(technicians))
        .where(HoldRow.state == "held", HoldRow.expires_at > now)
        .where(col(AppointmentRow.state).in_(LIVE))
        .where(AppointmentRow.starts_at < HoldRow.ends_at)
        .where(HoldRow.starts_at < AppointmentRow.ends_at)
        .where(AppointmentRow.visit_id != HoldRow.visit_id)
        .order_by(col(HoldRow.starts_at))
    ).first()
    if held is not None:
        raise HeldForClient(held.technician_id, held.starts_at, held.expires_at)
