"""What must any plan cost at least?

Every planned visit is entered once and left once; every used shift leaves its start place once
and enters its end place once. Keeping only that, and which visits one shift could make one
after the other, leaves an assignment problem whose optimum no plan can beat. Hours, breaks and
the need for one unbroken round are dropped, so the bound is weak where many visits lie close
together (a third of the cost of a good plan is usual for ten days of a crew); it is always valid.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.round_labels import NEVER

Minutes = NDArray[np.int64]

FORBIDDEN = 1 << 50
"""Cost of an impossible leg: dearer than any plan, and sums of a few stay exact in floats."""


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


def lower_bound(problem: Problem) -> int:
    """Return a total cost that no plan of the problem goes below.

    Parameters
    ----------
    problem
        The problem. A few thousand visits take some ten seconds and some hundred megabytes.
    """
    n_visits, n_shifts = len(problem.visits), len(problem.shifts)
    size = n_visits + n_shifts
    # Row: what is left (a visit, or a shift's start). Column: what is entered next (a visit, or
    # a shift's end). A visit followed by itself is left out; a start by its own end, unused.
    costs = np.full((size, size), FORBIDDEN, dtype=np.float64)
    for at, visit in enumerate(problem.visits):
        if visit.pinned is None:
            costs[at, at] = visit.leave_out_cost
    ends = range(n_visits, size)
    costs[ends, ends] = 0
    places = np.array([visit.place for visit in problem.visits], dtype=np.int64)
    minutes = np.array([visit.minutes for visit in problem.visits], dtype=np.int64)
    travel = problem.travel_minutes.astype(np.int64)
    nearest = _ShortestTravel(travel)
    for at, shift in enumerate(problem.shifts):
        reach = _reach(problem, shift, nearest)
        able = reach.visits
        entering = np.array(
            [problem.visits[index].shift_costs.get(shift.id, 0) for index in able], dtype=np.int64
        )
        leave = reach.earliest + minutes[able]
        legs = travel[np.ix_(places[able], places[able])]
        possible = leave[:, None] + legs <= reach.latest[None, :]
        np.fill_diagonal(possible, False)
        block = np.ix_(able, able)
        costs[block] = np.where(
            possible, np.minimum(costs[block], legs + entering[None, :]), costs[block]
        )
        first = reach.earliest_first <= reach.latest
        costs[n_visits + at, able[first]] = (travel[shift.start_place, places[able]] + entering)[
            first
        ]
        home = travel[places[able], shift.end_place]
        last = leave + home <= shift.end
        costs[able[last], n_visits + at] = home[last]
    rows, columns = linear_sum_assignment(costs)
    return int(costs[rows, columns].sum())


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
        latest = _last_start(windows, shift.end - int(back[visit.place]) - visit.minutes)
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
