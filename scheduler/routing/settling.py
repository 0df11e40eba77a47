"""A plan whose vans last: where each calls at the workshop, and what is fetched there.

The search looks at one round at a time: a shift sets out with some pieces and may call at the
workshop once. A van goes on for several days, so a plan is settled afterwards: pieces are used in
order of time, and one call, where it costs least, loads the van for all that comes after it.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from scheduler.routing.parts import Shift, Visit
from scheduler.routing.plan import BreakTaken, Call, LeftOut, Plan, Stop, cost_of
from scheduler.routing.problem import Problem
from scheduler.routing.timing import timetable
from scheduler.routing.vans import Pieces, Stores, dearer, workshop_place
from scheduler.van_stock import Supply, supply_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A plan whose vans last from day to day.

    Attributes
    ----------
    problem
        With the pieces each shift sets out with under this plan.
    plan
        Its calls are where they are needed; there are no others.
    lacking
        The first visit of each van that no call can supply in time as the rounds are; it must not
        stay where it is.
    in_vain
        The visits made where a part lacks that somebody else has and the workshop has not.
    ahead
        The problem to search on with. Each van has to call on the day it does, or ought to: it has
        nothing along then, all it wants afterwards, and before it what the plan uses. A visit made
        in vain costs more with the same technician than left out.
    """

    problem: Problem
    plan: Plan
    lacking: frozenset[str]
    in_vain: frozenset[str]
    ahead: Problem

    @property
    def is_quiet(self) -> bool:
        """Whether every van has all along as it is, without a call."""
        return not (self.lacking or self.in_vain or self.plan.calls)

    @property
    def cost(self) -> int:
        """What the plan costs; a visit made in vain costs as much as left out, and a little."""
        wasted = (v.leave_out_cost + 1 for v in self.problem.visits if v.id in self.in_vain)
        return self.plan.cost.total + sum(wasted)


TIMES_SEARCHED_ON = 3
"""How often the search goes on after a plan was settled."""


def searched_and_settled(
    problem: Problem,
    plan: Plan,
    needs: Mapping[str, Pieces],
    stores: Stores,
    search_on: Callable[[Problem, Plan, int], Plan],
) -> tuple[Problem, Plan]:
    """Settle a plan and search on, several times; return the best one in which no van lacks.

    Where a van has to call, the search goes on with the call on its day: there may be a better way
    round by the workshop, and somebody else may have the parts along. Where none has to, the times
    that are left are one.

    Parameters
    ----------
    problem, plan, needs, stores : as for :func:`settle`.
    search_on : looks for a better plan of a problem, from a plan that is known, as long as so many
        of the times may take together.

    Returns
    -------
    tuple
        The problem with what each shift sets out with, and a plan of it.
    """
    best: Settled | None = None
    times_left = TIMES_SEARCHED_ON
    while True:
        settled = settle(problem, plan, needs, stores)
        if not settled.lacking and (best is None or settled.cost < best.cost):
            best = settled
        if not times_left:
            break
        times = times_left if settled.is_quiet else 1
        times_left -= times
        plan = search_on(settled.ahead, settled.plan, times)
    while best is None:
        plan = _without(settled.problem, settled.plan, settled.lacking)
        settled = settle(problem, plan, needs, stores)
        best = None if settled.lacking else settled
    return best.problem, best.plan


def settle(problem: Problem, plan: Plan, needs: Mapping[str, Pieces], stores: Stores) -> Settled:
    """Follow every van through the days of a plan, and put its call where it is needed.

    Parameters
    ----------
    problem : as made by :func:`with_supplies`.
    needs : visit -> all its parts.
    """
    place = workshop_place(problem, stores)
    everything = Counter[str]()
    for visit in problem.visits:
        everything.update(visit.parts)
    made = {stop.shift for stop in plan.stops}
    calls: list[Call] = []
    lacking, to_order = set[str](), dict[str, str]()
    spare = dict[str, Pieces]()
    along, ahead = dict[str, Pieces](), dict[str, Pieces]()
    for technician, van in stores.in_vans.items():
        days = [shift for shift in problem.shifts if shift.technician == technician]
        mornings = [at for at, s in enumerate(days) if s.start_place == place and s.id in made]
        along.update((shift.id, everything) for shift in days)
        ahead.update((shift.id, everything) for shift in days)
        days = days[: min(mornings, default=len(days))]  # a morning there loads it for the rest
        days = [shift for shift in days if shift.start_place != place]  # nobody sets out then
        walk = _Walk(problem, plan, days, needs, stores)
        left = Counter(van)
        walk.along(left)
        calls += walk.calls
        lacking |= walk.lacking
        to_order.update(dict.fromkeys(walk.to_order, technician))
        spare[technician] = left
        along.update(walk.held)
        ahead.update({shift.id: along[shift.id] for shift in days})
        if walk.call_day is not None:
            ahead.update((shift.id, walk.used[shift.id]) for shift in days[: walk.call_day])
            ahead[days[0].id] = walk.used[days[0].id] + left
            ahead[days[walk.call_day].id] = {}
            ahead.update((shift.id, everything) for shift in days[walk.call_day + 1 :])
    in_vain = {
        visit: technician
        for visit, technician in to_order.items()
        if _who_has(problem, visit, needs, replace(stores, in_vans=spare)) - {technician}
    }

    def ordered(visit: Visit) -> Visit:
        return replace(visit, parts={}) if visit.id in to_order else visit

    def sought(visit: Visit) -> Visit:
        if (technician := in_vain.get(visit.id)) is None:
            return ordered(visit)
        theirs = (shift.id for shift in problem.shifts if shift.technician == technician)
        return replace(visit, shift_costs=dearer(visit, theirs))

    return Settled(
        problem=_setting_out_with(problem, along, ordered),
        plan=_retimed(problem, plan, calls),
        lacking=frozenset(lacking),
        in_vain=frozenset(in_vain),
        ahead=_setting_out_with(problem, ahead, sought),
    )


def _who_has(
    problem: Problem, visit_id: str, needs: Mapping[str, Pieces], stores: Stores
) -> frozenset[str]:
    """Return who may make a visit and has its parts, or gets them at the workshop."""
    visit = problem.visits[problem.visit_index()[visit_id]]
    if visit.pinned is not None:
        return frozenset()
    able = {shift.technician for shift in problem.shifts if visit.skills <= shift.skills}
    return frozenset(
        technician
        for technician in able
        if supply_of(needs[visit_id], stores.in_vans.get(technician), stores.in_workshop)
        is not Supply.ORDER
    )


class _Walk:
    """One van through its days up to a morning at the workshop.

    Afterwards `calls` holds its call, if it needs one; `call_day` is the number of the day of the
    call or, where there is no time for one, on which something lacks first; `held` is what it holds
    at the beginning of each day up to the call, `used` what each day takes out of it, and
    `to_order` names the visits whose parts are nowhere to be had.
    """

    def __init__(
        self,
        problem: Problem,
        plan: Plan,
        days: Sequence[Shift],
        needs: Mapping[str, Pieces],
        stores: Stores,
    ) -> None:
        self._problem, self._days, self._needs, self._stores = problem, days, needs, stores
        self._orders = orders_of(problem, plan)
        self.calls: list[Call] = []
        self.call_day: int | None = None
        self.lacking: set[str] = set()
        self.to_order: set[str] = set()
        self.held: dict[str, Counter[str]] = {}
        self.used: defaultdict[str, Counter[str]] = defaultdict(Counter)

    def along(self, van: Counter[str]) -> None:
        """Make all visits in order of time."""
        for day, shift in enumerate(self._days):
            if not self.calls:
                self.held[shift.id] = Counter(van)
            for position, visit in enumerate(self._orders.get(shift.id, ())):
                if _asks_nothing(visit):
                    continue
                needed = Counter(self._needs.get(visit.id, {}))
                taken = needed & van
                van -= taken
                self.used[shift.id] += taken
                missing = needed - taken
                if missing and self.call_day is None:
                    self._call(visit, missing, day, position)

    def _call(self, visit: Visit, missing: Pieces, day: int, position: int) -> None:
        """Call at the workshop before a visit, where that costs least; or note that it lacks.

        What is not there either has to be ordered, whoever comes.
        """
        shelf = self._stores.in_workshop
        if shelf is not None and not any(shelf.get(part, 0) for part in missing):
            self.to_order.add(visit.id)
            return
        ways = [
            (detour, number, shift.id, before)
            for number, shift in enumerate(self._days[: day + 1])
            for detour, before in self._detours(shift, position if number == day else None)
        ]
        if ways:
            _, called_on, shift_id, before = min(ways)
            self.calls.append(Call(shift=shift_id, before=before))
            self.call_day = called_on
            for later in self._days[called_on + 1 : day + 1]:
                del self.held[later.id]
        elif visit.pinned is None:
            self.lacking.add(visit.id)
            self.call_day = day

    def _detours(self, shift: Shift, last: int | None) -> list[tuple[int, str]]:
        """Return what a call costs before each visit of a round where there is time for it."""
        order = self._orders.get(shift.id, ())
        if shift.workshop is None or not order:
            return []
        places = [shift.start_place, *(visit.place for visit in order)]
        found = []
        for at, leg in enumerate(pairwise(places)):
            if last is not None and at > last:
                break
            if timetable(self._problem, shift, order, at) is not None:
                over = self._problem.journey_minutes(shift, *leg, over_workshop=True)
                found.append((over - self._problem.journey_minutes(shift, *leg), order[at].id))
        return found


def _asks_nothing(visit: Visit) -> bool:
    """Tell whether a visit takes nothing that a van could run short of, or that anybody has."""
    return visit.pinned is None and not visit.parts


def fetched(
    problem: Problem, plan: Plan, needs: Mapping[str, Pieces], stores: Stores
) -> dict[str, dict[str, Pieces]]:
    """Return what technicians fetch at the workshop for the visits of a settled plan.

    It is fetched on the last call before the visit, on a morning that begins there, or else before
    the round of its day sets out: a promise stands, and somebody has to load for it. Pieces that
    lie there go to the earlier visit.

    Returns
    -------
    dict
        The visit on whose way it is fetched, or whose round begins with it -> the visit it is for
        -> part type -> pieces.
    """
    place = workshop_place(problem, stores)
    shifts = {shift.id: shift for shift in problem.shifts}
    orders = orders_of(problem, plan)
    calling = {call.before for call in plan.calls}
    left_in_vans = {technician: Counter(van) for technician, van in stores.in_vans.items()}
    shelf = None if stores.in_workshop is None else Counter(stores.in_workshop)
    loads_at: dict[str, str] = {}
    found: defaultdict[str, dict[str, Pieces]] = defaultdict(dict)
    visits = {visit.id: visit for visit in problem.visits}
    for stop in sorted(plan.stops, key=lambda stop: (stop.start, stop.shift)):
        shift, visit = shifts[stop.shift], visits[stop.visit]
        first = orders[stop.shift][0].id
        if stop.visit in calling or (stop.visit == first and shift.start_place == place):
            loads_at[shift.technician] = stop.visit
        van = left_in_vans.get(shift.technician)
        if van is None or _asks_nothing(visit):
            continue
        needed = Counter(needs.get(stop.visit, {}))
        missing = needed - van
        van -= needed
        if shelf is not None:
            missing &= shelf
            shelf -= missing
        if missing:
            found[loads_at.get(shift.technician, first)][stop.visit] = dict(missing)
    return dict(found)


def orders_of(problem: Problem, plan: Plan) -> dict[str, list[Visit]]:
    """Return the visits of each round of a plan, in the order they are made."""
    visits = {visit.id: visit for visit in problem.visits}

    def times(stop: Stop) -> tuple[int, int]:
        return stop.start, stop.start + visits[stop.visit].minutes_in(stop.shift)

    orders: defaultdict[str, list[Visit]] = defaultdict(list)
    for stop in sorted(plan.stops, key=times):
        orders[stop.shift].append(visits[stop.visit])
    return dict(orders)


def _retimed(problem: Problem, plan: Plan, calls: Sequence[Call]) -> Plan:
    """Return the plan with other calls; each round that gains or loses one is timed anew.

    A call nobody needs stays where there is no time for the direct way.
    """
    before = {call.shift: call.before for call in plan.calls}
    after = {call.shift: call.before for call in calls}
    shifts = {shift.id: shift for shift in problem.shifts}
    orders = orders_of(problem, plan)
    starts = {stop.visit: stop.start for stop in plan.stops}
    breaks = {taken.shift: taken.start for taken in plan.breaks}
    for name in sorted({shift for shift, _ in before.items() ^ after.items()}):
        ids = [visit.id for visit in orders[name]]
        at = ids.index(after[name]) if name in after else None
        times = timetable(problem, shifts[name], orders[name], at)
        if times is None:  # the way over the workshop is the quicker one, so the call stays
            after[name] = before[name]
            continue
        starts.update(zip(ids, times.starts, strict=True))
        if times.break_start is not None:
            breaks[name] = times.break_start
    stops = tuple(replace(stop, start=starts[stop.visit]) for stop in plan.stops)
    taken = tuple(BreakTaken(shift=each.shift, start=breaks[each.shift]) for each in plan.breaks)
    calls = [Call(shift=s.id, before=after[s.id]) for s in problem.shifts if s.id in after]
    return replace(
        plan,
        stops=stops,
        breaks=taken,
        calls=tuple(calls),
        cost=cost_of(problem, stops, breaks=taken, calls=calls),
    )


def _without(problem: Problem, plan: Plan, visits: frozenset[str]) -> Plan:
    """Return the plan with some visits left out; the others stand where they are."""
    stops = tuple(stop for stop in plan.stops if stop.visit not in visits)
    shifts = {stop.shift for stop in stops}
    breaks = tuple(taken for taken in plan.breaks if taken.shift in shifts)
    calls = tuple(call for call in plan.calls if call.before not in visits)
    return Plan(
        stops=stops,
        breaks=breaks,
        left_out=(*plan.left_out, *(LeftOut(visit=visit) for visit in sorted(visits))),
        cost=cost_of(problem, stops, breaks=breaks, calls=calls),
        calls=calls,
    )


def _setting_out_with(
    problem: Problem, parts: Mapping[str, Pieces], wanting: Callable[[Visit], Visit]
) -> Problem:
    """Return the problem with other pieces along on some shifts, of the kinds it knows, and with
    visits that want something else.
    """
    kinds = sorted({part for visit in problem.visits for part in visit.parts})

    def along(shift: Shift) -> Shift:
        if shift.id not in parts:
            return shift
        return replace(shift, parts={part: parts[shift.id].get(part, 0) for part in kinds})

    return replace(
        problem,
        shifts=tuple(map(along, problem.shifts)),
        visits=tuple(map(wanting, problem.visits)),
    )
