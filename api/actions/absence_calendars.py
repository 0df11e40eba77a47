"""Absences out of technicians' own calendars: uploaded, or fetched by the clock.

A reading replaces the absences of its calendar all at once. One that fails changes nothing but the
reason noted beside them.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import or_, update
from sqlmodel import Session, col, select

from api.feeds.absences import Absences, Certainty, Skipped
from api.feeds.fetching import calendar_target, fetch_calendar
from api.feeds.inbound import read_absences
from api.storage.absence_hits import Hit, appointments_hit
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.scope import EVERYTHING, Scope, one
from api.storage.tables import AbsenceCalendarRow, AbsenceRow, TechnicianRow
from scheduler.errors import Conflict, ReadTooSoon, UnreadableCalendar
from scheduler.intervals import Interval

HORIZON = timedelta(days=366)
"""How far ahead absences are read."""

READ_EVERY = timedelta(hours=1)
MOST_CALENDARS = 10
"""How many calendars one technician may have."""

_LONGEST_WAIT = timedelta(days=1)
_LEASE = timedelta(minutes=5)
_PAUSE = timedelta(seconds=10)
"""Between two readings of one technician's calendars: each of them costs a process."""

Fetch = Callable[[str], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What was read of a calendar, and which appointments it would hit or hits.

    ``calendar`` is None where it was only looked at.
    """

    absences: Absences
    hits: tuple[Hit, ...]
    perhaps_hits: tuple[Hit, ...]
    calendar: AbsenceCalendarRow | None = None


def subscribe(
    database: Database,
    technician_id: str,
    name: str,
    address: str,
    *,
    tentative_blocks: bool,
    now: datetime,
    origin: Origin,
    scope: Scope = EVERYTHING,
) -> AbsenceCalendarRow:
    """Remember the address of a technician's calendar; the clock fetches it within a minute.

    Raises
    ------
    Absent
        There is no such technician in the scope.
    UnreadableCalendar
        The address is not one that is fetched: https, or webcal, on its usual port.
    Conflict
        The technician has as many calendars as are allowed.
    """
    calendar_target(address)
    with database.write() as session:
        one(session, TechnicianRow, technician_id, scope)
        _require_room(session, technician_id)
        row = AbsenceCalendarRow(
            id=new_id("ac"),
            technician_id=technician_id,
            name=name,
            address=address,
            tentative_blocks=tentative_blocks,
            created_at=now,
            next_try_at=now,
        )
        session.add(row)
        record(session, origin, now=now, verb="subscribe", subject=f"absence_calendar/{row.id}")
        return row


def look_at_upload(
    database: Database,
    technician_id: str,
    octets: bytes,
    *,
    now: datetime,
    scope: Scope = EVERYTHING,
) -> Reading:
    """Read an uploaded calendar and say which appointments it would hit, storing nothing.

    Raises
    ------
    Absent, ReadTooSoon, UnreadableCalendar
        As for :func:`upload`.
    """
    zone = _begin(database, technician_id, now, scope)
    absences = read_absences(octets, zone=zone, horizon=_horizon(now))
    with database.read() as session:
        return _reading(session, technician_id, absences)


def upload(
    database: Database,
    technician_id: str,
    name: str,
    octets: bytes,
    *,
    tentative_blocks: bool,
    now: datetime,
    origin: Origin,
    scope: Scope = EVERYTHING,
) -> Reading:
    """Take over the absences of an uploaded calendar; one of the same name takes the other's place.

    Raises
    ------
    Absent
        There is no such technician in the scope.
    ReadTooSoon
        A calendar of this technician was read a moment ago.
    UnreadableCalendar
        Then the absences known so far stay.
    Conflict
        The technician has as many calendars as are allowed.
    """
    zone = _begin(database, technician_id, now, scope)
    absences = read_absences(octets, zone=zone, horizon=_horizon(now))
    with database.write() as session:
        row = session.exec(
            select(AbsenceCalendarRow)
            .where(AbsenceCalendarRow.technician_id == technician_id)
            .where(AbsenceCalendarRow.name == name, col(AbsenceCalendarRow.address).is_(None))
        ).first()
        if row is None:
            _require_room(session, technician_id)
            row = AbsenceCalendarRow(
                id=new_id("ac"), technician_id=technician_id, name=name, created_at=now
            )
            session.add(row)
            session.flush()
        row.tentative_blocks = tentative_blocks
        _keep(session, row, absences, now)
        record(session, origin, now=now, verb="upload", subject=f"absence_calendar/{row.id}")
        return _reading(session, technician_id, absences, row)


def ask_to_read(
    database: Database,
    calendar_id: str,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope = EVERYTHING,
) -> AbsenceCalendarRow:
    """Have a subscribed calendar fetched at the clock's next tick.

    Raises
    ------
    Absent, ReadTooSoon
        There is no such calendar in the scope, or it was read a moment ago.
    Conflict
        It was uploaded: there is nothing to fetch.
    """
    with database.write() as session:
        row = one(session, AbsenceCalendarRow, calendar_id, scope)
        if row.address is None:
            raise Conflict(f"calendar {calendar_id} was uploaded: upload it again")
        if row.tried_at is not None and now < row.tried_at + _PAUSE:
            raise ReadTooSoon(row.technician_id, row.tried_at + _PAUSE - now)
        row.next_try_at = now
        session.add(row)
        record(session, origin, now=now, verb="ask", subject=f"absence_calendar/{row.id}")
        return row


def forget_calendar(
    database: Database,
    calendar_id: str,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope = EVERYTHING,
) -> None:
    """Forget a calendar and the absences out of it.

    Raises
    ------
    Absent
        There is no such calendar in the scope.
    """
    with database.write() as session:
        row = one(session, AbsenceCalendarRow, calendar_id, scope)
        for absence in _absences_of(session, row.id):
            session.delete(absence)
        session.flush()
        session.delete(row)
        record(session, origin, now=now, verb="forget", subject=f"absence_calendar/{row.id}")


def read_next_calendar(
    database: Database, *, now: datetime, fetch: Fetch = fetch_calendar
) -> str | None:
    """Fetch the subscribed calendar that has waited longest, if any is due; return its id.

    Any number of clocks may do so at once: each calendar is claimed by one of them. The clock's
    own business, never done inside a request.
    """
    claimed = _claim(database, now)
    if claimed is None:
        return None
    calendar_id, address, zone = claimed
    try:
        absences = read_absences(fetch(address), zone=zone, horizon=_horizon(now))
    except UnreadableCalendar as unreadable:
        _note_failure(database, calendar_id, unreadable, now)
        return calendar_id
    with database.write() as session:
        row = session.get(AbsenceCalendarRow, calendar_id)
        if row is not None:  # nobody has forgotten it meanwhile
            _keep(session, row, absences, now)
            row.next_try_at = now + READ_EVERY
    return calendar_id


def _require_room(session: Session, technician_id: str) -> None:
    statement = select(AbsenceCalendarRow.id).where(
        AbsenceCalendarRow.technician_id == technician_id
    )
    if len(session.exec(statement).all()) >= MOST_CALENDARS:
        raise Conflict(f"a technician may have {MOST_CALENDARS} calendars: forget one first")


def _begin(database: Database, technician_id: str, now: datetime, scope: Scope) -> str:
    """Claim the technician's next reading and return their zone."""
    with database.write() as session:
        person = one(session, TechnicianRow, technician_id, scope)
        claimed = session.exec(
            update(TechnicianRow)
            .where(col(TechnicianRow.id) == technician_id)
            .where(
                or_(
                    col(TechnicianRow.calendar_read_at).is_(None),
                    col(TechnicianRow.calendar_read_at) <= now - _PAUSE,
                )
            )
            .values(calendar_read_at=now)
        )
        if claimed.rowcount == 0:
            raise ReadTooSoon(technician_id, _PAUSE)
        return person.zone


def _claim(database: Database, now: datetime) -> tuple[str, str, str] | None:
    """Take the calendar that has waited longest; return its id, its address and its zone."""
    with database.write() as session:
        found = session.exec(
            select(AbsenceCalendarRow, TechnicianRow.zone)
            .join(TechnicianRow, col(TechnicianRow.id) == col(AbsenceCalendarRow.technician_id))
            .where(col(AbsenceCalendarRow.next_try_at) <= now)
            .order_by(col(AbsenceCalendarRow.next_try_at), col(AbsenceCalendarRow.id))
            .limit(1)
        ).first()
        if found is None:
            return None
        row, zone = found
        taken = session.exec(
            update(AbsenceCalendarRow)
            .where(col(AbsenceCalendarRow.id) == row.id)
            .where(col(AbsenceCalendarRow.next_try_at) == row.next_try_at)
            .values(next_try_at=now + _LEASE, tried_at=now)
        )
        if taken.rowcount == 0 or row.address is None:
            return None
        return row.id, row.address, zone


def _note_failure(
    database: Database, calendar_id: str, unreadable: UnreadableCalendar, now: datetime
) -> None:
    """Keep the last good absences; try again later and later, once a day at the least."""
    with database.write() as session:
        row = session.get(AbsenceCalendarRow, calendar_id)
        if row is None:
            return
        row.failure = f"{unreadable.code}: {unreadable}"
        row.failures += 1
        row.next_try_at = now + min(READ_EVERY * 2 ** min(row.failures - 1, 10), _LONGEST_WAIT)
        session.add(row)


def _keep(session: Session, row: AbsenceCalendarRow, absences: Absences, now: datetime) -> None:
    """Put what was read in the place of what was known; what is the same keeps its row."""
    wanted = set(_spans(absences, row.tentative_blocks))
    for absence in _absences_of(session, row.id):
        span = (absence.certainty, absence.starts_at, absence.ends_at)
        if span in wanted:
            wanted.remove(span)
        elif absence.ends_at > now:  # what is over is history, whatever the calendar forgets
            session.delete(absence)
    for certainty, start, end in sorted(wanted):
        session.add(
            AbsenceRow(
                id=new_id("ab"),
                technician_id=row.technician_id,
                starts_at=start,
                ends_at=end,
                certainty=certainty,
                calendar_id=row.id,
            )
        )
    row.tried_at = row.read_at = now
    row.failure, row.failures = "", 0
    row.skipped = [_told(entry) for entry in absences.skipped]
    session.add(row)


def _spans(
    absences: Absences, tentative_blocks: bool
) -> Iterator[tuple[Certainty, datetime, datetime]]:
    away = absences.away | absences.perhaps if tentative_blocks else absences.away
    yield from (("away", span.start, span.end) for span in away)
    if not tentative_blocks:
        yield from (("perhaps", span.start, span.end) for span in absences.perhaps)


def _told(entry: Skipped) -> list[str]:
    return [entry.component, entry.uid, entry.reason]


def _absences_of(session: Session, calendar_id: str) -> list[AbsenceRow]:
    return list(session.exec(select(AbsenceRow).where(AbsenceRow.calendar_id == calendar_id)))


def _reading(
    session: Session,
    technician_id: str,
    absences: Absences,
    calendar: AbsenceCalendarRow | None = None,
) -> Reading:
    return Reading(
        absences=absences,
        hits=appointments_hit(session, technician_id, absences.away),
        perhaps_hits=appointments_hit(session, technician_id, absences.perhaps),
        calendar=calendar,
    )


def _horizon(now: datetime) -> Interval[datetime]:
    """From yesterday on, so that an absence that has begun is cut once a day at most."""
    start = now.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=1)
    return Interval(start=start, end=start + HORIZON)
