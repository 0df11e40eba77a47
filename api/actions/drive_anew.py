"""A round changed by hand: how long the drives in it take now."""

from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.company_travel import company_travel
from api.storage.open_work import MOVABLE
from api.storage.snapshots import active_technicians
from api.storage.stock import workshop_at
from api.storage.tables import AppointmentRow, SiteRow, TechnicianRow, VisitRow
from scheduler.lifecycle import AppointmentState
from scheduler.places import Coordinates
from scheduler.travel import UNREACHABLE_MINUTES
from scheduler.working_time import local_date, local_day


def drive_anew(session: Session, technician: str, at: datetime, *, now: datetime) -> None:
    """Work out the drives that changed when an appointment left a round, or came into it.

    Those are the drive to what begins at that instant, if anything does, and to what comes next.
    A calendar says by when to set out: that must not be for a way nobody takes any more. Where
    there is no way, none is told.

    Parameters
    ----------
    at : when the appointment begins, or began before it left.
    """
    session.flush()
    zone = session.get_one(TechnicianRow, technician).zone
    day = local_date(at, zone)
    span = local_day(day, zone).hull()
    assert span is not None, "a day with an appointment has hours"
    rows = session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.technician_id == technician)
        .where(AppointmentRow.starts_at >= span.start, AppointmentRow.starts_at < span.end)
        .where(col(AppointmentRow.state) != AppointmentState.CANCELLED)
        .order_by(col(AppointmentRow.starts_at))
    ).all()
    following = [number for number, row in enumerate(rows) if row.starts_at >= at]
    changed = following[: 2 if following and rows[following[0]].starts_at == at else 1]
    for number in changed:
        row = rows[number]
        if row.state not in MOVABLE or row.starts_at < now:
            continue
        origin = _site(session, rows[number - 1]) if number else None
        ways = [origin or _setting_out(session, technician, row.starts_at), _site(session, row)]
        if row.call_minutes is not None:
            ways.insert(1, workshop_at(session))
        table = company_travel(session, ways).between(ways).minutes
        minutes = sum(int(table[leg, leg + 1]) for leg in range(len(ways) - 1))
        minutes = 0 if minutes >= UNREACHABLE_MINUTES else minutes
        if minutes != row.travel_minutes:
            row.travel_minutes, row.revised_at = minutes, now
            session.add(row)


def _site(session: Session, row: AppointmentRow) -> Coordinates:
    site = session.get_one(SiteRow, session.get_one(VisitRow, row.visit_id).site_id)
    return Coordinates(lat=site.lat, lon=site.lon)


def _setting_out(session: Session, technician: str, at: datetime) -> Coordinates:
    """Return where a technician's day begins."""
    row = session.get_one(TechnicianRow, technician)
    day = local_date(at, row.zone)
    for person in active_technicians(session, {technician}, from_day=day):
        return person.sets_out_from.get(day.weekday(), person.home)
    return Coordinates(lat=row.lat, lon=row.lon)
