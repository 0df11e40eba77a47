"""Large problems in parts: regions of neighbouring technicians, cut differently in each pass.

One search spends its time evenly over a country. Cut into regions, each of its searches is small
and quick, but nothing crosses a border: so later passes cut elsewhere and go on from the plan that
stands, and what lay at a border then lies inside. The parts of a pass know nothing of each other
and may be searched at the same time.
"""

import random
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.parts import Shift
from scheduler.routing.plan import Plan, cost_of, plan_of
from scheduler.routing.problem import Problem
from scheduler.routing.region_sites import with_keys, without_meetings

ONE_SEARCH_TECHNICIANS = 150
"""Up to so many technicians one search is as good as any cutting; `tests/benchmarks/regions.py`."""

REGION_TECHNICIANS = 60
PASSES = 2
"""How larger problems are cut: smaller regions lose more at their borders than they gain inside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A problem of its own within a larger one, and the plan to go on from.

    ``share`` is the part of the visits of the whole that it has, from 0 to 1; ``seed`` its own.
    """

    problem: Problem
    start_from: Plan | None
    share: float
    seed: int


Search = Callable[[Part], Plan]
RunAll = Callable[[Search, Iterable[Part]], Iterable[Plan]]


def solve_any_size(
    problem: Problem,
    *,
    stop: Iterations | Seconds,
    seed: int,
    start_from: Plan | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    should_cancel: Callable[[], bool] | None = None,
    threads: int = 1,
) -> Plan:
    """Plan as well as the time allows: in one search, or region by region where that is better.

    Visits that hang together may be made from two regions, so with any of them it is one search.
    Parameters and result are those of :func:`scheduler.routing.engine.solve`. Until the last
    region has had its turn, the cost told counts the visits of regions to come as left out, or as
    they stand in the plan to start from.
    """
    people = {shift.technician for shift in problem.shifts}
    if len(people) <= ONE_SEARCH_TECHNICIANS or problem.is_linked():
        return solve(
            problem,
            stop=stop,
            seed=seed,
            start_from=start_from,
            on_progress=on_progress,
            should_cancel=should_cancel,
            threads=threads,
        )
    stands = () if start_from is None else _within(start_from, problem).stops
    tally = _Tally(cost_of(problem, stands).total, on_progress)

    def search(part: Part) -> Plan:
        plan = solve(
            part.problem,
            stop=_shared(stop, part.share / PASSES),
            seed=part.seed,
            start_from=part.start_from,
            on_progress=tally.hear(part),
            should_cancel=should_cancel,
            threads=threads,
        )
        tally.settle(part, plan)
        return plan

    return plan_by_regions(
        problem,
        search,
        most_technicians=REGION_TECHNICIANS,
        passes=PASSES,
        seed=seed,
        start_from=start_from,
    )


def _shared(stop: Iterations | Seconds, share: float) -> Iterations | Seconds:
    if isinstance(stop, Iterations):
        return Iterations(round(stop.count * share))
    return Seconds(stop.seconds * share)


class _Tally:
    """Adds up what the searches of the parts tell, for whoever listens to the whole."""

    def __init__(self, cost: int, on_progress: Callable[[Progress], None] | None) -> None:
        self._begun = time.perf_counter()
        self._cost = cost
        self._on_progress = on_progress
        self._iterations = 0
        self._of_part = 0

    def hear(self, part: Part) -> Callable[[Progress], None]:
        """Return what listens to the search of one part."""
        before = _cost_before(part)

        def listen(progress: Progress) -> None:
            self._of_part = progress.iterations
            if self._on_progress is not None:
                self._on_progress(
                    Progress(
                        iterations=self._iterations + progress.iterations,
                        seconds=time.perf_counter() - self._begun,
                        cost=self._cost - before + progress.cost,
                    )
                )

        return listen

    def settle(self, part: Part, plan: Plan) -> None:
        """Count a part whose search is over."""
        self._iterations += self._of_part
        self._of_part = 0
        self._cost += plan.cost.total - _cost_before(part)


def _cost_before(part: Part) -> int:
    if part.start_from is not None:
        return part.start_from.cost.total
    return sum(visit.leave_out_cost for visit in part.problem.visits)


def plan_by_regions(
    problem: Problem,
    search: Search,
    *,
    most_technicians: int,
    passes: int,
    seed: int,
    start_from: Plan | None = None,
    run_all: RunAll = map,
) -> Plan:
    """Plan a large problem region by region.

    Parameters
    ----------
    problem
        Without visits that come after others or are made together with others.
    search
        Plans one part. Whoever has so many seconds for a pass gives a part its share of them.
    most_technicians
        In one region, >= 1.
    passes
        How often it is cut, >= 1; each but the first starts from the plan that stands.
    seed
        Chooses the cuts.
    run_all
        Runs the search over all parts of a pass: `map`, or that of a pool of processes.

    Returns
    -------
    Plan
        Never dearer than ``start_from``, if the search never makes a part dearer.
    """
    chance = random.Random(seed)
    plan = None
    if start_from is not None:
        plan = _within(without_meetings(problem, start_from), problem)
    for number in range(passes):
        groups = neighbourhoods(problem, most_technicians, chance)
        parts = cut(problem, groups, plan, seed + number)
        plan = _merged(problem, run_all(search, parts))
    assert plan is not None, "there is at least one pass"
    return plan


def neighbourhoods(
    problem: Problem, most_technicians: int, chance: random.Random
) -> list[list[str]]:
    """Return all technicians in groups of neighbours, each of at most ``most_technicians``.

    Halved again and again: the half nearer to somebody drawn by chance, and the half nearer to
    whoever lives farthest from them.
    """
    homes: dict[str, int] = {}
    for shift in problem.shifts:
        homes.setdefault(shift.technician, shift.start_place)
    names, places = list(homes), np.array(list(homes.values()), dtype=np.int64)
    apart = problem.travel_minutes[np.ix_(places, places)].astype(np.int64)
    apart += apart.T
    done: list[list[str]] = []
    waiting = [np.arange(len(names))]
    while waiting:
        group = waiting.pop()
        if len(group) <= most_technicians:
            done.append([names[at] for at in group.tolist()])
            continue
        anyone = group[chance.randrange(len(group))]
        one = group[int(np.argmax(apart[anyone, group]))]
        other = group[int(np.argmax(apart[one, group]))]
        nearer = apart[one, group] - apart[other, group]
        order = np.argsort(nearer, kind="stable")
        # whole regions on either side, so that no small one is left over
        regions = -(-len(group) // most_technicians)
        first = len(group) * (regions // 2) // regions
        waiting += [group[order[first:]], group[order[:first]]]
    return done


def cut(
    problem: Problem, groups: Sequence[Sequence[str]], plan: Plan | None, seed: int
) -> list[Part]:
    """Return one part for each group of technicians.

    A visit goes with the round it stands in or is pinned to; one without a round to the region
    that goes to its site anyway, or else to that of the nearest technician with its skills, there
    and back. Where a site has visits of several regions, only some shifts may make them.
    """
    group_of = {name: at for at, group in enumerate(groups) for name in group}
    shift_group = np.array([group_of[shift.technician] for shift in problem.shifts])
    by_shift = dict(zip((shift.id for shift in problem.shifts), shift_group.tolist(), strict=True))
    standing = {stop.visit: stop.shift for stop in plan.stops} if plan else {}
    standing |= {v.id: v.pinned.shift for v in problem.visits if v.pinned is not None}
    at_site: dict[str | None, int] = {}
    for visit in problem.visits:
        if visit.site is not None and visit.id in standing:
            at_site.setdefault(visit.site, by_shift[standing[visit.id]])
    nearest = _NearestGroup(problem.shifts, shift_group, problem.travel_minutes)
    visits: list[list[int]] = [[] for _ in groups]
    visit_group = []
    for at, visit in enumerate(problem.visits):
        if visit.id in standing:
            group = by_shift[standing[visit.id]]
        else:
            group = nearest.to(visit.place, visit.skills, at_site.get(visit.site))
            if visit.site is not None:
                at_site.setdefault(visit.site, group)
        visits[group].append(at)
        visit_group.append(group)
    keyed = with_keys(problem, visit_group, shift_group.tolist(), standing)
    return [
        _part(keyed, np.flatnonzero(shift_group == group).tolist(), chosen, plan, seed)
        for group, chosen in enumerate(visits)
    ]


class _NearestGroup:
    """Which group has the nearest technician with some skills."""

    def __init__(
        self,
        shifts: Sequence[Shift],
        groups: NDArray[np.int64],
        travel: NDArray[np.int32],
    ) -> None:
        first: dict[tuple[str, frozenset[str]], int] = {}
        for at, shift in enumerate(shifts):
            first.setdefault((shift.technician, shift.skills), at)
        self._skills = [skills for _, skills in first]
        self._groups = groups[list(first.values())]
        self._homes = np.array([shifts[at].start_place for at in first.values()], dtype=np.int64)
        self._travel = travel
        self._able: dict[frozenset[str], NDArray[np.int64]] = {}

    def to(self, place: int, skills: frozenset[str], wished: int | None) -> int:
        """Return that group, or the one wished for if anybody there has the skills."""
        able = self._able.get(skills)
        if able is None:
            able = np.flatnonzero([skills <= theirs for theirs in self._skills])
            self._able[skills] = able
        if not len(able):
            return 0  # nobody can make it, wherever it is
        if wished is not None and wished in self._groups[able]:
            return wished
        homes = self._homes[able]
        away = self._travel[homes, place].astype(np.int64) + self._travel[place, homes]
        return int(self._groups[able[int(np.argmin(away))]])


def _part(
    problem: Problem, shifts: Sequence[int], visits: Sequence[int], plan: Plan | None, seed: int
) -> Part:
    """Return some shifts and visits as a problem of its own, with the places it needs."""
    chosen = [problem.shifts[at] for at in shifts]
    wanted = [problem.visits[at] for at in visits]
    places = sorted(
        {visit.place for visit in wanted}
        | {place for shift in chosen for place in (shift.start_place, shift.end_place)}
        | {shift.workshop.place for shift in chosen if shift.workshop is not None}
    )
    number = {place: at for at, place in enumerate(places)}
    names = {shift.id for shift in chosen}
    part = replace(
        problem,
        places=tuple(problem.places[place] for place in places),
        travel_minutes=problem.travel_minutes[np.ix_(places, places)],
        shifts=tuple(
            replace(
                shift,
                start_place=number[shift.start_place],
                end_place=number[shift.end_place],
                workshop=None
                if shift.workshop is None
                else replace(shift.workshop, place=number[shift.workshop.place]),
            )
            for shift in chosen
        ),
        visits=tuple(
            replace(
                visit,
                place=number[visit.place],
                shift_costs=_of_these(names, visit.shift_costs),
                shift_minutes=_of_these(names, visit.shift_minutes),
            )
            for visit in wanted
        ),
    )
    return Part(
        problem=part,
        start_from=None if plan is None else _within(plan, part),
        share=len(visits) / max(len(problem.visits), 1),
        seed=seed,
    )


def _of_these(shifts: Collection[str], numbers: Mapping[str, int]) -> dict[str, int]:
    return {name: number for name, number in numbers.items() if name in shifts}


def _within(plan: Plan, problem: Problem) -> Plan:
    """Return what a plan says of the shifts and visits of a problem."""
    shifts, visits = problem.shift_index(), problem.visit_index()
    return plan_of(
        problem,
        (stop for stop in plan.stops if stop.shift in shifts and stop.visit in visits),
        breaks=(each for each in plan.breaks if each.shift in shifts),
        calls=(each for each in plan.calls if each.shift in shifts),
    )


def _merged(problem: Problem, plans: Iterable[Plan]) -> Plan:
    order, shift_order = problem.visit_index(), problem.shift_index()
    found = list(plans)
    stops = sorted(
        (stop for plan in found for stop in plan.stops),
        key=lambda stop: (shift_order[stop.shift], stop.start, order[stop.visit]),
    )
    breaks = [each for plan in found for each in plan.breaks]
    calls = [each for plan in found for each in plan.calls]
    left_out = sorted(
        (left for plan in found for left in plan.left_out), key=lambda left: order[left.visit]
    )
    return Plan(
        stops=tuple(stops),
        breaks=tuple(sorted(breaks, key=lambda each: shift_order[each.shift])),
        left_out=tuple(left_out),
        cost=cost_of(problem, stops, breaks=breaks, calls=calls),
        calls=tuple(sorted(calls, key=lambda each: shift_order[each.shift])),
    )
