"""A held time becomes a promise; a client moves or cancels it within the notice."""

from datetime import datetime, timedelta

from sqlmodel import Session, col, select

from api.actions.appointments import enter_state
from api.actions.calendars import refresh_calendars
from api.actions.drive_anew import drive_anew
from api.actions.fetch_in_time import fetch_in_time
from api.actions.holding import (
    BookingPolicy,
    booking_policy,
    locked_visit,
    placement_at,
    require_held,
)
from api.actions.offering import movable_appointment
from api.actions.plan_changes import Slot, slot_of
from api.actions.publishing import announce_appointment, reschedule
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.open_work import MOVABLE, bump_revision
from api.storage.scope import Scope, one
from api.storage.tables import AppointmentRow, HoldRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.errors import (
    Conflict,
    InvalidInput,
    MoveNotAllowed,
    NoticeTooShort,
    PriceNotAccepted,
    TimeTaken,
)
from scheduler.lifecycle import ALLOWED_MOVES, AppointmentState
from scheduler.offers import Placement


def book_hold(
    database: Database,
    hold_id: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope,
) -> AppointmentRow:
    """Turn a hold into a promised appointment.

    Whether the time can be kept is looked at again in the transaction that books it.

    Raises
    ------
    Absent
        There is no such hold in the scope.
    HoldOver
        It has run out, was released or is booked already.
    TimeTaken
        The technician can no longer come then: ill, or moved by the office.
    PriceNotAccepted
        No contract covers the work, and nobody has accepted its price.
    Conflict
        The visit has its appointment, which can be moved to the hold.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        hold, visit = _take(session, database, hold_id, scope, now)
        if visit.awaits_price:
            raise PriceNotAccepted(visit.id)
        if standing := movable_appointment(session, visit):
            raise Conflict(f"visit {visit.id} has appointment {standing.id}: move that one")
        placement = _keepable(session, visit, hold, now)
        row = AppointmentRow(
            id=new_id("ap"),
            visit_id=visit.id,
            technician_id=hold.technician_id,
            starts_at=hold.starts_at,
            ends_at=hold.ends_at,
            state=AppointmentState.PROMISED,
            created_at=now,
            revised_at=now,
        )
        visit.state = "booked"
        _settle(session, row, visit, hold, placement)
        fetch_in_time(session, row, placement=placement, now=now)
        refresh_calendars(session, [row.technician_id], catalogue, now=now)
        announce_appointment(session, row, visit, topic="appointment.promised", now=now)
        record(session, origin, now=now, verb="book", subject=f"appointment/{row.id}")
        bump_revision(session, now)
        return row


def move_to_hold(
    database: Database,
    appointment_id: str,
    hold_id: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope,
    if_version: int | None = None,
    policy: BookingPolicy | None = None,
) -> AppointmentRow:
    """Move an appointment to a held time: the old time is given up as the new one is taken.

    It keeps its id, and is promised from now on.

    Raises
    ------
    Absent, HoldOver, TimeTaken
        As for :func:`book_hold`.
    InvalidInput
        The hold is for another visit.
    NoticeTooShort
        The client is too late.
    MoveNotAllowed, StaleVersion
        The appointment is over, or has changed.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        standing = one(session, AppointmentRow, appointment_id, scope)
        hold, visit = _take(session, database, hold_id, scope, now, standing.technician_id)
        row = _changeable(session, standing, scope, now, if_version, policy)
        if hold.visit_id != row.visit_id:
            raise InvalidInput(f"hold {hold.id} is for visit {hold.visit_id}, not {row.visit_id}")
        placement = _keepable(session, visit, hold, now)
        before = slot_of(row)
        slot = Slot(technician=hold.technician_id, starts_at=hold.starts_at, ends_at=hold.ends_at)
        reschedule(session, row, slot, now=now)
        row.state = AppointmentState.PROMISED
        _settle(session, row, visit, hold, placement)
        fetch_in_time(session, row, before, placement=placement, now=now)
        drive_anew(session, before.technician, before.starts_at, now=now)
        refresh_calendars(session, [before.technician, row.technician_id], catalogue, now=now)
        announce_appointment(session, row, visit, topic="appointment.moved", now=now)
        record(session, origin, now=now, verb="move", subject=f"appointment/{row.id}")
        bump_revision(session, now)
        return row


def cancel_with_notice(
    database: Database,
    appointment_id: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope,
    if_version: int | None = None,
    policy: BookingPolicy | None = None,
) -> AppointmentRow:
    """Cancel an appointment; its visit is open again and can be given another time.

    Raises
    ------
    Absent, NoticeTooShort, MoveNotAllowed, StaleVersion
        As for :func:`move_to_hold`.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        standing = one(session, AppointmentRow, appointment_id, scope)
        database.lock(session, technicians=[standing.technician_id])
        row = _changeable(session, standing, scope, now, if_version, policy)
        visit = session.get_one(VisitRow, row.visit_id)
        visit.state = "open"
        enter_state(
            session, row, visit, AppointmentState.CANCELLED, catalogue, now=now, origin=origin
        )
        return row


def _take(
    session: Session,
    database: Database,
    hold_id: str,
    scope: Scope,
    now: datetime,
    *technicians: str,
) -> tuple[HoldRow, VisitRow]:
    """Lock what a hold concerns and return it as it is now, with its visit."""
    hold = one(session, HoldRow, hold_id, scope)
    database.lock(session, technicians=[hold.technician_id, *technicians])
    database.lock_sites(session, [session.get_one(VisitRow, hold.visit_id).site_id])
    visit = locked_visit(session, hold.visit_id)
    session.refresh(hold)  # another hold of the visit may have taken its place
    require_held(hold, now)
    return hold, visit


def _changeable(
    session: Session,
    row: AppointmentRow,
    scope: Scope,
    now: datetime,
    if_version: int | None,
    policy: BookingPolicy | None,
) -> AppointmentRow:
    """Return an appointment if whoever asks may still change it."""
    row.expect_version(if_version)
    state = AppointmentState(row.state)
    if state not in MOVABLE:
        raise MoveNotAllowed(state, AppointmentState.PROMISED, ALLOWED_MOVES[state])
    if scope.client is not None:
        begins = row.arrive_from or row.starts_at
        policy = policy or booking_policy(session)
        if begins - now < timedelta(minutes=policy.notice_minutes):
            raise NoticeTooShort(begins, policy.notice_minutes)
    return row


def _keepable(session: Session, visit: VisitRow, hold: HoldRow, now: datetime) -> Placement:
    """Look again; somebody sent to the site since, before or after the held time, is no reason."""
    placement = placement_at(
        session, visit, hold.technician_id, hold.starts_at, now=now, beside_others=True
    )
    if placement is None or hold.ends_at - hold.starts_at != timedelta(minutes=placement.minutes):
        raise TimeTaken(hold.arrive_from)
    return placement


def _settle(
    session: Session, row: AppointmentRow, visit: VisitRow, hold: HoldRow, placement: Placement
) -> None:
    """Write the held time into the appointment, and the new drive into the one after it."""
    row.arrive_from, row.arrive_until = hold.arrive_from, hold.arrive_until
    row.travel_minutes = placement.travel_minutes
    hold.state = "booked"
    session.add_all([row, visit])
    session.flush()  # the hold refers to its appointment
    hold.appointment_id = row.id
    session.add(hold)
    following = session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.visit_id == placement.next_visit)
        .where(col(AppointmentRow.state).in_(MOVABLE))
    ).first()
    if following is not None:
        following.travel_minutes = placement.next_travel_minutes - (following.call_minutes or 0)
        session.add(following)
