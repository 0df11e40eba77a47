"""A plan laid out for questions: the rounds that stand, and what they could become."""

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.insertion import Candidate, Gaps, next_starts
from scheduler.routing.plan import Plan, rounds
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.remedies import with_links_held
from scheduler.routing.sites import Sites


class Openings:
    """The rounds of a plan, what could join them, and what would have to give way.

    Parameters
    ----------
    problem
        The problem.
    plan
        A plan that keeps its rules.
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self._original, self._plan = problem, plan
        self._linked = problem.linked_visits()
        self.problem = problem = with_links_held(problem, plan)
        calling = {call.shift for call in plan.calls}
        self.calls = np.array([shift.id in calling for shift in problem.shifts], dtype=np.bool_)
        visit_index = problem.visit_index()
        by_shift: dict[str, tuple[int, ...]] = {
            round_.shift: tuple(visit_index[stop.visit] for stop in round_.stops)
            for round_ in rounds(problem, plan)
        }
        self.orders = [by_shift.get(shift.id, ()) for shift in problem.shifts]
        names = sorted({skill for visit in problem.visits for skill in visit.skills})
        self._skill_column = {name: column for column, name in enumerate(names)}
        self._offers = np.array(
            [[name in shift.skills for name in names] for shift in problem.shifts], dtype=bool
        ).reshape(len(problem.shifts), len(names))
        self._starts = np.array([shift.start for shift in problem.shifts], dtype=np.int64)
        self._ends = np.array([shift.end for shift in problem.shifts], dtype=np.int64)
        self._from = np.array([shift.start_place for shift in problem.shifts], dtype=np.int64)
        self._to = np.array([shift.end_place for shift in problem.shifts], dtype=np.int64)

    @cached_property
    def sites(self) -> Sites:
        """Who is at which site as the rounds stand."""
        return Sites(self.problem, ((stop.visit, stop.shift) for stop in self._plan.stops))

    @cached_property
    def gaps(self) -> Gaps:
        """The rounds as they stand, unused shifts included."""
        return Gaps(
            self.problem,
            [Candidate(shift=at, order=order) for at, order in enumerate(self.orders)],
        )

    @cached_property
    def _empty(self) -> Gaps:
        """Every shift without any visit."""
        return Gaps(self.problem, [Candidate(shift=at, order=()) for at in range(len(self.orders))])

    @cached_property
    def _pinned_only(self) -> Gaps:
        """Every shift with its pinned visits alone."""
        return Gaps(self.problem, [self._candidate(at, self._pins(at)) for at in self._all()])

    @cached_property
    def _giving_way(self) -> Gaps:
        """Every round with one visit less, and with none but the pinned ones."""
        return Gaps(
            self.problem, [candidate for at in self._all() for candidate in self._thinned(at)]
        )

    @cached_property
    def _unpinned(self) -> Gaps:
        """The pinned visits of every shift with one less, and with none."""
        candidates = []
        for at in self._all():
            pins = self._pins(at)
            if pins:
                loose = self._liftable(at)
                candidates += [
                    self._candidate(at, tuple(kept for kept in pins if kept != one))
                    for one in loose
                ]
                linked = tuple(kept for kept in pins if kept not in loose)
                candidates.append(self._candidate(at, linked))
        return Gaps(self.problem, candidates)

    def carries(self, visit: Visit) -> NDArray[np.bool_]:
        """Tell for every shift whether it has along what the visit and its whole round need.

        A round that calls at the workshop is left alone: what it lacks without the call is another
        question.
        """
        return ~self.calls & np.array(
            [not any(self.lacking(visit, at)) for at in self._all()], dtype=np.bool_
        )

    def lacking(self, visit: Visit, shift_at: int) -> tuple[frozenset[str], dict[str, int]]:
        """Return the tools and parts a shift would have to take along besides."""
        shift = self.problem.shifts[shift_at]
        made = [self.problem.visits[at] for at in self.orders[shift_at]]
        parts = {}
        for kind, count in visit.parts.items():
            needed = count + sum(other.parts.get(kind, 0) for other in made)
            if count and needed > shift.parts.get(kind, 0):
                parts[kind] = needed - shift.parts.get(kind, 0)
        return visit.tools - shift.tools, parts

    def missing_skills(self, visit: Visit) -> NDArray[np.int64]:
        """Count for every shift the visit's skills it lacks."""
        columns = [self._skill_column[skill] for skill in visit.skills]
        missing: NDArray[np.int64] = (~self._offers[:, columns]).sum(axis=1)
        return missing

    def round_cost(self, shift_at: int, order: Sequence[int]) -> int:
        """Travel and balance of a round; an unused shift costs nothing."""
        if not order:
            return 0
        shift = self.problem.shifts[shift_at]
        stops = (self.problem.visits[at].place for at in order)
        route = [shift.start_place, *stops, shift.end_place]
        travel = sum(int(self.problem.travel_minutes[leg]) for leg in pairwise(route))
        served = sum(self.problem.visits[at].minutes_in(shift.id) for at in order)
        return travel + self.problem.balance_cost(shift, travel + served)

    def _all(self) -> range:
        return range(len(self.orders))

    def _pins(self, shift_at: int) -> tuple[int, ...]:
        visits = self.problem.visits
        return tuple(
            at
            for at in self.orders[shift_at]
            if visits[at].pinned is not None or visits[at].id in self._linked
        )

    def _liftable(self, shift_at: int) -> tuple[int, ...]:
        """The pinned visits that do not hang together with others."""
        return tuple(
            at for at in self._pins(shift_at) if self.problem.visits[at].id not in self._linked
        )

    def _thinned(self, shift_at: int) -> Iterator[Candidate]:
        """The round with each of its movable visits left out, then with all of them."""
        order, pins = self.orders[shift_at], self._pins(shift_at)
        for gone in order:
            if gone not in pins:
                yield self._candidate(shift_at, tuple(at for at in order if at != gone))
        if len(order) - len(pins) > 1:
            yield self._candidate(shift_at, pins)

    def _candidate(self, shift_at: int, order: tuple[int, ...]) -> Candidate:
        """Another round for a shift, with what it costs more than the one that stands."""
        shift, stands = self.problem.shifts[shift_at], self.orders[shift_at]
        gone = (self.problem.visits[at] for at in stands if at not in order)
        surcharge = self.round_cost(shift_at, order) - self.round_cost(shift_at, stands)
        surcharge += _cost_of_leaving(shift, gone)
        return Candidate(shift=shift_at, order=order, surcharge=surcharge)

    def _there(self, visit: Visit) -> NDArray[np.int64]:
        minutes: NDArray[np.int64] = self.problem.travel_minutes[self._from, visit.place].astype(
            np.int64
        )
        return minutes

    def _back(self, visit: Visit) -> NDArray[np.int64]:
        minutes: NDArray[np.int64] = self.problem.travel_minutes[visit.place, self._to].astype(
            np.int64
        )
        return minutes

    def _minutes(self, visit: Visit) -> NDArray[np.int64]:
        """Return the time on site for every shift."""
        return np.array(
            [visit.minutes_in(shift.id) for shift in self.problem.shifts], dtype=np.int64
        )

    def _open(self, visit: Visit) -> NDArray[np.bool_]:
        """Tell for every shift whether the work fits it, travel and break not counted."""
        starts = next_starts(visit.start_windows, self._starts)
        inside: NDArray[np.bool_] = starts + self._minutes(visit) <= self._ends
        return inside

    def _shifts(self, gaps: Gaps, visit: Visit) -> NDArray[np.bool_]:
        """Tell for every shift whether the visit fits into one of its gaps."""
        found = np.zeros(len(self.orders), dtype=bool)
        found[gaps.shift[gaps.fits(visit)]] = True
        return found


def _cost_of_leaving(shift: Shift, gone: Iterable[Visit]) -> int:
    return sum(visit.leave_out_cost - visit.shift_costs.get(shift.id, 0) for visit in gone)
