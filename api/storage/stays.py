"""Where technicians were, and from when to when: the raw matter of recorded drives."""

from datetime import datetime, time
from itertools import pairwise

from sqlalchemy import delete
from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, SiteRow, StayRow, TechnicianRow, VisitRow
from scheduler.drives import Driver, Stay
from scheduler.errors import InvalidInput
from scheduler.lifecycle import AppointmentState
from scheduler.places import Coordinates


def note_stay(
    session: Session, row: AppointmentRow, visit: VisitRow, state: AppointmentState, now: datetime
) -> None:
    """Note an appointment that has just been begun, ended or called off; any other state is passed.

    ``now`` is taken for the arrival or the departure until somebody says otherwise.
    """
    stay = session.get(StayRow, row.id)
    if state is AppointmentState.UNDER_WAY:
        site = session.get_one(SiteRow, visit.site_id)
        session.add(
            StayRow(
                appointment_id=row.id,
                technician_id=row.technician_id,
                lat=site.lat,
                lon=site.lon,
                planned_start=row.starts_at,
                arrived_at=now,
            )
        )
    elif stay is not None and state is AppointmentState.CANCELLED:
        session.delete(stay)
    elif stay is not None:
        stay.left_at = now
        session.add(stay)


def correct_stay(
    session: Session,
    appointment_id: str,
    *,
    set_out_at: datetime | None,
    arrived_at: datetime | None,
    left_at: datetime | None,
    now: datetime,
) -> None:
    """Note what a technician says of their times; what they leave open stays as it was noted.

    Raises
    ------
    InvalidInput
        The times are not in order, or lie ahead.
    """
    stay = session.get(StayRow, appointment_id)
    if stay is None or not (set_out_at or arrived_at or left_at):
        return
    stay.set_out_at = set_out_at
    stay.arrived_at = arrived_at or stay.arrived_at
    stay.left_at = left_at or stay.left_at
    named = {
        "set_out_at": stay.set_out_at,
        "arrived_at": stay.arrived_at,
        "left_at": stay.left_at,
        "now": now,
    }
    times = [(name, at) for name, at in named.items() if at is not None]
    for (name, at), (later_name, later) in pairwise(times):
        if at > later:
            raise InvalidInput(
                f"{name} must not be after {later_name}, got {at.isoformat()} and "
                f"{later.isoformat()}"
            )
    session.add(stay)


def stays_since(session: Session, since: datetime) -> list[Stay]:
    """Return the stays that began at ``since`` or later."""
    rows = session.exec(
        select(StayRow, AppointmentRow.call_minutes)
        .join(AppointmentRow, col(AppointmentRow.id) == col(StayRow.appointment_id))
        .where(StayRow.arrived_at >= since)
    )
    return [
        Stay(
            appointment=row.appointment_id,
            technician=row.technician_id,
            at=Coordinates(lat=row.lat, lon=row.lon),
            planned_start=row.planned_start,
            arrived_at=row.arrived_at,
            left_at=row.left_at,
            set_out_at=row.set_out_at,
            by_workshop=call_minutes is not None,
        )
        for row, call_minutes in rows
    ]


def forget_stays_before(session: Session, instant: datetime) -> None:
    """Forget where anybody was before an instant."""
    session.exec(delete(StayRow).where(col(StayRow.arrived_at) < instant))


def drivers_by_id(session: Session) -> dict[str, Driver]:
    """Return all technicians as drivers, those who have left included."""
    return {
        row.id: Driver(
            id=row.id,
            home=Coordinates(lat=row.lat, lon=row.lon),
            zone=row.zone,
            break_minutes=row.break_minutes,
            break_earliest=time.fromisoformat(row.break_earliest),
            break_latest=time.fromisoformat(row.break_latest),
        )
        for row in session.exec(select(TechnicianRow))
    }
