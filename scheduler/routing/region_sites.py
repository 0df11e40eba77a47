"""Sites for one technician at a time, where regions that know nothing of each other go to them."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem
from scheduler.routing.sites import Sites


def with_keys(
    problem: Problem,
    visit_regions: Sequence[int],
    shift_regions: Sequence[int],
    standing: Mapping[str, str],
) -> Problem:
    """Return the problem with a skill of its own for each visit of a site of several regions.

    Only some shifts have it. What stands stays with its shift; what is still to be placed joins
    shifts of one region that meet none of those. So no two regions can bring two technicians
    together.

    Parameters
    ----------
    visit_regions, shift_regions
        The region of each visit and shift.
    standing
        Visit id to the id of its shift, pinned visits included.
    """
    visits = list(problem.visits)
    keys: list[set[str]] = [set() for _ in problem.shifts]
    for at, allowed in _shifts_left(problem, visit_regions, shift_regions, standing):
        key = f"may make {visits[at].id}"
        visits[at] = replace(visits[at], skills=visits[at].skills | {key})
        for shift_at in allowed:
            keys[shift_at].add(key)
    shifts = (
        replace(shift, skills=shift.skills | own)
        for shift, own in zip(problem.shifts, keys, strict=True)
    )
    return replace(problem, shifts=tuple(shifts), visits=tuple(visits))


def _shifts_left(
    problem: Problem,
    visit_regions: Sequence[int],
    shift_regions: Sequence[int],
    standing: Mapping[str, str],
) -> Iterator[tuple[int, list[int]]]:
    """Yield each visit of a site of several regions, by index, and the shifts that may make it."""
    members: dict[str, list[int]] = defaultdict(list)
    for at, visit in enumerate(problem.visits):
        if visit.site is not None:
            members[visit.site].append(at)
    shift_index, regions = problem.shift_index(), np.array(shift_regions, dtype=np.int64)
    sites = Sites(problem, standing.items())
    for group in members.values():
        loose = [at for at in group if problem.visits[at].pinned is None]
        if not loose or len({visit_regions[at] for at in group}) == 1:
            continue
        absent = [at for at in loose if problem.visits[at].id not in standing]
        for at in loose:
            visit = problem.visits[at]
            if visit.id in standing:
                yield at, [shift_index[standing[visit.id]]]
            elif visit_regions[at] != visit_regions[absent[0]]:
                yield at, []  # has to wait for another pass
            else:
                free = ~sites.barred(visit) & (regions == visit_regions[at])
                yield at, np.flatnonzero(free).tolist()


def without_meetings(problem: Problem, plan: Plan) -> Plan:
    """Return a plan to start from without the stops that would let two technicians meet."""
    visits, shift_index = {visit.id: visit for visit in problem.visits}, problem.shift_index()
    pins = ((visit.id, visit.pinned.shift) for visit in problem.visits if visit.pinned is not None)
    sites = Sites(problem, pins)
    kept = []
    for stop in sorted(plan.stops, key=lambda stop: stop.start):
        visit, shift_at = visits.get(stop.visit), shift_index.get(stop.shift)
        if visit is not None and shift_at is not None and visit.pinned is None:
            if sites.barred(visit)[shift_at]:
                continue
            sites.place(visit.id, stop.shift)
        kept.append(stop)
    names = {stop.visit for stop in kept}
    calls = tuple(call for call in plan.calls if call.before in names)
    return replace(plan, stops=tuple(kept), calls=calls)
