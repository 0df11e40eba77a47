"""What must any plan cost at least?

Every planned visit is entered once and left once; every used shift leaves its start place once
and enters its end place once. Keeping only that, and which visits one shift could make one
after the other, leaves an assignment problem whose optimum no plan can beat. Hours, breaks, who
meets at a site and the need for one unbroken round are dropped, so the bound is weak where many
visits lie close together (a third of the cost of a good plan is usual for ten days of a crew); it
is always valid.

The charge for balance grows with the square of a round's minutes. A tangent lies below such a curve
everywhere, and a straight line can be shared out among the legs and visits of the round.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.round_labels import NEVER

Minutes = NDArray[np.int64]

FORBIDDEN = 1 << 50
"""Cost of an impossible leg: dearer than any plan, and sums of a few stay exact in floats."""


_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reach:
    """When one shift could start each visit at best, everything else aside, shape (n_visits,).

    Attributes
    ----------
    visits
        Indices of the visits it could make at all.
    earliest, latest
        Minutes between which each of them must start.
    earliest_first
        The same as the first visit of the round.
    """

    visits: Minutes
    earliest: Minutes
    latest: Minutes
    earliest_first: Minutes


LARGEST = 4_000
"""Most visits and shifts together for which a bound is worth its time: some ten seconds."""


def affordable_bound(problem: Problem) -> int | None:
    """Return the lower bound of a problem that is not too large for it, else None."""
    if len(problem.visits) + len(problem.shifts) > LARGEST:
        return None
    return lower_bound(problem)


def could_save(cost: int, bound: int) -> float:
    """Return the largest share of a plan's cost that a better plan could save, from 0 to 1."""
    return (cost - bound) / cost if cost else 0.0


def lower_bound(problem: Problem) -> int:
    """Return a total cost that no plan of the problem goes below.

    Parameters
    ----------
    problem
        The problem. A few thousand visits take some ten seconds and some hundred megabytes.
    """
    shifts = problem.shifts
    least = _least(problem, [_Line(slope=0.0, free=0.0)] * len(shifts))
    if problem.balance and shifts:
        served = sum(
            min([visit.minutes, *visit.shift_minutes.values()]) for visit in problem.visits
        )
        typical = (served + least) / len(shifts)
        least = max(least, _least(problem, [_tangent(problem, s, typical) for s in shifts]))
    return least


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A charge of `slope` for each working minute but the first ones, worth `free` in all."""

    slope: float
    free: float


def _tangent(problem: Problem, shift: Shift, minutes: float) -> _Line:
    """Return the line that touches the shift's charge for balance at some minutes."""
    beyond = max(minutes - shift.usual_minutes, 0.0)
    slope = 2 * problem.balance * beyond / 3600
    return _Line(slope=slope, free=slope * (shift.usual_minutes + beyond / 2))


def _least(problem: Problem, lines: Sequence[_Line]) -> int:
    """Return the optimum of the assignment, each shift's balance being charged by its line."""
    n_visits, n_shifts = len(problem.visits), len(problem.shifts)
    size = n_visits + n_shifts
    # Row: what is left (a visit, or a shift's start). Column: what is entered next (a visit, or
    # a shift's end). A visit followed by itself is left out; a start by its own end, unused.
    costs = np.full((size, size), FORBIDDEN, dtype=np.float64)
    for at, visit in enumerate(problem.visits):
        if visit.pinned is None:
            costs[at, at] = visit.leave_out_cost
    ends = range(n_visits, size)
    costs[ends, ends] = [line.free for line in lines]  # an unused shift is charged nothing
    places = np.array([visit.place for visit in problem.visits], dtype=np.int64)
    travel = problem.travel_minutes.astype(np.int64)
    nearest = _ShortestTravel(travel)
    for at, shift in enumerate(problem.shifts):
        reach = _reach(problem, shift, nearest)
        able = reach.visits
        minutes = np.array(
            [problem.visits[index].minutes_in(shift.id) for index in able], dtype=np.int64
        )
        entering = lines[at].slope * minutes + np.array(
            [problem.visits[index].shift_costs.get(shift.id, 0) for index in able], dtype=np.int64
        )
        per_minute = 1 + lines[at].slope
        leave = reach.earliest + minutes
        legs = travel[np.ix_(places[able], places[able])]
        possible = leave[:, None] + legs <= reach.latest[None, :]
        np.fill_diagonal(possible, False)
        block = np.ix_(able, able)
        costs[block] = np.where(
            possible, np.minimum(costs[block], per_minute * legs + entering[None, :]), costs[block]
        )
        first = reach.earliest_first <= reach.latest
        outward = per_minute * travel[shift.start_place, places[able]] + entering
        costs[n_visits + at, able[first]] = outward[first]
        home = travel[places[able], shift.end_place]
        last = leave + home <= shift.end
        costs[able[last], n_visits + at] = per_minute * home[last]
    rows, columns = linear_sum_assignment(costs)
    found = float(costs[rows, columns].sum()) - sum(line.free for line in lines)
    return ceil(found - _ROUNDING)  # every plan costs a whole number of minutes


class _ShortestTravel:
    """Least travel from or to a place over any detour: the matrix may have shortcuts."""

    def __init__(self, travel: Minutes) -> None:
        self._travel = travel
        self._into = np.ascontiguousarray(travel.T)
        self._known: dict[tuple[int, bool], Minutes] = {}

    def from_place(self, place: int) -> Minutes:
        """Minutes from the place to every other, shape (n_places,)."""
        return self._least(place, onward=True)

    def to_place(self, place: int) -> Minutes:
        """Minutes from every place to this one, shape (n_places,)."""
        return self._least(place, onward=False)

    def _least(self, place: int, *, onward: bool) -> Minutes:
        found = self._known.get((place, onward))
        if found is None:
            legs = self._travel if onward else self._into
            found, before = legs[place].copy(), None
            while before is None or (found < before).any():
                before = found
                found = np.minimum(before, (before[:, None] + legs).min(axis=0))
            self._known[place, onward] = found
        return found


def _reach(problem: Problem, shift: Shift, nearest: _ShortestTravel) -> _Reach:
    there = nearest.from_place(shift.start_place)
    back = nearest.to_place(shift.end_place)
    found: list[tuple[int, int, int, int]] = []
    for at, visit in enumerate(problem.visits):
        if not visit.skills <= shift.skills:
            continue
        windows = _windows_in(visit, shift)
        if not windows:
            continue
        direct = int(problem.travel_minutes[shift.start_place, visit.place])
        earliest = _first_start(windows, shift.start + int(there[visit.place]))
        on_site = visit.minutes_in(shift.id)
        latest = _last_start(windows, shift.end - int(back[visit.place]) - on_site)
        if earliest <= latest:
            found.append((at, earliest, latest, _first_start(windows, shift.start + direct)))
    columns = np.array(found, dtype=np.int64).reshape(-1, 4).T
    return _Reach(
        visits=columns[0],
        earliest=columns[1],
        latest=columns[2],
        earliest_first=columns[3],
    )


def _windows_in(visit: Visit, shift: Shift) -> list[tuple[int, int]]:
    """The visit's windows that touch the shift; a pinned one's only minute."""
    if visit.pinned is not None:
        start = visit.pinned.start
        return [(start, start)] if visit.pinned.shift == shift.id else []
    return [
        (first, last)
        for first, last in visit.start_windows
        if first <= shift.end and last >= shift.start
    ]


def _first_start(windows: list[tuple[int, int]], minute: int) -> int:
    return min((max(first, minute) for first, last in windows if last >= minute), default=NEVER)


def _last_start(windows: list[tuple[int, int]], minute: int) -> int:
    return max((min(last, minute) for first, last in windows if first <= minute), default=-NEVER)
