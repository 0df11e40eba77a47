"""A plain plan: the dearest visit first, each where it adds the least.

No search, no numba. It is the yardstick a better plan is measured against, and short enough
to be believed.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from scheduler.routing.plan import BreakTaken, Plan, Stop, plan_of
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.sites import Sites
from scheduler.routing.timing import timetable


def cheapest_insertion(problem: Problem) -> Plan:
    """Plan by cheapest insertion.

    The pinned visits stand from the start. The others follow from the dearest to leave out to
    the cheapest (ties in the problem's order), each where it adds the least travel and shift
    cost, if that is less than leaving it out.
    """
    return completed(problem, _pinned_rounds(problem))


def completed(problem: Problem, given: Mapping[str, Sequence[Visit]]) -> Plan:
    """Insert the visits that are missing into rounds that stand.

    Parameters
    ----------
    problem
        The problem.
    given
        Shift id to the visits of its round in order, each round feasible; every pinned visit
        stands in one. A shift not named is unused.
    """
    rounds = {shift.id: list(given.get(shift.id, ())) for shift in problem.shifts}
    made = {visit.id for order in rounds.values() for visit in order}
    placed = ((visit.id, shift) for shift, order in rounds.items() for visit in order)
    sites = Sites(problem, placed)
    missing = [visit for visit in problem.visits if visit.id not in made]
    for visit in sorted(missing, key=lambda visit: -visit.leave_out_cost):
        best, best_extra = None, visit.leave_out_cost
        barred = sites.barred(visit)
        for at, shift in enumerate(problem.shifts):
            if barred[at] or not _might_make(visit, shift):
                continue
            for extra, order in _insertions(problem, shift, rounds[shift.id], visit):
                if extra < best_extra and timetable(problem, shift, order) is not None:
                    best, best_extra = (shift, order), extra
        if best is not None:
            shift, order = best
            rounds[shift.id] = order
            sites.place(visit.id, shift.id)
    return _plan(problem, rounds)


def _pinned_rounds(problem: Problem) -> dict[str, list[Visit]]:
    """Return the rounds of pinned visits alone; the problem has checked that they can be kept."""
    pinned = [(visit.pinned, visit) for visit in problem.visits if visit.pinned is not None]
    rounds: dict[str, list[Visit]] = {shift.id: [] for shift in problem.shifts}
    for pin, visit in sorted(
        pinned, key=lambda pair: (pair[0].start, pair[1].minutes_in(pair[0].shift))
    ):
        rounds[pin.shift].append(visit)
    return rounds


def _might_make(visit: Visit, shift: Shift) -> bool:
    """Tell whether skills and windows allow the visit in the shift, travel aside."""
    return visit.skills <= shift.skills and any(
        first + visit.minutes_in(shift.id) <= shift.end and last >= shift.start
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
        stops += times.stops(shift, order)
        breaks += times.breaks(shift)
    return plan_of(problem, stops, breaks=breaks)
