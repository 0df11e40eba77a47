"""From open visits, people and places to a planning problem, and back to instants.

This is where dates, calendars, urgency and promises become the plain minutes and costs of the
problem file. Deciding what things are worth is left to :class:`PlanningWeights`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from scheduler.company import Technician, minutes_at_pace
from scheduler.intervals import IntervalSet
from scheduler.places import Coordinates
from scheduler.routing.misfits import note_misfits
from scheduler.routing.open_visits import Occupied, OpenVisit, TakenTime
from scheduler.routing.parts import Pause, Pin, Place, Shift, Visit
from scheduler.routing.plan import Plan, Stop, plan_of
from scheduler.routing.problem import Problem
from scheduler.routing.reading import Flaws
from scheduler.routing.start_windows import Minutes, start_windows
from scheduler.routing.vans import Stores, scarce_parts, with_supplies
from scheduler.routing.visit_costs import VisitCosts
from scheduler.routing.weights import PlanningWeights
from scheduler.travel import Travel
from scheduler.working_time import instant_at, local_date, local_day

_ONE_DAY = timedelta(days=1)
_MINUTE = timedelta(minutes=1)
_SEARCH_DAYS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """A problem and what it took to make it.

    ``shift_days`` maps shift id -> local day. ``broken_promises`` are promised visits whose time
    can no longer be kept (an absence, a lost skill); they were let go so that the plan can place
    them anew, and a dispatcher must hear of it.
    """

    problem: Problem
    shift_days: Mapping[str, date]
    broken_promises: tuple[str, ...]

    def instant(self, minute: int) -> datetime:
        """Return the instant of a minute of the problem."""
        return self.problem.minute_zero + minute * _MINUTE


def working_days(technicians: Iterable[Technician], first_day: date, count: int) -> list[date]:
    """Return the first ``count`` days from ``first_day`` on which anybody works.

    Fewer when nobody works on as many days within two months.
    """
    people = tuple(technicians)
    found: list[date] = []
    day = first_day
    while len(found) < count and day < first_day + timedelta(days=_SEARCH_DAYS):
        if any(_at_work(person, day) for person in people):
            found.append(day)
        day += _ONE_DAY
    return found


def assemble(
    visits: Sequence[OpenVisit],
    technicians: Sequence[Technician],
    travel: Travel,
    *,
    now: datetime,
    days: Sequence[date],
    weights: PlanningWeights,
    occupied: Sequence[Occupied] = (),
    taken: Sequence[TakenTime] = (),
    deadline_waived: frozenset[str] = frozenset(),
    stores: Stores | None = None,
) -> Assembly:
    """Build the planning problem for some working days.

    Parameters
    ----------
    now : nothing is planned to start before it (UTC).
    days : the local days to plan.
    occupied : technicians in the middle of something: their day goes on from there.
    taken : appointments outside anybody's working hours, and the like: nothing is planned there.
    deadline_waived : callbacks that may be answered after their deadline, since none can keep it.
    stores : parts at hand; without them nobody lacks any.
    """
    zone = technicians[0].calendar.zone if technicians else "UTC"
    zero = instant_at(datetime.combine(days[0], datetime.min.time()), zone)
    clock = Minutes(zero=zero, now=now)
    places = _Places()
    shifts: list[Shift] = []
    shift_days: dict[str, date] = {}
    busy = {entry.technician: entry for entry in occupied}
    for person in technicians:
        home = places.index_of(person.home)
        entry = busy.get(person.id)
        elsewhere = {weekday: places.index_of(at) for weekday, at in person.sets_out_from.items()}
        goes_on = _Beginning(
            place=home if entry is None else places.index_of(entry.at),
            not_before=clock.now if entry is None else max(entry.until, clock.now),
        )
        spoken_for = IntervalSet.of(each.interval for each in taken if each.technician == person.id)
        for day in days:
            at_work = _at_work(person, day) - spoken_for
            begins = elsewhere.get(day.weekday(), home)
            for shift in _shifts(person, day, at_work, (begins, home), goes_on, clock):
                shifts.append(shift)
                shift_days[shift.id] = day
    for visit in visits:
        places.index_of(visit.at)
    scarce = frozenset[str]()
    if stores is not None and (scarce := scarce_parts(visits, technicians, stores)):
        places.index_of(stores.workshop)
    costs = VisitCosts(
        weights=weights,
        shifts=shifts,
        shift_days=shift_days,
        last_day=days[-1],
        perhaps_away=_perhaps_away(shifts, technicians, clock),
    )
    travel_minutes = travel.between(places.coordinates).minutes
    tempo = _Tempo(technicians, shifts)
    floating = [
        Visit(
            id=visit.id,
            site=visit.site,
            place=places.index_of(visit.at),
            minutes=visit.minutes,
            skills=visit.skills,
            shift_minutes=tempo.by_shift(visit),
            start_windows=start_windows(
                visit, clock, tempo.extremes(visit), visit.id in deadline_waived
            ),
            leave_out_cost=costs.leave_out(visit),
            shift_costs=costs.by_shift(visit),
        )
        for visit in visits
    ]
    pins = _keepable_pins(visits, floating, shifts, places.as_places(), travel_minutes, clock)
    problem = Problem(
        minute_zero=zero,
        places=places.as_places(),
        travel_minutes=travel_minutes,
        shifts=tuple(shifts),
        visits=tuple(pins.get(visit.id, visit) for visit in floating),
        balance=weights.balance,
    )
    if stores is not None and scarce:
        needs = {visit.id: visit.parts for visit in visits}
        problem = with_supplies(problem, needs, stores, scarce)
    return Assembly(
        problem=problem,
        shift_days=shift_days,
        broken_promises=tuple(
            visit.id
            for visit in visits
            if visit.standing is not None and visit.standing.promised and visit.id not in pins
        ),
    )


def published_plan(assembly: Assembly, visits: Sequence[OpenVisit]) -> Plan | None:
    """Return the published appointments as a plan to start a search from; None without any.

    What can no longer be kept is no reason to leave it out here: the search plans it anew.
    """
    shifts: dict[tuple[str, date], Shift] = {}
    for shift in assembly.problem.shifts:
        shifts.setdefault((shift.technician, assembly.shift_days[shift.id]), shift)
    stops = []
    for visit in visits:
        if visit.standing is None:
            continue
        day = local_date(visit.standing.starts_at, visit.zone)
        theirs = shifts.get((visit.standing.technician, day))
        if theirs is not None:
            start = (visit.standing.starts_at - assembly.problem.minute_zero) // _MINUTE
            stops.append(Stop(visit=visit.id, shift=theirs.id, start=start))
    if not stops:
        return None
    return plan_of(assembly.problem, stops)


class _Places:
    """Coordinates as the places of the problem, each named once."""

    def __init__(self) -> None:
        self._index: dict[Coordinates, int] = {}

    def index_of(self, at: Coordinates) -> int:
        return self._index.setdefault(at, len(self._index))

    @property
    def coordinates(self) -> tuple[Coordinates, ...]:
        return tuple(self._index)

    def as_places(self) -> tuple[Place, ...]:
        return tuple(
            Place(id=f"p{number}", lat=at.lat, lon=at.lon) for at, number in self._index.items()
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Beginning:
    """Where and when a shift that is already running goes on."""

    place: int
    not_before: datetime


def _at_work(person: Technician, day: date) -> IntervalSet[datetime]:
    hull = local_day(day, person.calendar.zone).hull()
    return IntervalSet() if hull is None else person.calendar.between(hull.start, hull.end)


def _shifts(
    person: Technician,
    day: date,
    at_work: IntervalSet[datetime],
    ends: tuple[int, int],
    goes_on: _Beginning,
    clock: Minutes,
) -> Iterable[Shift]:
    """Yield the shifts of one person on one day: one, or more when an absence splits the day.

    `ends` are the places where the day begins and ends; what follows an absence begins at home.
    """
    begin, home = ends
    number = 0
    for interval in at_work:
        start_place, start = begin if number == 0 else home, interval.start
        if start < goes_on.not_before:
            start_place, start = goes_on.place, goes_on.not_before
        if start >= interval.end:
            continue
        number += 1
        first, last = clock.up(start), clock.down(interval.end)
        yield Shift(
            id=f"{person.id}/{day}" + (f"/{number}" if number > 1 else ""),
            technician=person.id,
            start_place=start_place,
            end_place=home,
            start=first,
            end=last,
            skills=person.skills,
            pause=_pause(person, day, first, last, clock),
            driving_limit=person.driving_limit_minutes,
        )


def _pause(person: Technician, day: date, first: int, last: int, clock: Minutes) -> Pause | None:
    """Return the break of a shift; none when too little of the shift lies in the break's hours."""
    if not person.break_minutes:
        return None
    zone = person.calendar.zone
    earliest = clock.up(instant_at(datetime.combine(day, person.break_earliest), zone))
    latest = clock.down(instant_at(datetime.combine(day, person.break_latest), zone))
    if min(last, latest) - max(first, earliest) < person.break_minutes:
        return None
    return Pause(minutes=person.break_minutes, earliest=earliest, latest=latest)


@dataclass(frozen=True, slots=True)
class _Tempo:
    """How long each technician takes."""

    technicians: Sequence[Technician]
    shifts: Sequence[Shift]

    def by_shift(self, visit: OpenVisit) -> dict[str, int]:
        """Return the time on site where it is not what the worksheet says."""
        taken = {
            person.id: minutes_at_pace(visit.minutes, person.pace)
            for person in self.technicians
            if person.pace != 1.0 and visit.skills <= person.skills
        }
        return {
            shift.id: taken[shift.technician] for shift in self.shifts if shift.technician in taken
        }

    def extremes(self, visit: OpenVisit) -> tuple[int, int]:
        """Return the time on site of the fastest and of the slowest who could make the visit."""
        paces = [person.pace for person in self.technicians if visit.skills <= person.skills]
        fastest, slowest = min(paces, default=1.0), max(paces, default=1.0)
        return minutes_at_pace(visit.minutes, fastest), minutes_at_pace(visit.minutes, slowest)


def _keepable_pins(
    visits: Sequence[OpenVisit],
    floating: Sequence[Visit],
    shifts: Sequence[Shift],
    places: Sequence[Place],
    travel_minutes: NDArray[np.int32],
    clock: Minutes,
) -> dict[str, Visit]:
    """Return the promised visits pinned where they were promised, as far as that can be kept.

    Earlier promises win where an absence or a late start makes two of them clash.
    """
    by_technician: dict[str, list[Shift]] = {}
    for shift in shifts:
        by_technician.setdefault(shift.technician, []).append(shift)
    kept: dict[str, list[Visit]] = {}
    promised = [
        (visit.standing, loose)
        for visit, loose in zip(visits, floating, strict=True)
        if visit.standing is not None and visit.standing.promised
    ]
    for standing, loose in sorted(promised, key=lambda pair: pair[0].starts_at):
        start = clock.down(standing.starts_at)
        for shift in by_technician.get(standing.technician, ()):
            if not shift.start <= start < shift.end:
                continue
            pinned = replace(
                loose,
                start_windows=((start, start),),
                pinned=Pin(shift=shift.id, start=start),
                shift_minutes={
                    name: spent for name, spent in loose.shift_minutes.items() if name == shift.id
                },
                shift_costs={},
            )
            flaws = Flaws()
            together = [*kept.get(shift.id, ()), pinned]
            note_misfits(flaws, places, travel_minutes, (shift,), together)
            if not len(flaws):
                kept[shift.id] = together
    return {visit.id: visit for together in kept.values() for visit in together}


def _perhaps_away(
    shifts: Sequence[Shift], technicians: Sequence[Technician], clock: Minutes
) -> dict[str, float]:
    """Return the share of each shift in which its technician may be away, where there is any."""
    perhaps = {person.id: person.perhaps_away for person in technicians}
    shares = {}
    for shift in shifts:
        if away := perhaps.get(shift.technician):
            start, end = (clock.zero + minute * _MINUTE for minute in (shift.start, shift.end))
            inside = sum((span.end - span.start for span in away.clip(start, end)), timedelta())
            shares[shift.id] = inside / (end - start)
    return {shift: share for shift, share in shares.items() if share}
