"""Which visits could be made on which shifts, and in which of their windows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.kernel.layout import (
    CARRIED,
    FIRST_WINDOW,
    LAST_WINDOW,
    NEVER,
    OPTION_COLUMNS,
    OPTION_COST,
    OPTION_MINUTES,
    OPTION_SHIFT,
    Longs,
)
from scheduler.routing.parts import Shift, Visit
from scheduler.routing.problem import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """The pairs (visit, shift) that could be planned if the shift were otherwise empty.

    Attributes
    ----------
    first
        First option of each visit, and behind the last visit the number of options, shape
        (n_visits + 1,). The options of a visit are consecutive and sorted by shift.
    table
        Shape (n_options, OPTION_COLUMNS), see `kernel.layout`; one more column, CARRIED, unless the
        problem is plain.
    windows
        First and last minute of the start windows, visit by visit, shape (n_windows, 2).
    """

    first: Longs
    table: Longs
    windows: Longs


def options_of(problem: Problem, closed: frozenset[str] = frozenset()) -> Options:
    """Find all options of a problem, none too few and, break and journeys apart, none too many.

    Shifts that are closed are no option, except for visits pinned to them.
    """
    finder = _Finder(problem, closed)
    tables = [np.zeros((0, finder.columns), dtype=np.int64)]
    windows: list[tuple[int, int]] = []
    first = np.zeros(len(problem.visits) + 1, dtype=np.int64)
    for at, visit in enumerate(problem.visits):
        own = finder.find(visit, len(windows))
        tables.append(own)
        first[at + 1] = first[at] + len(own)
        if visit.pinned is not None:
            windows.append((visit.pinned.start, visit.pinned.start))
        else:
            windows.extend(visit.start_windows)
    return Options(
        first=first,
        table=np.concatenate(tables),
        windows=np.array(windows, dtype=np.int64).reshape(-1, 2),
    )


class _Finder:
    """Finds the options of one visit after the other; holds the shifts as arrays."""

    def __init__(self, problem: Problem, closed: frozenset[str]) -> None:
        self.columns = OPTION_COLUMNS if problem.is_plain() else OPTION_COLUMNS + 1
        self._shifts = problem.shifts
        self._index = problem.shift_index()
        self._travel = problem.travel_minutes
        self._start = np.array([shift.start for shift in problem.shifts], dtype=np.int64)
        self._end = np.array([shift.end for shift in problem.shifts], dtype=np.int64)
        self._from = np.array([shift.start_place for shift in problem.shifts], dtype=np.int64)
        self._to = np.array([shift.end_place for shift in problem.shifts], dtype=np.int64)
        others = self._travel.copy()
        np.fill_diagonal(others, NEVER)
        self._shortest_in = others.min(axis=0, initial=NEVER)
        self._shortest_out = others.min(axis=1, initial=NEVER)
        self._open = np.array([shift.id not in closed for shift in problem.shifts], dtype=np.bool_)
        self._able: dict[frozenset[str], NDArray[np.bool_]] = {}
        self._has_workshop = np.array(
            [shift.workshop is not None for shift in problem.shifts], dtype=np.bool_
        )

    def find(self, visit: Visit, window_offset: int) -> Longs:
        """Return the lines of one visit, its windows being numbered from an offset on."""
        if visit.pinned is not None:
            line = np.zeros((1, self.columns), dtype=np.int64)
            line[0, OPTION_SHIFT] = self._index[visit.pinned.shift]
            line[0, OPTION_COST] = visit.shift_costs.get(visit.pinned.shift, 0)
            line[0, [FIRST_WINDOW, LAST_WINDOW]] = window_offset
            line[0, OPTION_MINUTES] = visit.minutes_in(visit.pinned.shift)
            line[0, CARRIED:] = 1  # the problem has made sure of it
            return line
        minutes = self._minutes(visit)
        soonest, latest = self._reach(visit.place, minutes)
        windows = np.array(visit.start_windows, dtype=np.int64).reshape(-1, 2)
        first = np.searchsorted(windows[:, 1], soonest, side="left")
        last = np.searchsorted(windows[:, 0], latest, side="right") - 1
        carried = self._carried(visit)
        able = self._skilled(visit.skills) & (carried | self._has_workshop)
        shift = np.flatnonzero(able & (first <= last) & (soonest <= latest))
        table = np.zeros((shift.size, self.columns), dtype=np.int64)
        table[:, OPTION_SHIFT] = shift
        table[:, FIRST_WINDOW] = window_offset + first[shift]
        table[:, LAST_WINDOW] = window_offset + last[shift]
        table[:, OPTION_MINUTES] = minutes[shift]
        table[:, CARRIED:] = carried[shift, np.newaxis]
        if visit.shift_costs:
            costs = np.zeros(len(self._shifts), dtype=np.int64)
            for name, cost in visit.shift_costs.items():
                costs[self._index[name]] = cost
            table[:, OPTION_COST] = costs[shift]
        return table

    def _minutes(self, visit: Visit) -> Longs:
        """Return the time on site on each shift."""
        minutes = np.full(len(self._shifts), visit.minutes, dtype=np.int64)
        for name, other in visit.shift_minutes.items():
            minutes[self._index[name]] = other
        return minutes

    def _reach(self, place: int, minutes: Longs) -> tuple[Longs, Longs]:
        """Return the soonest and the latest start on each shift.

        Where a detour can be quicker than the direct way, only the last leg of it is certain.
        """
        leg_in = np.minimum(self._travel[self._from, place], self._shortest_in[place])
        leg_out = np.minimum(self._travel[place, self._to], self._shortest_out[place])
        return self._start + leg_in, self._end - minutes - leg_out

    def _carried(self, visit: Visit) -> NDArray[np.bool_]:
        """Tell for each shift whether it sets out with what the visit needs."""
        if not visit.tools and not visit.parts:
            return np.ones(len(self._shifts), dtype=np.bool_)
        return np.array([_sets_out_with(shift, visit) for shift in self._shifts], dtype=np.bool_)

    def _skilled(self, skills: frozenset[str]) -> NDArray[np.bool_]:
        if skills not in self._able:
            able = [skills <= shift.skills for shift in self._shifts]
            self._able[skills] = np.array(able, dtype=np.bool_) & self._open
        return self._able[skills]


def _sets_out_with(shift: Shift, visit: Visit) -> bool:
    return visit.tools <= shift.tools and all(
        count <= shift.parts.get(kind, 0) for kind, count in visit.parts.items()
    )
