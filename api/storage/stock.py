"""Rows → pieces counted in the workshop and the vans, and the parts booked visits need."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from datetime import UTC, date, datetime, timedelta

from sqlmodel import Session, col, func, select

from api.storage.open_work import MOVABLE
from api.storage.snapshots import company
from api.storage.tables import AppointmentRow, StayRow, StockRow, TechnicianRow, VisitRow
from scheduler.lifecycle import LIVE, AppointmentState
from scheduler.places import Coordinates
from scheduler.routing.vans import Stores
from scheduler.van_stock import Trip
from scheduler.working_time import local_date, local_day

WORKSHOP = "workshop"
_BEGUN = (AppointmentState.UNDER_WAY, AppointmentState.DONE, AppointmentState.NO_ACCESS)
_LONGEST_OVERRUN = timedelta(days=1)
"""So long after its planned end a visit may have ended."""
_NOTHING = ""
"""The part type of the row that a place counted empty has."""


def stock_by_place(session: Session) -> dict[str, dict[str, int]]:
    """Return the pieces counted at each place; a place never counted is left out."""
    found: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for row in session.exec(select(StockRow).order_by(col(StockRow.part_type))):
        counted = found[row.place]
        if row.part_type != _NOTHING:
            counted[row.part_type] = row.pieces
    return dict(found)


def stock_at_hand(session: Session) -> dict[str, dict[str, int]]:
    """Return what lies at each place that was counted, as far as is known.

    That is the count, less what the visits ended since have used up, and with what technicians
    were to fetch at the workshop on the way to those begun since: by when they were begun and
    reported, not by when they were planned.
    """
    found = {place: Counter(pieces) for place, pieces in stock_by_place(session).items()}
    counted = _counted_at(session)
    if not counted:
        return {}
    rows: Iterable[tuple[AppointmentRow, VisitRow, StayRow | None]] = session.exec(
        select(AppointmentRow, VisitRow, StayRow)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(StayRow, col(StayRow.appointment_id) == col(AppointmentRow.id), isouter=True)
        .where(col(AppointmentRow.state).in_(_BEGUN))
        .where(col(AppointmentRow.ends_at) >= min(counted.values()) - _LONGEST_OVERRUN)
    )
    never = datetime.max.replace(tzinfo=UTC)
    for appointment, visit, stay in rows:
        van = appointment.technician_id
        begun = appointment.starts_at if stay is None else stay.arrived_at
        ended = (stay and stay.left_at) or appointment.ends_at
        fetched = sum(map(Counter, appointment.fetch.values()), Counter[str]())
        if begun >= counted.get(WORKSHOP, never):
            found[WORKSHOP].subtract(fetched)
        if begun >= counted.get(van, never):
            found[van].update(fetched)
        if appointment.state == AppointmentState.DONE and ended >= counted.get(van, never):
            found[van].subtract(visit.parts)
    return {
        place: {part: max(number, 0) for part, number in pieces.items()}
        for place, pieces in found.items()
    }


def workshop_at(session: Session) -> Coordinates:
    """Return where the workshop is."""
    row = company(session)
    return Coordinates(lat=row.workshop_lat, lon=row.workshop_lon)


def _counted_at(session: Session) -> dict[str, datetime]:
    """Return when each place was counted."""
    rows = session.exec(
        select(StockRow.place, func.max(StockRow.counted_at)).group_by(StockRow.place)
    )
    return dict(rows.all())


def stores_beside(session: Session, visits: Collection[str], *, end: datetime) -> Stores | None:
    """Return the parts that nothing beside some visits needs; None where no van was counted.

    Parameters
    ----------
    end : visits booked for later than that do not count: there is time to load for them.
    """
    stock, counted = stock_at_hand(session), _counted_at(session)
    shelf = stock.pop(WORKSHOP, None)
    if not stock:
        return None
    vans = {place: Counter(pieces) for place, pieces in stock.items()}
    left = None if shelf is None else Counter(shelf)
    rows: Iterable[tuple[AppointmentRow, VisitRow]] = session.exec(
        select(AppointmentRow, VisitRow)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .where(col(AppointmentRow.state).in_(LIVE))
        .where(AppointmentRow.ends_at >= min(counted.values()), AppointmentRow.starts_at < end)
    )
    for appointment, visit in rows:
        if visit.id in visits:
            continue
        van = vans.get(appointment.technician_id)
        if van is not None and appointment.ends_at < counted[appointment.technician_id]:
            van = None  # whatever became of it, the count has seen
        if van is not None:
            van.subtract(visit.parts)
        if appointment.state == AppointmentState.UNDER_WAY:
            continue  # what it fetches is at hand already
        for pieces in appointment.fetch.values():
            if van is not None:
                van.update(pieces)
            if left is not None and appointment.starts_at >= counted[WORKSHOP]:
                left.subtract(pieces)
    if left is not None:
        for van in vans.values():
            left.subtract(-van)  # what they lack will be loaded there
    return Stores(
        workshop=workshop_at(session),
        in_vans={place: +pieces for place, pieces in sorted(vans.items())},
        in_workshop=None if left is None else +left,
    )


def loads_ahead(session: Session, *, now: datetime, but_for_visit: str) -> dict[str, datetime]:
    """Return when each technician next comes from the workshop, if that is planned.

    It is the start of the first visit they reach over the workshop, or before whose round they load
    there, and for which they have not set out yet: what else to take along can still be told them.
    One visit does not count, since it is to be placed anew.
    """
    rows = session.exec(
        select(AppointmentRow)
        .where(col(AppointmentRow.state).in_(MOVABLE), AppointmentRow.starts_at >= now)
        .where(AppointmentRow.visit_id != but_for_visit)
        .order_by(col(AppointmentRow.starts_at))
    )
    found: dict[str, datetime] = {}
    for row in rows:
        way = timedelta(minutes=row.travel_minutes + (row.call_minutes or 0))
        if (row.call_minutes is not None or row.fetch) and row.starts_at - way >= now:
            found.setdefault(row.technician_id, row.starts_at)
    return found


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
    forget_count(session, place)
    for part_type, number in (pieces or {_NOTHING: 0}).items():
        session.add(StockRow(place=place, part_type=part_type, pieces=number, counted_at=now))


def forget_count(session: Session, place: str) -> None:
    """Let a place be one that nobody has counted."""
    for row in session.exec(select(StockRow).where(StockRow.place == place)):
        session.delete(row)
    session.flush()


def is_place(session: Session, place: str) -> bool:
    """Whether parts can be kept there: in the workshop, or in a technician's van."""
    return place == WORKSHOP or session.get(TechnicianRow, place) is not None
