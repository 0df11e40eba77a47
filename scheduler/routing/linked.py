"""Visits that hang together: one after another, or two technicians at once.

The search knows rounds, not what two rounds owe each other. So linked visits are placed here, by
trying every gap of every round, and stand still while the search improves everything around them.
Then they are taken out and placed anew, and the search goes on a little cooler.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from scheduler.errors import InvalidProblem
from scheduler.routing.insertion import Candidate, Gaps, StartRanges
from scheduler.routing.params import Params
from scheduler.routing.parts import Pin, Visit
from scheduler.routing.plan import BreakTaken, Call, Plan, Stop, plan_of
from scheduler.routing.problem import Problem
from scheduler.routing.sites import Sites
from scheduler.routing.timing import timetable

PARTS = 6
"""How often linked visits are placed anew."""


class Search(Protocol):
    """Improve a plan of a problem without loose links; the k-th part of the search."""

    def __call__(
        self, problem: Problem, /, *, part: int, start_from: Plan, params: Params
    ) -> Plan: ...


@dataclass(frozen=True, slots=True)
class _Place:
    shift: str
    start: int


def search_in_parts(
    problem: Problem,
    start_from: Plan | None,
    params: Params,
    search: Search,
    should_cancel: Callable[[], bool],
) -> Plan:
    """Plan a problem with linked visits.

    Parameters
    ----------
    problem
        Any of its visits may name another to come after, or to be made together with.
    start_from
        A plan to improve, None to begin from nothing.
    params
        Its temperatures are passed through once, in as many steps as there are parts.
    search
        Does the rest.
    should_cancel
        Asked between two parts.
    """
    standing = _Standing(problem, None)
    standing.place_all()
    best = standing.plan()
    begin_from = best if start_from is None else standing.beside(start_from)
    hottest = params.hottest if start_from is None else params.hottest_when_warm
    ratio = (params.coldest / hottest) ** (1 / PARTS)
    for part in range(PARTS):
        warm, cool = hottest * ratio**part, hottest * ratio ** (part + 1)
        step = replace(
            params,
            hottest=warm,
            hottest_when_warm=warm,
            hottest_when_crowded=max(warm, params.hottest_when_crowded * ratio**part),
            coldest=min(cool, warm),
        )
        standing = _Standing(
            problem, search(standing.held(), part=part, start_from=begin_from, params=step)
        )
        standing.place_all(late=part % 2 == 0)
        found = begin_from = standing.plan()
        if found.cost.total < best.cost.total:
            best = found
        if should_cancel():
            break
    return best


class _Standing:
    """A plan whose linked visits can be taken out and placed anew."""

    def __init__(self, problem: Problem, plan: Plan | None) -> None:
        self._problem = problem
        self._visits = {visit.id: visit for visit in problem.visits}
        self._groups = tuple(_groups(problem))
        self._linked = {name for group in self._groups for name in group}
        self._places: dict[str, _Place] = {}
        self._orders: dict[str, list[str]] = defaultdict(list)
        self._calls: dict[str, str] = {}
        self._late = False
        if plan is None:
            self._begin_with_pins()
            return
        for stop in sorted(plan.stops, key=lambda stop: stop.start):
            self._orders[stop.shift].append(stop.visit)
            if stop.visit in self._linked:
                self._places[stop.visit] = _Place(stop.shift, stop.start)
        self._calls = {call.shift: call.before for call in plan.calls}

    def _begin_with_pins(self) -> None:
        pins = [(visit.pinned, visit) for visit in self._problem.visits if visit.pinned is not None]
        for pin, visit in sorted(
            pins, key=lambda pair: (pair[0].start, pair[1].minutes_in(pair[0].shift))
        ):
            self._orders[pin.shift].append(visit.id)

    def held(self) -> Problem:
        """Return the problem without links: linked visits stand where they are, or are no more."""
        visits = []
        for visit in self._problem.visits:
            loose = replace(visit, after=None, together_with=None)
            if visit.id not in self._linked:
                visits.append(loose)
            elif (place := self._places.get(visit.id)) is not None:
                visits.append(_pinned(loose, place))
        return replace(self._problem, visits=tuple(visits))

    def place_all(self, *, late: bool = False) -> None:
        """Take the visits of one group after the other out and place them where they cost least.

        Where one could start at several minutes, it starts at the first or the last of them: now
        one, now the other leaves room for something else.
        """
        self._late = late
        for group in self._groups:
            if set(self._calls.values()) & set(group):
                continue  # a call at the workshop is on the way to one of them
            self._take_out(group)
            tried: set[str] = set()
            for name in group:
                if name not in tried:
                    together = self._place(name, group)
                    tried |= together
                    if not self._can_be_held():
                        self._take_out(together)

    def _take_out(self, names: Iterable[str]) -> None:
        for name in names:
            if (place := self._places.pop(name, None)) is not None:
                self._orders[place.shift].remove(name)

    def _can_be_held(self) -> bool:
        """Tell whether what stands still can be made alone: detours may be quicker."""
        try:
            self.held()
        except InvalidProblem:
            return False
        return True

    def _place(self, name: str, group: Sequence[str]) -> set[str]:
        """Place a visit, with the one to be made at the same time; return what was tried."""
        visit = self._visits[name]
        other = next(
            (
                self._visits[each]
                for each in group
                if self._visits[each].together_with == name or visit.together_with == each
            ),
            None,
        )
        earliest = [self._earliest(each) for each in (visit, other) if each is not None]
        if any(minute is None for minute in earliest):
            return {name} if other is None else {name, other.id}
        problem = self.held()
        index = problem.visit_index()
        gaps = Gaps(
            problem,
            [
                Candidate(shift=at, order=tuple(index[each] for each in self._orders[shift.id]))
                for at, shift in enumerate(problem.shifts)
                if shift.id not in self._calls
            ],
        )
        since = max(minute for minute in earliest if minute is not None)
        if other is None:
            self._place_alone(gaps, _not_before(visit, since))
            return {name}
        self._place_both(gaps, _not_before(visit, since), _not_before(other, since))
        return {name, other.id}

    def _earliest(self, visit: Visit) -> int | None:
        """Return the first minute a visit may start; None when the one before it is left out."""
        if visit.after is None:
            return min((first for first, _ in visit.start_windows), default=0)
        before = self._visits[visit.after.visit]
        pin = before.pinned
        place = self._places.get(before.id) if pin is None else _Place(pin.shift, pin.start)
        if place is None:
            return None
        return place.start + before.minutes_in(place.shift) + visit.after.minutes

    def _place_alone(self, gaps: Gaps, visit: Visit) -> None:
        ranges, extra = self._openings(gaps, visit)
        if extra.size and extra.min() < visit.leave_out_cost:
            order = -ranges.latest if self._late else ranges.soonest
            at = int(np.lexsort((order, extra))[0])
            start = ranges.latest[at] if self._late else ranges.soonest[at]
            self._insert(gaps, visit, int(ranges.gap[at]), int(start))

    def _place_both(self, gaps: Gaps, one: Visit, two: Visit) -> None:
        ranges, extra = self._openings(gaps, one)
        others, more = self._openings(gaps, two)
        if not extra.size or not more.size:
            return
        names = [shift.technician for shift in self._problem.shifts]
        people = np.array([names.index(name) for name in names], dtype=np.int64)
        soonest = np.maximum(ranges.soonest[:, None], others.soonest[None, :])
        latest = np.minimum(ranges.latest[:, None], others.latest[None, :])
        own, theirs = people[gaps.shift[ranges.gap]], people[gaps.shift[others.gap]]
        possible = (soonest <= latest) & (own[:, None] != theirs[None, :])
        costs = np.where(possible, extra[:, None] + more[None, :], np.iinfo(np.int64).max)
        first, second = np.unravel_index(int(np.argmin(costs)), costs.shape)
        if costs[first, second] < one.leave_out_cost + two.leave_out_cost:
            start = int((latest if self._late else soonest)[first, second])
            self._insert(gaps, one, int(ranges.gap[first]), start)
            self._insert(gaps, two, int(others.gap[second]), start)

    def _openings(self, gaps: Gaps, visit: Visit) -> tuple[StartRanges, np.ndarray]:
        """Return the ranges of minutes a visit may start at, and what each costs."""
        ranges = gaps.start_ranges(replace(visit, pinned=None))
        placed = ((name, shift) for shift, names in self._orders.items() for name in names)
        barred = Sites(self._problem, placed).barred(visit)
        able = np.array(
            [
                not barred[each.shift] and self._may_join(gaps, visit, row)
                for row, each in enumerate(gaps.candidates)
            ]
        )
        kept = able[gaps.labels.row[ranges.gap]] if able.size else np.zeros(0, dtype=np.bool_)
        ranges = StartRanges(
            gap=ranges.gap[kept],
            window=ranges.window[kept],
            soonest=ranges.soonest[kept],
            latest=ranges.latest[kept],
        )
        return ranges, gaps.extra_costs(visit)[ranges.gap]

    def _may_join(self, gaps: Gaps, visit: Visit, row: int) -> bool:
        """Tell whether a round has the skills, and along what it and all its visits need."""
        shift = self._problem.shifts[gaps.candidates[row].shift]
        if not visit.skills <= shift.skills or not visit.tools <= shift.tools:
            return False
        made = [self._visits[name] for name in self._orders[shift.id]]
        return all(
            sum(each.parts.get(kind, 0) for each in (*made, visit)) <= shift.parts.get(kind, 0)
            for kind in visit.parts
            if visit.parts[kind]
        )

    def _insert(self, gaps: Gaps, visit: Visit, gap: int, start: int) -> None:
        opening = gaps.opening(gap, 0)
        shift = self._problem.shifts[opening.candidate.shift].id
        self._orders[shift].insert(opening.position, visit.id)
        self._places[visit.id] = _Place(shift, start)

    def beside(self, given: Plan) -> Plan:
        """Return a plan to start from: what stands still, and what else a given one plans."""
        kept = [stop for stop in given.stops if stop.visit not in self._linked]
        placed = [stop for stop in self.plan().stops if stop.visit in self._linked]
        return replace(given, stops=(*kept, *placed))

    def plan(self) -> Plan:
        """Return the plan as it stands."""
        visits = {visit.id: visit for visit in self.held().visits}
        stops: list[Stop] = []
        breaks: list[BreakTaken] = []
        for shift in self._problem.shifts:
            names = self._orders.get(shift.id)
            if not names:
                continue
            order = [visits[name] for name in names]
            call = self._calls.get(shift.id)
            call_before = names.index(call) if call is not None else None
            times = timetable(self._problem, shift, order, call_before)
            assert times is not None, f"the round of shift {shift.id} cannot be made as placed"
            stops += times.stops(shift, order)
            breaks += times.breaks(shift)
        calls = [Call(shift=shift, before=name) for shift, name in self._calls.items()]
        return plan_of(self._problem, stops, breaks=breaks, calls=calls)


def _pinned(visit: Visit, place: _Place) -> Visit:
    return replace(
        visit,
        pinned=Pin(shift=place.shift, start=place.start),
        start_windows=(*visit.start_windows, (place.start, place.start)),
    )


def _not_before(visit: Visit, minute: int) -> Visit:
    windows = tuple((max(first, minute), last) for first, last in visit.start_windows)
    return replace(visit, start_windows=tuple(each for each in windows if each[0] <= each[1]))


def _groups(problem: Problem) -> Iterator[tuple[str, ...]]:
    """Yield the movable visits that hang together, each after those it has to wait for."""
    loose: Mapping[str, Visit] = {
        visit.id: visit for visit in problem.visits if visit.pinned is None
    }
    near: dict[str, set[str]] = defaultdict(set)
    for visit in loose.values():
        partners = [visit.together_with] if visit.together_with is not None else []
        if visit.after is not None:
            partners.append(visit.after.visit)
        for partner in partners:
            near[visit.id].add(partner)
            near[partner].add(visit.id)
    seen: set[str] = set()
    for name in near:
        if name in seen or name not in loose:
            continue
        group, reached = [], [name]
        seen.add(name)
        while reached:
            current = reached.pop()
            group.append(current)
            more = [each for each in near[current] if each in loose and each not in seen]
            seen.update(more)
            reached.extend(sorted(more))
        yield tuple(sorted(group, key=lambda each: (_depth(loose, each, near), each)))


def _depth(loose: Mapping[str, Visit], name: str, near: Mapping[str, set[str]]) -> int:
    """Return how many visits have to be made before a visit, its other half's included."""
    halves = [loose[name]]
    halves += [
        loose[each]
        for each in near[name]
        if each in loose
        and (loose[each].together_with == name or loose[name].together_with == each)
    ]
    waits = [half.after.visit for half in halves if half.after is not None]
    return max((1 + _depth(loose, each, near) for each in waits if each in loose), default=0)
