"""What happens to a published appointment: promised, begun, called off, moved or made by hand."""

from datetime import datetime, timedelta

from sqlmodel import Session

from api.actions.calendars import refresh_calendars
from api.actions.drive_anew import drive_anew
from api.actions.fetch_in_time import fetch_in_time
from api.actions.plan_changes import Slot, slot_of
from api.actions.publishing import announce_appointment, reschedule
from api.storage.audit import Origin, record
from api.storage.booked_time import refuse_held_time
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.open_work import bump_revision
from api.storage.presence import refuse_second_at_site, refuse_to_join
from api.storage.stays import note_stay
from api.storage.tables import AppointmentRow, SiteRow, TechnicianRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.company import minutes_at_pace
from scheduler.errors import Absent, Conflict, InvalidInput, PriceNotAccepted
from scheduler.lifecycle import AppointmentState, check_begin, move

_FARTHEST = timedelta(days=731)
"""How far ahead a dispatcher may put an appointment: further is a slip of the pen."""

_TOPICS = {
    AppointmentState.PLANNED: "appointment.planned",
    AppointmentState.PROMISED: "appointment.promised",
    AppointmentState.UNDER_WAY: "appointment.under_way",
    AppointmentState.DONE: "appointment.done",
    AppointmentState.NO_ACCESS: "appointment.no_access",
    AppointmentState.CANCELLED: "appointment.cancelled",
}


def appointment_by_id(
    session: Session, appointment_id: str, *, technician: str | None = None
) -> AppointmentRow:
    """Return an appointment's row, or raise Absent; ``technician`` limits it to their own."""
    row = session.get(AppointmentRow, appointment_id)
    if row is None or (technician is not None and row.technician_id != technician):
        raise Absent("appointment", appointment_id)
    return row


def locked_appointment(
    database: Database,
    session: Session,
    appointment_id: str,
    *others: str,
    technician: str | None = None,
) -> AppointmentRow:
    """Return an appointment as it is once nobody else can touch its technician's time.

    ``others`` are technicians whose time is about to be touched as well.
    """
    row = appointment_by_id(session, appointment_id, technician=technician)
    database.lock(session, technicians=[row.technician_id, *others])
    return row


def change_state(
    database: Database,
    appointment_id: str,
    to: AppointmentState,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    technician: str | None = None,
    if_version: int | None = None,
) -> AppointmentRow:
    """Promise, release, begin or cancel an appointment, or find nobody there.

    A cancelled or fruitless appointment opens its visit again, so that the next plan places it.

    Raises
    ------
    Absent
        There is no such appointment, or it is not this technician's.
    MoveNotAllowed
        The appointment cannot go to that state from where it is.
    TooEarly
        It would be begun before its day.
    SiteTaken
        Another technician is at work at the site.
    StaleVersion
        ``if_version`` is given and no longer current.
    """
    if to is AppointmentState.DONE:
        raise InvalidInput("an appointment is done by reporting its work")
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = locked_appointment(database, session, appointment_id, technician=technician)
        row.expect_version(if_version)
        visit = session.get_one(VisitRow, row.visit_id)
        if to in (AppointmentState.CANCELLED, AppointmentState.NO_ACCESS):
            visit.state = "open"
        if to is AppointmentState.UNDER_WAY:
            database.lock_sites(session, [visit.site_id])
            zone = session.get_one(SiteRow, visit.site_id).zone
            check_begin(row.starts_at, zone, now=now)
            refuse_to_join(session, row, now=now)
        enter_state(session, row, visit, to, catalogue, now=now, origin=origin)
        return row


def move_by_hand(
    database: Database,
    appointment_id: str,
    technician_id: str,
    starts_at: datetime,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    if_version: int | None = None,
) -> AppointmentRow:
    """Put an appointment at another time or with another technician, as a dispatcher decides.

    Raises
    ------
    Absent
        There is no such appointment or technician.
    InvalidInput
        The time has gone by, or the technician lacks a skill or does not work any more.
    DoubleBooking
        The technician has another appointment at that time.
    HeldForClient
        The technician's time is held for a client.
    SiteTaken
        Another technician is at the site at that time.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = locked_appointment(database, session, appointment_id, technician_id)
        database.lock_sites(session, [session.get_one(VisitRow, row.visit_id).site_id])
        row.expect_version(if_version)
        if row.state not in (AppointmentState.PLANNED, AppointmentState.PROMISED):
            raise InvalidInput(f"an appointment that is {row.state} cannot be moved")
        visit = session.get_one(VisitRow, row.visit_id)
        before = slot_of(row)
        slot = _chosen_slot(session, visit, technician_id, starts_at, now)
        topic = reschedule(session, row, slot, now=now)
        session.add(row)
        fetch_in_time(session, row, before, now=now)
        drive_anew(session, before.technician, before.starts_at, now=now)
        drive_anew(session, technician_id, slot.starts_at, now=now)
        refuse_held_time(session, [technician_id], now=now)
        refuse_second_at_site(session, [row], now=now)
        refresh_calendars(session, [before.technician, technician_id], catalogue, now=now)
        bump_revision(session, now)
        announce_appointment(session, row, visit, topic=topic, now=now)
        record(session, origin, now=now, verb="move", subject=f"appointment/{row.id}")
        return row


def book_by_hand(
    database: Database,
    visit_id: str,
    technician_id: str,
    starts_at: datetime,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    if_version: int | None = None,
) -> AppointmentRow:
    """Give an open visit its appointment, as a dispatcher decides, wherever the planner would.

    The site's hours and the drive there are the dispatcher's to judge; what is refused is two
    appointments at once, and two technicians at one site.

    Raises
    ------
    Absent, InvalidInput, DoubleBooking, HeldForClient, SiteTaken
        As for :func:`move_by_hand`.
    Conflict
        The visit is not open.
    PriceNotAccepted
        No contract covers the work, and nobody has accepted its price.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        database.lock(session, technicians=[technician_id])
        visit = session.get(VisitRow, visit_id)
        if visit is None:
            raise Absent("visit", visit_id)
        database.lock_sites(session, [visit.site_id])
        visit.expect_version(if_version)
        if visit.state != "open":
            raise Conflict(f"visit {visit_id} is {visit.state}, not open")
        if visit.awaits_price:
            raise PriceNotAccepted(visit_id)
        slot = _chosen_slot(session, visit, technician_id, starts_at, now)
        row = AppointmentRow(
            id=new_id("ap"),
            visit_id=visit.id,
            technician_id=slot.technician,
            starts_at=slot.starts_at,
            ends_at=slot.ends_at,
            created_at=now,
            revised_at=now,
        )
        visit.state = "booked"
        session.add_all([row, visit])
        fetch_in_time(session, row, now=now)
        drive_anew(session, technician_id, slot.starts_at, now=now)
        refuse_held_time(session, [technician_id], now=now)
        refuse_second_at_site(session, [row], now=now)
        refresh_calendars(session, [technician_id], catalogue, now=now)
        bump_revision(session, now)
        announce_appointment(session, row, visit, topic="appointment.planned", now=now)
        record(session, origin, now=now, verb="book", subject=f"appointment/{row.id}")
        return row


def _chosen_slot(
    session: Session, visit: VisitRow, technician_id: str, starts_at: datetime, now: datetime
) -> Slot:
    """Return the time a dispatcher chose, if the technician can do the work at all."""
    if starts_at < now:
        raise InvalidInput(f"starts_at must not have gone by, got {starts_at.isoformat()}")
    if starts_at > now + _FARTHEST:
        raise InvalidInput(f"starts_at must be within two years, got {starts_at.isoformat()}")
    person = session.get(TechnicianRow, technician_id)
    if person is None or not person.active:
        raise Absent("technician", technician_id)
    if missing := sorted(set(visit.skills) - set(person.skills)):
        raise InvalidInput(f"{person.name} lacks the skill {', '.join(missing)}")
    ends_at = starts_at + timedelta(minutes=minutes_at_pace(visit.minutes, person.pace))
    return Slot(technician=technician_id, starts_at=starts_at, ends_at=ends_at)


def enter_state(
    session: Session,
    row: AppointmentRow,
    visit: VisitRow,
    to: AppointmentState,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Let an appointment go to another state, and tell everybody whom it concerns.

    The caller has the technician's lock and has settled what becomes of the visit.

    Raises
    ------
    MoveNotAllowed
        The appointment cannot go there from where it is.
    """
    before = AppointmentState(row.state)
    row.state = move(before, to)
    if to is AppointmentState.CANCELLED:
        fetch_in_time(session, row, slot_of(row), now=now)
    row.sequence += _shows_otherwise(before) != _shows_otherwise(to)
    row.revised_at = now
    session.add_all([row, visit])
    if to is AppointmentState.CANCELLED:
        drive_anew(session, row.technician_id, row.starts_at, now=now)
    note_stay(session, row, visit, to, now)
    refresh_calendars(session, [row.technician_id], catalogue, now=now)
    if to in (AppointmentState.PLANNED, AppointmentState.PROMISED, AppointmentState.CANCELLED):
        bump_revision(session, now)
    announce_appointment(session, row, visit, topic=_TOPICS[to], now=now)
    record(
        session,
        origin,
        now=now,
        verb=str(to),
        subject=f"appointment/{row.id}",
        before={"state": str(before)},
        after={"state": str(to)},
    )


def _shows_otherwise(state: AppointmentState) -> bool:
    """Whether a calendar shows the state as cancelled: only that change raises SEQUENCE."""
    return state is AppointmentState.CANCELLED
