"""What would it cost to add one visit to rounds that stand?

Every gap of every round is tried at once. A gap knows the earliest one can be free before it
and the latest one may arrive after it, each with the break already taken and with the break
still to come, so that one visit is tested against all gaps with a few array operations.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.problem import Problem, Shift, Visit

Minutes = NDArray[np.int64]

NEVER = 1 << 40
"""Stands for "no minute will do": later than any minute a problem can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A round that a visit might join.

    Attributes
    ----------
    shift
        Index of its shift.
    order
        Indices of its visits in order; may be empty.
    surcharge
        What it costs to have this round instead of the one that stands, before the visit joins.
    """

    shift: int
    order: tuple[int, ...]
    surcharge: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Where a visit could stand.

    Attributes
    ----------
    candidate
        The round it joins.
    position
        How many visits of the round come before it.
    extra_cost
        Added travel and shift cost, with the candidate's surcharge.
    """

    candidate: Candidate
    position: int
    extra_cost: int


class Gaps:
    """The gaps of many rounds as flat arrays, one entry for each place a visit could take.

    Parameters
    ----------
    problem
        The problem.
    candidates
        The rounds to try. Each must be feasible as it stands; one that is not takes no visit.
    """

    def __init__(self, problem: Problem, candidates: Sequence[Candidate]) -> None:
        self._problem = problem
        self.candidates = tuple(candidates)
        counts = [len(candidate.order) + 1 for candidate in self.candidates]
        self.row = np.repeat(np.arange(len(counts)), counts)
        self.shift = np.array([c.shift for c in self.candidates], dtype=np.int64)[self.row]
        surcharges = [c.surcharge for c in self.candidates]
        self._surcharge = np.array(surcharges, dtype=np.int64)[self.row]
        self._first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        total = int(self._first[-1])
        self._before = np.zeros(total, dtype=np.int64)
        self._after = np.zeros(total, dtype=np.int64)
        self._travel = np.zeros(total, dtype=np.int64)
        self._fresh = np.full(total, NEVER)
        self._rested = np.full(total, NEVER)
        self._due_fresh = np.full(total, -NEVER)
        self._due_rested = np.full(total, -NEVER)
        pauses = [shift.pause for shift in problem.shifts]
        none = (0, 0, -NEVER)
        pause_table = np.array(
            [(p.minutes, p.earliest, p.latest) if p else none for p in pauses], dtype=np.int64
        ).reshape(len(pauses), 3)
        self._pause_minutes, self._pause_earliest, self._pause_latest = pause_table[self.shift].T
        for candidate, offset in zip(self.candidates, self._first, strict=False):
            self._label(candidate, int(offset))

    def cheapest(
        self, visit: Visit, allowed: NDArray[np.bool_], *, any_time: bool = False
    ) -> Opening | None:
        """Return the cheapest gap the visit fits in, None when there is none.

        Parameters
        ----------
        visit
            The visit to add; a pin is not heeded.
        allowed
            Shape (n_shifts,): the shifts to try. Skills are the caller's business.
        any_time
            Pass over the visit's windows.
        """
        fitting = allowed[self.shift] & self.fits(visit, any_time=any_time)
        if not fitting.any():
            return None
        extra = np.where(fitting, self._extra(visit), NEVER)
        at = int(np.argmin(extra))
        row = int(self.row[at])
        return Opening(
            candidate=self.candidates[row],
            position=at - int(self._first[row]),
            extra_cost=int(extra[at]),
        )

    def _extra(self, visit: Visit) -> Minutes:
        travel = self._problem.travel_minutes
        shift_costs = np.array(
            [visit.shift_costs.get(shift.id, 0) for shift in self._problem.shifts],
            dtype=np.int64,
        )
        detour = travel[self._before, visit.place].astype(np.int64)
        detour += travel[visit.place, self._after]
        extra: Minutes = detour - self._travel + self._surcharge + shift_costs[self.shift]
        return extra

    def fits(self, visit: Visit, *, any_time: bool = False) -> NDArray[np.bool_]:
        """Tell for every gap whether the visit can be made there and the rest still kept.

        Returns
        -------
        ndarray of bool
            Shape (n_gaps,), in the order of `shift`.
        """
        travel = self._problem.travel_minutes
        there = travel[self._before, visit.place].astype(np.int64)
        back = travel[visit.place, self._after].astype(np.int64)

        def leave(arrival: Minutes) -> Minutes:
            start = arrival if any_time else next_starts(visit.start_windows, arrival)
            return np.minimum(start + visit.minutes, NEVER)

        rested = leave(np.minimum(self._rested + there, self._after_break(self._fresh, there)))
        fresh = leave(self._fresh + there)
        arrival_rested = np.minimum(rested + back, self._after_break(fresh, back))
        fitting: NDArray[np.bool_] = (arrival_rested <= self._due_rested) | (
            fresh + back <= self._due_fresh
        )
        return fitting

    def _after_break(self, free: Minutes, journey: Minutes) -> Minutes:
        """Return when a journey with the break on it ends, NEVER where the break has no room."""
        begin = np.maximum(free, self._pause_earliest)
        ready = np.maximum(free + journey, self._pause_earliest) + self._pause_minutes
        return np.where(begin + self._pause_minutes <= self._pause_latest, ready, NEVER)

    def _label(self, candidate: Candidate, offset: int) -> None:
        """Fill in one round's gaps: earliest times forward, latest arrivals backward."""
        problem = self._problem
        shift = problem.shifts[candidate.shift]
        visits = [problem.visits[index] for index in candidate.order]
        route = [shift.start_place, *(visit.place for visit in visits), shift.end_place]
        legs = [
            int(problem.travel_minutes[route[at], route[at + 1]]) for at in range(len(route) - 1)
        ]
        fresh, rested = earliest_times(shift, visits, legs)
        due_fresh, due_rested = latest_arrivals(shift, visits, legs)
        gaps = slice(offset, offset + len(legs))
        self._before[gaps] = route[:-1]
        self._after[gaps] = route[1:]
        # an unused shift costs nothing, so its first visit saves no journey home
        self._travel[gaps] = legs if visits else [0]
        self._fresh[gaps], self._rested[gaps] = fresh, rested
        self._due_fresh[gaps], self._due_rested[gaps] = due_fresh, due_rested


def earliest_times(
    shift: Shift, visits: Sequence[Visit], legs: Sequence[int]
) -> tuple[list[int], list[int]]:
    """Return when one is first free before each gap: break still to come, break taken."""
    pause = shift.pause
    fresh, rested = (shift.start, NEVER) if pause else (NEVER, shift.start)
    all_fresh, all_rested = [fresh], [rested]
    for visit, leg in zip(visits, legs, strict=False):
        arrival = rested + leg
        if pause and max(fresh, pause.earliest) + pause.minutes <= pause.latest:
            arrival = min(arrival, max(fresh + leg, pause.earliest) + pause.minutes)
        rested = min(_next_start(visit, arrival) + visit.minutes, NEVER)
        fresh = min(_next_start(visit, fresh + leg) + visit.minutes, NEVER)
        all_fresh.append(fresh)
        all_rested.append(rested)
    return all_fresh, all_rested


def latest_arrivals(
    shift: Shift, visits: Sequence[Visit], legs: Sequence[int]
) -> tuple[list[int], list[int]]:
    """Return when one must arrive after each gap: break still to come, break taken."""
    pause = shift.pause
    fresh, rested = -NEVER, shift.end
    all_fresh, all_rested = [fresh], [rested]
    for visit, leg in zip(reversed(visits), reversed(legs), strict=False):
        leave_fresh = fresh - leg
        if pause and pause.earliest + pause.minutes <= rested:
            on_leg = min(rested - pause.minutes - leg, pause.latest - pause.minutes)
            leave_fresh = max(leave_fresh, on_leg)
        fresh = _last_start(visit, leave_fresh - visit.minutes)
        rested = _last_start(visit, rested - leg - visit.minutes)
        all_fresh.append(fresh)
        all_rested.append(rested)
    return all_fresh[::-1], all_rested[::-1]


def next_starts(windows: Sequence[tuple[int, int]], minutes: Minutes) -> Minutes:
    """Return the first allowed start at or after each minute, NEVER where there is none."""
    firsts = np.array([first for first, _ in windows] + [NEVER], dtype=np.int64)
    lasts = np.array([last for _, last in windows], dtype=np.int64)
    return np.maximum(minutes, firsts[np.searchsorted(lasts, minutes)])


def _next_start(visit: Visit, minute: int) -> int:
    if visit.pinned is not None:
        return visit.pinned.start if minute <= visit.pinned.start else NEVER
    for first, last in visit.start_windows:
        if minute <= last:
            return max(first, minute)
    return NEVER


def _last_start(visit: Visit, minute: int) -> int:
    if visit.pinned is not None:
        return visit.pinned.start if minute >= visit.pinned.start else -NEVER
    for first, last in reversed(visit.start_windows):
        if minute >= first:
            return min(last, minute)
    return -NEVER
