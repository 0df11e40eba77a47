"""When can somebody come? The published calendar as a question to the engine, and its answer."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from api.storage.booked_time import booked_time, technicians_at
from api.storage.booking_rules import booking_rules, offer_policy
from api.storage.company_travel import company_travel
from api.storage.open_work import MOVABLE, occupied, to_be_placed
from api.storage.scope import Scope, one
from api.storage.snapshots import active_technicians, company_zone
from api.storage.stock import loads_ahead, stores_beside, workshop_at
from api.storage.tables import AppointmentRow, SiteRow, VisitRow
from scheduler.company import Urgency
from scheduler.errors import Conflict, NobodyWorks
from scheduler.last_resorts import LastResort
from scheduler.lifecycle import AppointmentState
from scheduler.offered_parts import OfferedParts, offered_parts
from scheduler.offers import Offer, OfferPolicy, Question, find_offers
from scheduler.routing.assembly import assemble, working_days
from scheduler.routing.standing import standing_still
from scheduler.routing.weights import PlanningWeights
from scheduler.working_time import local_date, local_day

OFFER_DAYS = 14
"""Working days that offers are made for, today included."""

_SOON_DAYS = 2
"""Within so many working days somebody should be where it cannot wait, promised or not."""

_CANNOT_WAIT: dict[str | None, str] = {
    Urgency.DANGER: "somebody could be hurt",
    Urgency.STOPPED: "the machine stands still",
}

_HELP_DAYS = 3
"""For so many days it is looked for help when no offer keeps a deadline and no help does."""

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
    """The times that can be kept for a visit, and for dispatchers what else could be done.

    ``telephone_because`` says why a client should rather telephone, to ``telephone`` if that is
    not empty; None when a time that is offered will do.
    """

    visit: str
    deadline: datetime | None
    offers: tuple[OfferedTime, ...]
    last_resorts: tuple[SuggestedTime, ...]
    telephone: str = ""
    telephone_because: str | None = None


def offer_times(
    session: Session,
    visit_id: str,
    *,
    now: datetime,
    scope: Scope,
    policy: OfferPolicy | None = None,
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
    policy = policy or offer_policy(session)
    asked = ask(session, visit, now=now)
    sheet = find_offers(asked.question, policy)
    offers = tuple(
        OfferedTime(
            technician=asked.technician(offer.shift),
            starts_at=asked.instant(offer.start),
            arrive_from=asked.instant(offer.arrive_from),
            arrive_until=asked.instant(offer.arrive_until),
            offer=offer,
        )
        for offer in sheet.offers
    )
    suggestions = _suggestions(asked, sheet.last_resorts)
    zone = session.get_one(SiteRow, visit.site_id).zone
    because = _why_to_telephone(visit, offers, asked, zone)
    if because is not None and not suggestions:
        suggestions = _sooner_than_offered(session, visit, now, policy)
    return OfferedTimes(
        visit=visit.id,
        deadline=visit.respond_by,
        offers=offers,
        last_resorts=suggestions,
        telephone="" if because is None else booking_rules(session).telephone,
        telephone_because=because,
    )


def _suggestions(asked: Asked, ways: Sequence[LastResort]) -> tuple[SuggestedTime, ...]:
    return tuple(
        SuggestedTime(
            technician=asked.technician(way.shift), starts_at=asked.instant(way.start), way=way
        )
        for way in ways
    )


def _why_to_telephone(
    visit: VisitRow, offers: Sequence[OfferedTime], asked: Asked, zone: str
) -> str | None:
    """Return why no time that is offered will do, by the site's clock; None when one will."""
    soonest = min((each.starts_at for each in offers), default=None)
    first = "no time at all" if soonest is None else f"the first time is {_clock(soonest, zone)}"
    if visit.respond_by is not None:
        if any(each.offer.keeps_deadline for each in offers):
            return None
        return f"nobody can be there by {_clock(visit.respond_by, zone)}: {first}"
    if soonest is None:
        return f"nobody can be there within {OFFER_DAYS} working days"
    soon = sorted(set(asked.question.shift_days.values()))[:_SOON_DAYS]
    what = _CANNOT_WAIT.get(visit.urgency)
    if what is None or any(asked.question.shift_days[each.offer.shift] in soon for each in offers):
        return None
    return f"{what} and nobody can be there within {_SOON_DAYS} days: {first}"


def _sooner_than_offered(
    session: Session, visit: VisitRow, now: datetime, policy: OfferPolicy
) -> tuple[SuggestedTime, ...]:
    """Return how somebody could be there sooner than offered, though after the deadline."""
    zone = company_zone(session)
    within = local_date(now, zone) + timedelta(days=_HELP_DAYS)
    asked = ask(session, visit, now=now, give_way_until=_end_of(within, zone))
    for day in sorted(set(asked.question.shift_days.values())):
        if day > within:
            break
        deadline = asked.minute(_end_of(day, zone))
        sheet = find_offers(replace(asked.question, deadline=deadline), policy)
        if sheet.last_resorts:
            return _suggestions(asked, sheet.last_resorts)
        if any(offer.keeps_deadline for offer in sheet.offers):
            break  # an offer is as soon as anything else could be
    return ()


def _end_of(day: date, zone: str) -> datetime:
    whole = local_day(day, zone).hull()
    assert whole is not None, "every day has an end"
    return whole.end


def _clock(instant: datetime, zone: str) -> str:
    return f"{instant.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


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
    give_way_until: datetime | None = None,
    over_workshop: bool = False,
) -> Asked:
    """Turn the published calendar into a question about a visit.

    Parameters
    ----------
    technicians : of these only, when given; whoever else is at the site still counts.
    day : of this local day only, when given.
    give_way_until : visits nobody was promised may give way up to then; up to the deadline when
        not given.
    over_workshop : the visit is reached over the workshop, wherever it is put.

    Raises
    ------
    NobodyWorks
        Nobody works within two months.
    """
    zone = company_zone(session)
    today = local_date(now, zone)
    asked = technicians
    if technicians is not None:
        technicians = {*technicians, *technicians_at(session, visit.site_id, now=now)}
    people = active_technicians(session, technicians, from_day=today)
    days = working_days(people, today, OFFER_DAYS) if day is None else [day]
    if not days:
        raise NobodyWorks(today)
    span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
    assert span is not None, "a working day has a beginning and an end"
    begins = max(span.start, now.astimezone(UTC))
    until = give_way_until or visit.respond_by
    yielding = [] if until is None else _planned_before(session, visit, begins, until)
    to_place = to_be_placed(session, [visit, *yielding], now=now, days=days, zone=zone)
    busy = occupied(session, now=now, since=span.start, technicians=technicians)
    booked = booked_time(
        session,
        start=begins,
        end=span.end,
        now=now,
        but_for_visit=visit.id,
        technicians=technicians,
    )
    stores = None
    if visit.parts:
        end = _end_of(today + timedelta(days=OFFER_DAYS - 1), zone)
        stores = stores_beside(session, {visit.id}, end=end)
    workshop = None
    if stores is not None or over_workshop or any(each.call_minutes is not None for each in booked):
        workshop = workshop_at(session)
    places = [
        *(place for person in people for place in person.bases),
        *(each.at for each in to_place),
        *(each.at for each in busy),
        *(each.at for each in booked),
        *([] if workshop is None else [workshop]),
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
    problem, plan = standing_still(replace(assembly.problem, visits=()), booked, travel, workshop)
    zero = problem.minute_zero
    parts = OfferedParts()
    if stores is not None:
        ahead = loads_ahead(session, now=now, but_for_visit=visit.id)
        parts = offered_parts(
            problem,
            plan,
            visit.parts,
            stores,
            shift_days=assembly.shift_days,
            today=today,
            loads={who: (start - zero) // _MINUTE for who, start in ahead.items()},
        )
    return Asked(
        question=Question(
            problem=problem,
            plan=plan,
            visit=loose.pop(visit.id),
            now=-((zero - now) // _MINUTE),
            deadline=None if visit.respond_by is None else (visit.respond_by - zero) // _MINUTE,
            shift_days=assembly.shift_days,
            may_give_way=loose,
            supplies=parts.supplies,
            lacking=parts.lacking,
            from_workshop=parts.from_workshop,
            fetching=parts.fetching,
            technicians=None if asked is None else frozenset(asked),
        ),
        minute_zero=zero,
    )


def _planned_before(
    session: Session, visit: VisitRow, begins: datetime, until: datetime
) -> list[VisitRow]:
    """Return the visits nobody was promised that stand before an instant."""
    rows = session.exec(
        select(VisitRow)
        .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
        .where(AppointmentRow.state == AppointmentState.PLANNED)
        .where(AppointmentRow.starts_at >= begins)
        .where(col(AppointmentRow.starts_at) <= until)
        .where(VisitRow.id != visit.id)
        .order_by(col(VisitRow.id))
    )
    return list(rows)
