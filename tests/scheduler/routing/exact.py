"""The optimum of a tiny problem, by trying everything.

Written to be obviously right and to share nothing with what it judges: it tries every order of
every set of visits in every shift with the break in every gap, then every way to deal the
visits out. Fit for up to about seven visits.
"""

from itertools import product
from math import ceil

from scheduler.routing.problem import Problem, Shift, Visit


def optimum(problem: Problem) -> int:
    """Return the least total cost of any plan that keeps the rules."""
    n = len(problem.visits)
    everything = (1 << n) - 1
    # best[left, there] = least cost of serving exactly the visits outside `left` so far, and which
    # of them are made at sites for one technician at a time, each with the number of its shift
    best: dict[tuple[int, tuple[tuple[int, int], ...]], int] = {(everything, ()): 0}
    for number, shift in enumerate(problem.shifts):
        rounds = cheapest_rounds(problem, shift)
        following = dict(best)
        for (left, there), cost in best.items():
            for made, round_cost in rounds.items():
                own = tuple(
                    (at, number) for at in range(n) if made >> at & 1 and _has_site(problem, at)
                )
                if made & left == made and not _meet(problem, there, own):
                    state = left & ~made, (*there, *own)
                    following[state] = min(following.get(state, 1 << 60), cost + round_cost)
        best = following
    pinned = sum(1 << at for at, visit in enumerate(problem.visits) if visit.pinned is not None)
    return min(
        cost + sum(v.leave_out_cost for at, v in enumerate(problem.visits) if left >> at & 1)
        for (left, _), cost in best.items()
        if not left & pinned
    )


def _has_site(problem: Problem, at: int) -> bool:
    return problem.visits[at].site is not None


def _meet(
    problem: Problem, there: tuple[tuple[int, int], ...], own: tuple[tuple[int, int], ...]
) -> bool:
    """Whether two technicians come to one site in shifts that overlap, pinned visits aside."""
    shifts = problem.shifts
    return any(
        problem.visits[one].site == problem.visits[two].site
        and not (problem.visits[one].pinned and problem.visits[two].pinned)
        and shifts[first].technician != shifts[second].technician
        and set(range(shifts[first].start, shifts[first].end))
        & set(range(shifts[second].start, shifts[second].end))
        for (one, first), (two, second) in product(there, own)
    )


def cheapest_rounds(problem: Problem, shift: Shift) -> dict[int, int]:
    """Return each set of visits the shift can make (as bits) with its least travel and costs."""
    able = [
        at
        for at, visit in enumerate(problem.visits)
        if visit.skills <= shift.skills and (visit.pinned is None or visit.pinned.shift == shift.id)
    ]
    found: dict[int, int] = {}

    def go_on(order: tuple[int, ...]) -> None:
        for at in able:
            if at in order:
                continue
            longer = (*order, at)
            visits = [problem.visits[index] for index in longer]
            if not any(_reaches_all(problem, shift, visits, gap) for gap in _gaps(shift, visits)):
                continue
            allowed = shift.driving_limit is None or _travel(problem, shift, visits) <= (
                shift.driving_limit
            )
            if allowed and any(
                _returns(problem, shift, visits, gap) for gap in _last_gaps(shift, visits)
            ):
                made = sum(1 << index for index in longer)
                cost = _cost(problem, shift, visits)
                found[made] = min(found.get(made, cost), cost)
            go_on(longer)

    go_on(())
    return found


def _gaps(shift: Shift, visits: list[Visit]) -> list[int | None]:
    """Where the break may stand while the round is unfinished: a gap so far, or later."""
    return [None] if shift.pause is None else [None, *range(len(visits))]


def _last_gaps(shift: Shift, visits: list[Visit]) -> list[int | None]:
    """Where the break may stand in a finished round: before any visit, or after the last."""
    return [None] if shift.pause is None else list(range(len(visits) + 1))


def _reaches_all(problem: Problem, shift: Shift, visits: list[Visit], gap: int | None) -> bool:
    return _leave_last(problem, shift, visits, gap) is not None


def _returns(problem: Problem, shift: Shift, visits: list[Visit], gap: int | None) -> bool:
    leave = _leave_last(problem, shift, visits, gap)
    if leave is None:
        return False
    home = _travelled(
        leave,
        int(problem.travel_minutes[visits[-1].place, shift.end_place]),
        shift if gap == len(visits) else None,
    )
    return home is not None and home <= shift.end


def _leave_last(problem: Problem, shift: Shift, visits: list[Visit], gap: int | None) -> int | None:
    """The earliest end of the last visit with the break in the given gap, None if impossible."""
    at, minute = shift.start_place, shift.start
    for index, visit in enumerate(visits):
        journey = int(problem.travel_minutes[at, visit.place])
        arrival = _travelled(minute, journey, shift if gap == index else None)
        if arrival is None:
            return None
        starts = [max(first, arrival) for first, last in visit.start_windows if last >= arrival]
        if visit.pinned is not None:
            starts = [visit.pinned.start] if arrival <= visit.pinned.start else []
        if not starts:
            return None
        at, minute = visit.place, min(starts) + visit.minutes_in(shift.id)
    return minute


def _travelled(leave: int, journey: int, resting: Shift | None) -> int | None:
    """Arrival after a journey; with a break, the earliest over every minute it may start."""
    if resting is None:
        return leave + journey
    assert resting.pause is not None
    pause = resting.pause
    first, last = max(leave, pause.earliest), pause.latest - pause.minutes
    arrivals = [max(leave + journey, start) + pause.minutes for start in range(first, last + 1)]
    return min(arrivals, default=None)


def _cost(problem: Problem, shift: Shift, visits: list[Visit]) -> int:
    travel = _travel(problem, shift, visits)
    worked = travel + sum(visit.minutes_in(shift.id) for visit in visits)
    apart = worked - shift.usual_minutes if worked else 0
    balance = ceil(problem.balance * apart**2 / 3600)  # small enough to be exact
    return travel + balance + sum(visit.shift_costs.get(shift.id, 0) for visit in visits)


def _travel(problem: Problem, shift: Shift, visits: list[Visit]) -> int:
    minutes, at = 0, shift.start_place
    for visit in visits:
        minutes += int(problem.travel_minutes[at, visit.place])
        at = visit.place
    return minutes + int(problem.travel_minutes[at, shift.end_place])
