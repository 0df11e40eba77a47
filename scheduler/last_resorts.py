"""How could a visit still be made by its deadline, when no gap of the calendar takes it?

None of this is offered to clients: each way costs somebody something, so a dispatcher decides.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.insertion import Candidate, Gaps, Opening
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.sites import Sites

_OVERTIME_STEP_MINUTES = 15
_TRIED_IN_FULL = 12
"""How many visits that could give way are looked at closely: where they would go instead."""


class LastResortKind(StrEnum):
    """What somebody would have to put up with, from the least on."""

    FROM_FURTHER_AWAY = "from_further_away"
    OVERTIME = "overtime"
    MOVE_ANOTHER = "move_another"


@dataclass(frozen=True, slots=True, kw_only=True)
class LastResort:
    """A way to keep a deadline that a dispatcher may choose.

    Attributes
    ----------
    kind
        What has to be put up with.
    shift, position, start
        Where the visit would stand, as in an offer.
    extra_cost
        In minutes of travel equivalent; the cost of moving another visit included.
    overtime_minutes
        By how much the shift would have to be longer.
    gives_way
        The visit that would have to move, None where none has to.
    because
        The same in a sentence.
    """

    kind: LastResortKind
    shift: str
    position: int
    start: int
    extra_cost: int
    overtime_minutes: int = 0
    gives_way: str | None = None
    because: str


def last_resorts(
    problem: Problem,
    rounds: Sequence[Candidate],
    visit: Visit,
    able: NDArray[np.bool_],
    *,
    not_before: int,
    deadline: int,
    may_give_way: Mapping[str, Visit],
    overtime_minutes: int,
    fetching: Collection[str] = (),
) -> tuple[LastResort, ...]:
    """Return the least bad way of each kind, the cheapest first.

    The kinds are tried in the order of `LastResortKind`; one that is no cheaper than a kind before
    it asks for more and gives nothing, so it is left away.

    Parameters
    ----------
    problem
        What is published.
    rounds
        The round of each shift.
    visit
        What has to be placed.
    able
        Shape (n_shifts,): the shifts that might make it, time aside.
    not_before, deadline
        The minutes between which it has to start.
    may_give_way
        Visits nobody was promised, as they might be planned anew.
    overtime_minutes
        The most a shift may be made longer.
    fetching
        Ids of the shifts on which what it needs is fetched at the workshop, as of a question.
    """
    hurried = replace(
        visit,
        start_windows=tuple(
            (max(first, not_before), min(last, deadline))
            for first, last in visit.start_windows
            if max(first, not_before) <= min(last, deadline)
        ),
        pinned=None,
    )
    in_time = np.array([shift.start <= deadline for shift in problem.shifts], dtype=np.bool_)
    emergency = _Emergency(problem, rounds, hurried, able & in_time, fetching)
    ways: list[LastResort] = []
    for way in (
        emergency.from_further_away(),
        emergency.with_overtime(overtime_minutes),
        emergency.instead_of_another(may_give_way),
    ):
        if way is not None and all(way.extra_cost < other.extra_cost for other in ways):
            ways.append(way)
    return tuple(reversed(ways))


class _Emergency:
    def __init__(
        self,
        problem: Problem,
        rounds: Sequence[Candidate],
        visit: Visit,
        able: NDArray[np.bool_],
        fetching: Collection[str],
    ) -> None:
        self._problem, self._rounds, self._visit = problem, rounds, visit
        self._fetching = fetching
        self._able = np.flatnonzero(able).tolist()
        placed = [
            (problem.visits[index].id, problem.shifts[round_.shift].id)
            for round_ in rounds
            for index in round_.order
        ]
        self._sites = Sites(problem, placed)

    def from_further_away(self) -> LastResort | None:
        """Somebody has a gap, but so far away that it was not offered."""
        found = _cheapest(self._standing(self._problem), self._visit)
        if found is None:
            return None
        opening, start = found
        return self._way(
            LastResortKind.FROM_FURTHER_AWAY,
            opening,
            start,
            because=f"somebody comes from further away: {opening.extra_cost} minutes more",
        )

    def with_overtime(self, most_minutes: int) -> LastResort | None:
        """Somebody works longer, as little longer as will do."""
        for minutes in range(_OVERTIME_STEP_MINUTES, most_minutes + 1, _OVERTIME_STEP_MINUTES):
            shifts = list(self._problem.shifts)
            alone = np.zeros(len(shifts), dtype=np.bool_)
            for at in self._able:
                shifts[at] = replace(shifts[at], end=shifts[at].end + minutes)
                alone[at] = not self._meets_somebody(at, shifts[at])
            longer = replace(self._problem, shifts=tuple(shifts))
            found = _cheapest(self._standing(longer), self._visit, alone)
            if found is not None:
                opening, start = found
                return self._way(
                    LastResortKind.OVERTIME,
                    opening,
                    start,
                    overtime_minutes=minutes,
                    because=f"somebody works up to {minutes} minutes longer",
                )
        return None

    def _meets_somebody(self, shift_at: int, longer: Shift) -> bool:
        """Whether a shift made longer overlaps another technician's at a site of both."""
        made = [self._problem.visits[index] for index in self._rounds[shift_at].order]
        others = (
            self._problem.shifts[other]
            for visit in (*made, self._visit)
            for other in self._sites.others_there(visit)
        )
        return any(
            other.technician != longer.technician
            and other.start < longer.end
            and longer.start < other.end
            for other in others
        )

    def instead_of_another(self, may_give_way: Mapping[str, Visit]) -> LastResort | None:
        """A visit nobody was promised makes room and is made on another shift, or not at all."""
        thinned = [
            (_without(round_, stop), visit.id)
            for at in self._able
            for round_ in (self._rounds[at],)
            for stop, visit in enumerate(self._problem.visits[index] for index in round_.order)
            if visit.id in may_give_way and stop != round_.call_before
        ]
        if not thinned:
            return None
        candidates = [candidate for candidate, _ in thinned]
        gaps = Gaps(self._problem, candidates, fetching=self._fetching)
        everywhere = Gaps(self._problem, self._rounds)
        ranges = gaps.start_ranges(self._visit)
        extra = gaps.extra_costs(self._visit)[ranges.gap]
        best: LastResort | None = None
        tried: set[int] = set()
        for at in np.argsort(extra, kind="stable").tolist():
            gap = int(ranges.gap[at])
            row = int(gaps.labels.row[gap])
            if row in tried:
                continue
            tried.add(row)
            if len(tried) > _TRIED_IN_FULL:
                break
            moved = may_give_way[thinned[row][1]]
            cost, where = self._moving(everywhere, moved, thinned[row][0])
            opening = gaps.opening(gap, int(extra[at]) + cost)
            if best is None or opening.extra_cost < best.extra_cost:
                best = self._way(
                    LastResortKind.MOVE_ANOTHER,
                    opening,
                    int(ranges.soonest[at]),
                    gives_way=moved.id,
                    because=f"another visit, promised to nobody, makes room and {where}",
                )
        return best

    def _moving(self, everywhere: Gaps, moved: Visit, left: Candidate) -> tuple[int, str]:
        """Return what it costs to make the moved visit elsewhere, less the travel it saves."""
        problem = self._problem
        saved = self._round_cost(self._rounds[left.shift]) - self._round_cost(left)
        saved += moved.shift_costs.get(problem.shifts[left.shift].id, 0)
        allowed = np.array([moved.skills <= shift.skills for shift in problem.shifts])
        allowed &= ~self._sites.barred(moved)
        if moved.site is not None and moved.site == self._visit.site:
            allowed &= ~self._sites.clashing(left.shift)
        allowed[left.shift] = False
        elsewhere = _cheapest(everywhere, moved, allowed)
        if elsewhere is None:
            return moved.leave_out_cost - saved, "has to wait for the next plan"
        return elsewhere[0].extra_cost - saved, "is made on another round"

    def _round_cost(self, round_: Candidate) -> int:
        if not round_.order:
            return 0
        problem, shift = self._problem, self._problem.shifts[round_.shift]
        made = [problem.visits[index] for index in round_.order]
        route = [shift.start_place, *(visit.place for visit in made), shift.end_place]
        travel = sum(
            problem.journey_minutes(shift, *leg, over_workshop=at == round_.call_before)
            for at, leg in enumerate(pairwise(route))
        )
        served = sum(visit.minutes_in(shift.id) for visit in made)
        return travel + problem.balance_cost(shift, travel + served)

    def _standing(self, problem: Problem) -> Gaps:
        rounds = [self._rounds[at] for at in self._able]
        return Gaps(problem, rounds, fetching=self._fetching)

    def _way(
        self,
        kind: LastResortKind,
        opening: Opening,
        start: int,
        *,
        because: str,
        overtime_minutes: int = 0,
        gives_way: str | None = None,
    ) -> LastResort:
        return LastResort(
            kind=kind,
            shift=self._problem.shifts[opening.candidate.shift].id,
            position=opening.position,
            start=start,
            extra_cost=opening.extra_cost,
            overtime_minutes=overtime_minutes,
            gives_way=gives_way,
            because=because,
        )


def _without(round_: Candidate, stop: int) -> Candidate:
    """Return a round with a stop left out that it does not reach over the workshop."""
    call = round_.call_before
    return replace(
        round_,
        order=round_.order[:stop] + round_.order[stop + 1 :],
        call_before=call - 1 if call is not None and stop < call else call,
    )


def _cheapest(
    gaps: Gaps, visit: Visit, allowed: NDArray[np.bool_] | None = None
) -> tuple[Opening, int] | None:
    """Return the cheapest gap, of allowed shifts when given, and the earliest start in it."""
    ranges = gaps.start_ranges(visit)
    fitting = np.arange(ranges.gap.size)
    if allowed is not None:
        fitting = np.flatnonzero(allowed[gaps.shift[ranges.gap]])
    if not fitting.size:
        return None
    gap, soonest = ranges.gap[fitting], ranges.soonest[fitting]
    extra = gaps.extra_costs(visit)[gap]
    at = int(np.lexsort((soonest, extra))[0])
    return gaps.opening(int(gap[at]), int(extra[at])), int(soonest[at])
