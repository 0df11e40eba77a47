"""A plain plan: the dearest visit first, each where it adds the least.

No search, no numba. It is the yardstick a better plan is measured against, and short enough
to be believed.
"""

from collections.abc import Iterator
from itertools import pairwise

from scheduler.errors import Impossible
from scheduler.routing.plan import BreakTaken, LeftOut, Plan, Stop, cost_of
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.timing import timetable


def cheapest_insertion(problem: Problem) -> Plan:
    """Plan by cheapest insertion.

    Pinned visits come first, then the others from the dearest to leave out to the cheapest
    (ties in the problem's order). Each goes where it adds the least travel and shift cost, if
    that is less than leaving it out.

    Raises
    ------
    Impossible
        A pinned visit cannot be kept with this method: travel breaks the triangle inequality.
    """
    rounds: dict[str, list[Visit]] = {shift.id: [] for shift in problem.shifts}
    for visit in sorted(
        problem.visits, key=lambda visit: (visit.pinned is None, -visit.leave_out_cost)
    ):
        best: tuple[int, Shift, list[Visit]] | None = None
        for shift in problem.shifts:
            if not _might_make(visit, shift):
                continue
            for extra, order in _insertions(problem, shift, rounds[shift.id], visit):
                cheaper = best is None or extra < best[0]
                if cheaper and timetable(problem, shift, order) is not None:
                    best = (extra, shift, order)
        if best is not None and (visit.pinned is not None or best[0] < visit.leave_out_cost):
            rounds[best[1].id] = best[2]
        elif visit.pinned is not None:
            raise Impossible(f"pinned visit {visit.id!r} cannot be kept by plain insertion")
    return _plan(problem, rounds)


def _might_make(visit: Visit, shift: Shift) -> bool:
    """Tell whether skills, pin and windows allow the visit in the shift, travel aside."""
    if not visit.skills <= shift.skills:
        return False
    if visit.pinned is not None:
        return visit.pinned.shift == shift.id
    return any(
        first + visit.minutes <= shift.end and last >= shift.start
        for first, last in visit.start_windows
    )


def _insertions(
    problem: Problem, shift: Shift, made: list[Visit], visit: Visit
) -> Iterator[tuple[int, list[Visit]]]:
    """Yield every way to put the visit into the round, with what it adds."""
    travel = problem.travel_minutes
    route = [shift.start_place, *(other.place for other in made), shift.end_place]
    shift_cost = visit.shift_costs.get(shift.id, 0)
    for position, (before, after) in enumerate(pairwise(route)):
        extra = int(travel[before, visit.place]) + int(travel[visit.place, after]) + shift_cost
        if made:
            extra -= int(travel[before, after])
        yield extra, [*made[:position], visit, *made[position:]]


def _plan(problem: Problem, rounds: dict[str, list[Visit]]) -> Plan:
    stops: list[Stop] = []
    breaks: list[BreakTaken] = []
    for shift in problem.shifts:
        order = rounds[shift.id]
        times = timetable(problem, shift, order) if order else None
        if times is None:
            continue
        stops += [
            Stop(visit=visit.id, shift=shift.id, start=start)
            for visit, start in zip(order, times.starts, strict=True)
        ]
        if times.break_start is not None:
            breaks.append(BreakTaken(shift=shift.id, start=times.break_start))
    planned = {stop.visit for stop in stops}
    return Plan(
        stops=tuple(stops),
        breaks=tuple(breaks),
        left_out=tuple(
            LeftOut(visit=visit.id) for visit in problem.visits if visit.id not in planned
        ),
        cost=cost_of(problem, stops),
    )
