"""Whose time is taken: by appointments, and by holds that clients may still book.

A hold ends by the clock, which no constraint of a database can know. So holds and appointments are
compared here, by whoever has the technician's lock (`Database.lock`): everybody who puts anything
into a calendar. What the database itself refuses as well is that two appointments overlap.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any, TypeVar

from sqlmodel import Session, col, select

from api.storage.open_work import LIVE
from api.storage.tables import AppointmentRow, HoldRow, SiteRow, VisitRow
from scheduler.errors import HeldForClient
from scheduler.places import Coordinates
from scheduler.routing.standing import Booked

Taking = TypeVar("Taking", AppointmentRow, HoldRow)

_HOLD = "hold/"


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
    return tuple(each for each in found if each.id.removeprefix(_HOLD) != but_for_visit)


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
    rows = session.exec(
        select(table, SiteRow.lat, SiteRow.lon)
        .join(VisitRow, col(VisitRow.id) == col(table.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(col(table.starts_at) >= start, col(table.starts_at) < end, *conditions)
    )
    return [
        Booked(
            id=(_HOLD if table is HoldRow else "") + row.visit_id,
            technician=row.technician_id,
            at=Coordinates(lat=lat, lon=lon),
            starts_at=row.starts_at,
            ends_at=row.ends_at,
        )
        for row, lat, lon in rows
    ]


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
