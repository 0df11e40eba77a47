"""Rows → pieces counted in the workshop and the vans, and the parts booked visits need."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from datetime import date, datetime, timedelta

from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, StockRow, TechnicianRow, VisitRow
from scheduler.lifecycle import LIVE
from scheduler.van_stock import Trip
from scheduler.working_time import local_date, local_day

WORKSHOP = "workshop"


def stock_by_place(session: Session) -> dict[str, dict[str, int]]:
    """Return the pieces counted at each place; a place never counted is left out."""
    found: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for row in session.exec(select(StockRow).order_by(col(StockRow.part_type))):
        found[row.place][row.part_type] = row.pieces
    return dict(found)


def booked_trips(
    session: Session, *, first_day: date, days: int, zone: str, technician: str | None = None
) -> tuple[Trip, ...]:
    """Return what the booked visits of some days need, by day and technician.

    ``technician`` limits them to one person's.
    """
    span = (local_day(first_day, zone) | local_day(_last(first_day, days), zone)).hull()
    assert span is not None, "a day has a beginning and an end"
    conditions = [
        col(AppointmentRow.state).in_(LIVE),
        col(AppointmentRow.starts_at) >= span.start,
        col(AppointmentRow.starts_at) < span.end,
    ]
    if technician is not None:
        conditions.append(col(AppointmentRow.technician_id) == technician)
    parts: defaultdict[tuple[date, str], Counter[str]] = defaultdict(Counter)
    rows: Iterable[tuple[AppointmentRow, VisitRow]] = session.exec(
        select(AppointmentRow, VisitRow)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .where(*conditions)
    )
    for appointment, visit in rows:
        day = local_date(appointment.starts_at, zone)
        parts[day, appointment.technician_id].update(visit.parts)
    return tuple(
        Trip(day=day, technician=person, parts=needed)
        for (day, person), needed in sorted(parts.items())
    )


def _last(first_day: date, days: int) -> date:
    return first_day + timedelta(days=days - 1)


def replace_count(session: Session, place: str, pieces: dict[str, int], *, now: datetime) -> None:
    """Put a new count of a place in the place of the old one."""
    for row in session.exec(select(StockRow).where(StockRow.place == place)):
        session.delete(row)
    session.flush()
    for part_type, number in pieces.items():
        session.add(StockRow(place=place, part_type=part_type, pieces=number, counted_at=now))


def is_place(session: Session, place: str) -> bool:
    """Whether parts can be kept there: in the workshop, or in a technician's van."""
    return place == WORKSHOP or session.get(TechnicianRow, place) is not None
