"""Which change would get a visit planned: the cheapest of each kind, beside the rounds that stand.

Every remedy lets the visit join one round, in which others may give way.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.insertion import Gaps, Opening
from scheduler.routing.openings import Openings
from scheduler.routing.problem import Charge, Problem, Visit
from scheduler.routing.remedies import Remedy, with_rounds
from scheduler.routing.sites import Sites
from scheduler.routing.timing import timetable

HOURS_TRIED = 5
"""How many shifts are tried for longer hours, those that need the least first."""

LONGER_LIMIT = 240
"""Most minutes a shift is proposed to last longer; beyond, it is no longer the same day."""


class RemedySearch(Openings):
    """Finds what would get a visit planned beside the rounds that stand."""

    def cheapest_change(
        self,
        visit: Visit,
        allowed: NDArray[np.bool_],
        *more: Gaps,
        any_time: bool = False,
    ) -> Remedy | None:
        """Take the visit in where it is cheapest, others giving way if they must."""
        allowed = allowed & ~self.sites.barred(visit)
        openings = [
            opening
            for gaps in (self.gaps, self._giving_way, *more)
            if (opening := gaps.cheapest(visit, allowed, any_time=any_time)) is not None
        ]
        if not openings:
            return None
        best = min(openings, key=lambda opening: opening.extra_cost)
        return self._as_remedy(self.problem, visit, best, any_time=any_time)

    def at_any_time(self, visit: Visit, allowed: NDArray[np.bool_]) -> Remedy | None:
        """Take the visit in at whatever time; not one that must not come before another."""
        if visit.id in self._linked:
            return None
        return self.cheapest_change(visit, allowed, any_time=True)

    def supplied(self, visit: Visit, skilled: NDArray[np.bool_]) -> Remedy | None:
        """Let one of these shifts take along what it lacks."""
        remedy = self.cheapest_change(visit, skilled & ~self.calls)
        if remedy is None:
            return None
        tools, parts = self.lacking(visit, self.problem.shift_index()[remedy.shift])
        return replace(remedy, tools=tools, parts=parts)

    def around_others(
        self,
        visit: Visit,
        able: NDArray[np.bool_],
        supplied: NDArray[np.bool_],
        missing: NDArray[np.int64],
    ) -> Remedy | None:
        """Let whoever is at the site take the visit along, or make it when nobody is there.

        `able` tells which shifts have the skills, `supplied` which of them have the rest along.
        """
        others = self.sites.others_there(visit)
        there = np.zeros(len(self.orders), dtype=np.bool_)
        there[others] = True
        remedy = (
            self.supplied(visit, able & there & ~supplied)
            or self.longer_hours(visit, supplied & there)
            or self.at_any_time(visit, supplied)
            or self.longer_hours(visit, supplied)
            or self.taught(visit, missing, there)
            or self.taught(visit, missing)
        )
        names = tuple(self.problem.shifts[at].id for at in sorted(set(others)))
        return None if remedy is None else replace(remedy, others_there=names)

    def taught(
        self,
        visit: Visit,
        missing: NDArray[np.int64],
        among: NDArray[np.bool_] | None = None,
    ) -> Remedy | None:
        """Give the fewest skills to the shift, of all or of some, where the visit is cheapest."""
        carried = self.carries(visit) if among is None else self.carries(visit) & among
        for any_time in (False, True) if visit.id not in self._linked else (False,):
            for count in np.unique(missing):
                able = carried & (missing == count)
                remedy = self.cheapest_change(visit, able, any_time=any_time)
                if remedy is not None:
                    return remedy
        return None

    def longer_hours(self, visit: Visit, skilled: NDArray[np.bool_]) -> Remedy | None:
        """Lengthen a shift just enough to make the visit."""
        there, back = self._there(visit), self._back(visit)
        pauses = [shift.pause for shift in self.problem.shifts]
        resting = np.array([pause.minutes if pause else 0 for pause in pauses], dtype=np.int64)
        options: list[tuple[int, int, int, int]] = []
        for first, last in visit.start_windows:
            start = np.clip(self._starts + there, first, last)
            new_starts = np.minimum(self._starts, start - there)
            new_ends = np.maximum(self._ends, start + self._minutes(visit) + back + resting)
            longer = (self._starts - new_starts) + (new_ends - self._ends)
            for at in np.argsort(np.where(skilled, longer, LONGER_LIMIT + 1))[:HOURS_TRIED]:
                if skilled[at] and longer[at] <= LONGER_LIMIT:
                    options.append(
                        (int(longer[at]), int(at), int(new_starts[at]), int(new_ends[at]))
                    )
        for _, at, new_start, new_end in sorted(options)[:HOURS_TRIED]:
            shifts = list(self.problem.shifts)
            shifts[at] = replace(shifts[at], start=new_start, end=new_end)
            longer_day = replace(self.problem, shifts=tuple(shifts))
            candidates = [self._candidate(at, self.orders[at]), *self._thinned(at)]
            only = np.zeros(len(shifts), dtype=bool)
            only[at] = not self._shares_a_site(longer_day, at, visit)
            opening = Gaps(longer_day, candidates).cheapest(visit, only)
            if opening is not None:
                remedy = self._as_remedy(longer_day, visit, opening, any_time=False)
                return replace(remedy, hours=(new_start, new_end))
        return None

    def _shares_a_site(self, problem: Problem, shift_at: int, visit: Visit) -> bool:
        """Tell whether a shift of a problem, with a visit more, meets somebody at a site."""
        sites = Sites(problem, ((stop.visit, stop.shift) for stop in self._plan.stops))
        made = [problem.visits[at] for at in self.orders[shift_at]]
        return any(sites.barred(each)[shift_at] for each in (*made, visit))

    def _as_remedy(
        self, problem: Problem, visit: Visit, opening: Opening, *, any_time: bool
    ) -> Remedy:
        shift = problem.shifts[opening.candidate.shift]
        joining = visit
        if any_time:
            joining = replace(visit, start_windows=((shift.start, shift.end),))
        order = [problem.visits[at] for at in opening.candidate.order]
        order.insert(opening.position, joining)
        times = timetable(problem, shift, order)
        assert times is not None, "an opening is a gap the visit fits in"
        start = times.starts[opening.position]
        kept = {other.id for other in order}
        pins = self._pins(opening.candidate.shift)
        lifted = (problem.visits[at].id for at in pins)
        extra_cost = opening.extra_cost
        if problem.charge is Charge.WORKING_TIME:
            extra_cost = self._extra_working_time(problem, visit, opening.candidate.shift, order)
        worth_it = extra_cost < visit.leave_out_cost
        return Remedy(
            visit=visit.id,
            shift=shift.id,
            start=start,
            order=tuple(other.id for other in order),
            extra_cost=extra_cost,
            skills=visit.skills - shift.skills,
            adds_window=not visit.may_start_at(start),
            lifts_pins=tuple(name for name in lifted if name not in kept),
            leave_out_cost=None if worth_it else extra_cost + 1,
        )

    def _extra_working_time(
        self, problem: Problem, visit: Visit, shift_at: int, order: Sequence[Visit]
    ) -> int:
        """Return what a round costs more in full, the leave-out cost saved not counted."""
        replaced = {other.id: other for other in order}
        changed = replace(
            problem, visits=tuple(replaced.get(other.id, other) for other in problem.visits)
        )
        index = problem.visit_index()
        moved = {shift_at: tuple(index[other.id] for other in order)}
        found = with_rounds(changed, self._plan, moved)
        assert found is not None, "an opening is a gap the visit fits in"
        return found.cost.total - self._plan.cost.total + visit.leave_out_cost
