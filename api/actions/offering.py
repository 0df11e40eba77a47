"""When can somebody come? The published calendar as a question to the engine, and its answer."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from sqlmodel import Session, col, select

from api.storage.booked_time import booked_time
from api.storage.company_travel import company_travel
from api.storage.open_work import MOVABLE, occupied, to_be_placed
from api.storage.scope import Scope, one
from api.storage.snapshots import active_technicians, company_zone
from api.storage.tables import AppointmentRow, VisitRow
from scheduler.errors import Conflict, NobodyWorks
from scheduler.last_resorts import LastResort
from scheduler.lifecycle import AppointmentState
from scheduler.offers import Offer, OfferPolicy, Question, find_offers
from scheduler.routing.assembly import assemble, working_days
from scheduler.routing.standing import standing_still
from scheduler.routing.weights import PlanningWeights
from scheduler.working_time import local_date, local_day

OFFER_DAYS = 14
"""Working days that offers are made for, today included."""

USUAL_OFFERS = OfferPolicy()

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A question about a visit, with what turns its minutes into instants and people."""

    question: Question
    minute_zero: datetime

    def instant(self, minute: int) -> datetime:
        """Return the instant of a minute."""
        return self.minute_zero + minute * _MINUTE

    def minute(self, instant: datetime) -> int:
        """Return the minute an instant lies in."""
        return (instant - self.minute_zero) // _MINUTE

    def technician(self, shift_id: str) -> str:
        """Return whose shift it is."""
        problem = self.question.problem
        return problem.shifts[problem.shift_index()[shift_id]].technician


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedTime:
    """An offer in instants; ``technician`` is not for portals."""

    technician: str
    starts_at: datetime
    arrive_from: datetime
    arrive_until: datetime
    offer: Offer


@dataclass(frozen=True, slots=True, kw_only=True)
class SuggestedTime:
    """A last resort in instants, for dispatchers."""

    technician: str
    starts_at: datetime
    way: LastResort


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedTimes:
    """The times that can be kept for a visit, and for dispatchers what else could be done."""

    visit: str
    deadline: datetime | None
    offers: tuple[OfferedTime, ...]
    last_resorts: tuple[SuggestedTime, ...]


def offer_times(
    session: Session,
    visit_id: str,
    *,
    now: datetime,
    scope: Scope,
    policy: OfferPolicy = USUAL_OFFERS,
) -> OfferedTimes:
    """Return the times to offer for a visit; one that has its appointment may be moved.

    Raises
    ------
    Absent
        There is no such visit in the scope.
    Conflict
        The visit is over, or somebody is at it.
    """
    visit = one(session, VisitRow, visit_id, scope)
    movable_appointment(session, visit)
    asked = ask(session, visit, now=now)
    sheet = find_offers(asked.question, policy)
    return OfferedTimes(
        visit=visit.id,
        deadline=visit.respond_by,
        offers=tuple(
            OfferedTime(
                technician=asked.technician(offer.shift),
                starts_at=asked.instant(offer.start),
                arrive_from=asked.instant(offer.arrive_from),
                arrive_until=asked.instant(offer.arrive_until),
                offer=offer,
            )
            for offer in sheet.offers
        ),
        last_resorts=tuple(
            SuggestedTime(
                technician=asked.technician(way.shift),
                starts_at=asked.instant(way.start),
                way=way,
            )
            for way in sheet.last_resorts
        ),
    )


def movable_appointment(session: Session, visit: VisitRow) -> AppointmentRow | None:
    """Return the appointment of a visit that can still be moved, None when it has none yet.

    Raises
    ------
    Conflict
        The visit is over, or somebody is at it.
    """
    row = session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.visit_id == visit.id)
        .where(col(AppointmentRow.state).in_(MOVABLE))
    ).first()
    if row is None and visit.state != "open":
        raise Conflict(f"visit {visit.id} is {visit.state}: there is no time to be found for it")
    return row


def ask(
    session: Session,
    visit: VisitRow,
    *,
    now: datetime,
    technicians: Collection[str] | None = None,
    day: date | None = None,
) -> Asked:
    """Turn the published calendar into a question about a visit.

    Parameters
    ----------
    technicians : of these only, when given.
    day : of this local day only, when given.

    Raises
    ------
    NobodyWorks
        Nobody works within two months.
    """
    zone = company_zone(session)
    today = local_date(now, zone)
    people = tuple(
        person
        for person in active_technicians(session, from_day=today)
        if technicians is None or person.id in technicians
    )
    days = working_days(people, today, OFFER_DAYS) if day is None else [day]
    if not days:
        raise NobodyWorks(today)
    span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
    assert span is not None, "a working day has a beginning and an end"
    begins = max(span.start, now.astimezone(UTC))
    yielding = [] if visit.respond_by is None else _planned_before(session, visit, begins)
    to_place = to_be_placed(session, [visit, *yielding], now=now, days=days, zone=zone)
    busy = occupied(session, now=now, since=span.start)
    booked = booked_time(
        session,
        start=begins,
        end=span.end,
        now=now,
        but_for_visit=visit.id,
        technicians=technicians,
    )
    places = [
        *(place for person in people for place in person.bases),
        *(each.at for each in to_place),
        *(each.at for each in busy),
        *(each.at for each in booked),
    ]
    travel = company_travel(session, places)
    assembly = assemble(
        to_place,
        people,
        travel,
        now=now,
        days=days,
        weights=PlanningWeights(),
        occupied=busy,
        deadline_waived=frozenset({visit.id}),  # it is the question's to heed
    )
    loose = {each.id: each for each in assembly.problem.visits}
    problem, plan = standing_still(replace(assembly.problem, visits=()), booked, travel)
    zero = problem.minute_zero
    return Asked(
        question=Question(
            problem=problem,
            plan=plan,
            visit=loose.pop(visit.id),
            now=-((zero - now) // _MINUTE),
            deadline=None if visit.respond_by is None else (visit.respond_by - zero) // _MINUTE,
            shift_days=assembly.shift_days,
            may_give_way=loose,
        ),
        minute_zero=zero,
    )


def _planned_before(session: Session, visit: VisitRow, begins: datetime) -> list[VisitRow]:
    """Return the visits nobody was promised that stand before a visit's deadline."""
    rows = session.exec(
        select(VisitRow)
        .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
        .where(AppointmentRow.state == AppointmentState.PLANNED)
        .where(AppointmentRow.starts_at >= begins)
        .where(col(AppointmentRow.starts_at) <= visit.respond_by)
        .where(VisitRow.id != visit.id)
        .order_by(col(VisitRow.id))
    )
    return list(rows)
