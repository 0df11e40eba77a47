"""A time is held for a client for some minutes, while they make up their mind."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import func, update
from sqlmodel import Session, col, select

from api.actions.offering import Asked, ask, movable_appointment
from api.storage.audit import Origin, record
from api.storage.booking_rules import booking_rules, offer_policy
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.scope import Scope, one
from api.storage.snapshots import company_zone
from api.storage.tables import HoldRow, SiteRow, VisitRow
from scheduler.errors import HoldOver, InvalidParams, JustTaken, TimeTaken, TooManyHolds
from scheduler.offers import OfferPolicy, Placement, arrival_window, find_offers, place_at
from scheduler.working_time import local_date


@dataclass(frozen=True, slots=True, kw_only=True)
class BookingPolicy:
    """What clients may do by themselves; the company's stands in the database.

    Attributes
    ----------
    hold_minutes
        How long a time is held, >= 1.
    holds_per_client
        How many times a client may hold at once, >= 1.
    notice_minutes
        Until how long before its start a client may move or cancel an appointment, >= 0.
    """

    hold_minutes: int = 10
    holds_per_client: int = 3
    notice_minutes: int = 120

    def __post_init__(self) -> None:
        for name, least in (("hold_minutes", 1), ("holds_per_client", 1), ("notice_minutes", 0)):
            if getattr(self, name) < least:
                raise InvalidParams(name, f"must be >= {least}, got {getattr(self, name)}")


def booking_policy(session: Session) -> BookingPolicy:
    """Return what the company lets clients do by themselves."""
    row = booking_rules(session)
    return BookingPolicy(
        hold_minutes=row.hold_minutes,
        holds_per_client=row.holds_per_client,
        notice_minutes=row.change_notice_minutes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTime:
    """A time and who could keep it, before anybody else has been kept away from it."""

    visit: str
    technician: str
    starts_at: datetime
    arrive_from: datetime
    arrive_until: datetime


def hold_time(
    database: Database,
    visit_id: str,
    arrive_from: datetime,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope,
    offers: OfferPolicy | None = None,
    booking: BookingPolicy | None = None,
) -> HoldRow:
    """Hold the arrival window that begins at an instant, with whoever keeps it at the least cost.

    Raises
    ------
    Absent, Conflict, TimeTaken, JustTaken, TooManyHolds
        As for :func:`look_for_time` and :func:`keep_time`.
    """
    found = look_for_time(database, visit_id, arrive_from, now=now, scope=scope, offers=offers)
    return keep_time(database, found, now=now, origin=origin, booking=booking)


def look_for_time(
    database: Database,
    visit_id: str,
    arrive_from: datetime,
    *,
    now: datetime,
    scope: Scope,
    offers: OfferPolicy | None = None,
) -> FoundTime:
    """Return who can keep an arrival window at the least cost; nobody is kept waiting meanwhile.

    Raises
    ------
    Absent
        There is no such visit in the scope.
    Conflict
        The visit is over, or somebody is at it.
    TimeTaken
        Nobody can come then.
    """
    arrive_from = arrive_from.replace(second=0, microsecond=0)  # offers are made by the minute
    with database.read() as session:
        visit = one(session, VisitRow, visit_id, scope)
        movable_appointment(session, visit)
        day = local_date(arrive_from, company_zone(session))
        policy = offers or offer_policy(session)
        found = _find(ask(session, visit, now=now, day=day), arrive_from, policy)
    if found is None:
        raise TimeTaken(arrive_from)
    return found


def keep_time(
    database: Database,
    found: FoundTime,
    *,
    now: datetime,
    origin: Origin,
    booking: BookingPolicy | None = None,
) -> HoldRow:
    """Hold a time that was found, if it can still be kept.

    A visit has one hold at a time: an earlier one is released.

    Raises
    ------
    Conflict
        The visit is over, or somebody is at it.
    JustTaken
        Somebody else was faster: who looks again may find another technician.
    TooManyHolds
        The client holds enough other times.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        site = session.get_one(SiteRow, session.get_one(VisitRow, found.visit).site_id)
        client = site.client_id
        database.lock(session, technicians=[found.technician], clients=[client])
        database.lock_sites(session, [site.id])
        visit = locked_visit(session, found.visit)
        movable_appointment(session, visit)
        placement = placement_at(session, visit, found.technician, found.starts_at, now=now)
        if placement is None:
            raise JustTaken(found.arrive_from)
        booking = booking or booking_policy(session)
        _release_others(session, visit.id, now)
        _refuse_more_than(session, client, booking.holds_per_client, now)
        row = HoldRow(
            id=new_id("ho"),
            client_id=client,
            visit_id=visit.id,
            technician_id=found.technician,
            starts_at=found.starts_at,
            ends_at=found.starts_at + timedelta(minutes=placement.minutes),
            arrive_from=found.arrive_from,
            arrive_until=found.arrive_until,
            travel_minutes=placement.travel_minutes,
            call_minutes=placement.call_minutes,
            created_at=now,
            expires_at=now + timedelta(minutes=booking.hold_minutes),
        )
        session.add(row)
        session.flush()
        record(session, origin, now=now, verb="hold", subject=f"hold/{row.id}")
        return row


def locked_visit(session: Session, visit_id: str) -> VisitRow:
    """Return a visit that nobody else can change until the commit."""
    return session.exec(select(VisitRow).where(VisitRow.id == visit_id).with_for_update()).one()


def _find(asked: Asked, arrive_from: datetime, offers: OfferPolicy) -> FoundTime | None:
    narrowed = arrival_window(asked.question, offers, asked.minute(arrive_from))
    if narrowed is None:
        return None
    sheet = find_offers(narrowed, replace(offers, count=1))
    if not sheet.offers:
        return None
    offer = sheet.offers[0]
    ((_, until),) = narrowed.visit.start_windows
    return FoundTime(
        visit=narrowed.visit.id,
        technician=asked.technician(offer.shift),
        starts_at=asked.instant(offer.start),
        arrive_from=arrive_from,
        arrive_until=asked.instant(until),
    )


def placement_at(
    session: Session,
    visit: VisitRow,
    technician: str,
    starts_at: datetime,
    *,
    now: datetime,
    beside_others: bool = False,
) -> Placement | None:
    """Return where a visit can stand in a technician's day, None when it cannot.

    Travel, break, hours and skills are looked at anew, beside what is in the calendar now. Whoever
    goes by the answer has the technician's lock, and the site's.

    Parameters
    ----------
    beside_others : pass over who else goes to the site that day, before or after.
    """
    day = local_date(starts_at, company_zone(session))
    asked = ask(session, visit, now=now, technicians=(technician,), day=day)
    question = asked.question
    if beside_others:
        question = replace(question, visit=replace(question.visit, site=None))
    return place_at(question, asked.minute(starts_at))


def release_hold(
    database: Database, hold_id: str, *, now: datetime, origin: Origin, scope: Scope
) -> HoldRow:
    """Give a held time back; one that has ended already stays as it is.

    Raises
    ------
    Absent
        There is no such hold in the scope.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = one(session, HoldRow, hold_id, scope)
        if row.state == "held":
            row.state = "released"
            session.add(row)
            record(session, origin, now=now, verb="release", subject=f"hold/{row.id}")
        return row


def state_of(row: HoldRow, now: datetime) -> str:
    """Return what has become of a hold; one whose time is over has expired, tidied up or not."""
    return "expired" if row.state == "held" and row.expires_at <= now else row.state


def require_held(row: HoldRow, now: datetime) -> None:
    """Raise ``HoldOver`` unless the hold can still be booked."""
    state = state_of(row, now)
    if state != "held":
        raise HoldOver(row.id, state)


def expire_holds(database: Database, *, now: datetime) -> int:
    """Write down which holds have run out; return how many. They blocked nothing any more."""
    with database.write() as session:
        ended = session.exec(
            update(HoldRow)
            .where(col(HoldRow.state) == "held", col(HoldRow.expires_at) <= now)
            .values(state="expired", version=HoldRow.version + 1)
        )
        return ended.rowcount


def _release_others(session: Session, visit_id: str, now: datetime) -> None:
    for row in session.exec(
        select(HoldRow).where(HoldRow.visit_id == visit_id, HoldRow.state == "held")
    ):
        row.state = "released" if row.expires_at > now else "expired"
        session.add(row)
    session.flush()


def _refuse_more_than(session: Session, client: str, limit: int, now: datetime) -> None:
    held = session.exec(
        select(func.count())
        .select_from(HoldRow)
        .where(HoldRow.client_id == client, HoldRow.state == "held", HoldRow.expires_at > now)
    ).one()
    if held >= limit:
        raise TooManyHolds(limit)
