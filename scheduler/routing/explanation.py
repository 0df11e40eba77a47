"""Why a visit was left out and what would help, and the next best place of one that is planned."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.insertion import Opening
from scheduler.routing.openings import Openings
from scheduler.routing.parts import COST_LIMIT
from scheduler.routing.plan import LeftOut, Plan
from scheduler.routing.problem import Charge, Problem, Visit
from scheduler.routing.remedies import IDS_AND_UTC, Remedy, Words, listed, with_rounds
from scheduler.routing.remedy_search import RemedySearch
from scheduler.routing.timing import timetable
from scheduler.travel import UNREACHABLE_MINUTES


class Reason(StrEnum):
    """Why a visit was left out; the first that holds, in this order."""

    WAITS_FOR_ANOTHER = "waits_for_another"
    NEEDS_TWO = "needs_two_at_once"
    NO_SKILL = "no_skill"
    NOT_SUPPLIED = "tools_or_parts_missing"
    NO_WINDOW = "no_window_in_any_shift"
    TOO_FAR = "too_far"
    SITE_TAKEN = "other_technician_at_site"
    PINNED_CONFLICT = "pinned_conflict"
    DEARER_THAN_LEAVING_OUT = "dearer_than_leaving_out"
    FULL = "full"
    SEARCH_ENDED = "search_ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Why one visit was left out.

    Attributes
    ----------
    visit
        Its id.
    reason, detail
        A code, and a sentence with the numbers.
    remedy
        A change that would get it planned, None when none was found.
    """

    visit: str
    reason: Reason
    detail: str
    remedy: Remedy | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """The next best shift for a planned visit, and what moving it there alone would add."""

    shift: str
    start: int
    extra_cost: int


def explain_left_out(
    problem: Problem,
    plan: Plan,
    words: Words = IDS_AND_UTC,
    should_stop: Callable[[], bool] = lambda: False,
) -> Plan:
    """Return the plan with reason, detail and remedy filled in for the visits left out.

    `should_stop` is asked before each of them, the dearest first; once it says yes, the others
    stay without a reason. Where thousands are left out, nobody reads them all.
    """
    found = {each.visit: each for each in diagnose(problem, plan, words, should_stop)}
    left_out = (
        LeftOut(
            visit=left.visit,
            reason=found[left.visit].reason,
            detail=found[left.visit].detail,
            would_help=_sentence(found[left.visit].remedy, problem, words),
        )
        if left.visit in found
        else left
        for left in plan.left_out
    )
    return replace(plan, left_out=tuple(left_out))


def _sentence(remedy: Remedy | None, problem: Problem, words: Words) -> str:
    return "" if remedy is None else remedy.sentence(problem, words)


def diagnose(
    problem: Problem,
    plan: Plan,
    words: Words = IDS_AND_UTC,
    should_stop: Callable[[], bool] = lambda: False,
) -> tuple[Diagnosis, ...]:
    """Find out for every visit left out why, and what would help.

    Parameters
    ----------
    problem
        The problem.
    plan
        A plan that keeps its rules.
    words
        How the sentences name shifts, visits and times.
    should_stop
        Asked before each visit, the dearest first; once it says yes, the others are passed over.
    """
    visits = {visit.id: visit for visit in problem.visits}
    if not plan.left_out:
        return ()
    standing = _Reasons(problem, plan, words)
    found: dict[str, Diagnosis] = {}
    for left in sorted(plan.left_out, key=lambda left: -visits[left.visit].leave_out_cost):
        if should_stop():
            break
        found[left.visit] = standing.diagnosis(visits[left.visit])
    return tuple(found[left.visit] for left in plan.left_out if left.visit in found)


def runner_up(problem: Problem, plan: Plan, visit_id: str) -> RunnerUp | None:
    """Find the next best shift for a planned visit, everything else staying as it is.

    Parameters
    ----------
    problem
        The problem.
    plan
        A plan that keeps its rules.
    visit_id
        A visit of the plan.

    Returns
    -------
    RunnerUp or None
        None when the visit is pinned or linked to another, or fits in no other shift.
    """
    visit_at = problem.visit_index()[visit_id]
    visit = problem.visits[visit_at]
    if visit.pinned is not None or visit_id in problem.linked_visits():
        return None
    standing = Openings(problem, plan)
    own = next(at for at, order in enumerate(standing.orders) if visit_at in order)
    if standing.calls[own]:
        return None  # the visit may be the reason for the call at the workshop
    allowed = (standing.missing_skills(visit) == 0) & standing.carries(visit)
    allowed &= ~standing.sites.barred(visit)
    allowed[own] = False
    opening = standing.gaps.cheapest(visit, allowed)
    if opening is None:
        return None
    shift = problem.shifts[opening.candidate.shift]
    without = tuple(at for at in standing.orders[own] if at != visit_at)
    saved = (
        standing.round_cost(own, standing.orders[own])
        - standing.round_cost(own, without)
        + visit.shift_costs.get(problem.shifts[own].id, 0)
    )
    order = _joined(opening, visit_at)
    times = timetable(standing.problem, shift, [standing.problem.visits[at] for at in order])
    assert times is not None
    extra_cost = opening.extra_cost - saved
    if problem.charge is Charge.WORKING_TIME:
        moved = {own: without, opening.candidate.shift: order}
        rearranged = with_rounds(standing.problem, plan, moved)
        if rearranged is None:
            return None
        extra_cost = rearranged.cost.total - plan.cost.total
    return RunnerUp(shift=shift.id, start=times.starts[opening.position], extra_cost=extra_cost)


class _Reasons(RemedySearch):
    """Finds out why visits are left out and what would help."""

    def __init__(self, problem: Problem, plan: Plan, words: Words) -> None:
        super().__init__(problem, plan)
        self._words = words

    def diagnosis(self, visit: Visit) -> Diagnosis:
        """Find the first reason that holds, and its remedy."""
        reason, detail, remedy = self._reason(visit)
        if remedy is not None and (remedy.leave_out_cost or 0) > COST_LIMIT:
            remedy = None
        return Diagnosis(visit=visit.id, reason=reason, detail=detail, remedy=remedy)

    def _reason(self, visit: Visit) -> tuple[Reason, str, Remedy | None]:
        missing = self.missing_skills(visit)
        skilled = missing == 0
        if visit.pinned is not None:
            # a plan that drops a pinned visit breaks a rule, but may still be asked about
            pin = visit.pinned
            skilled &= np.array([shift.id == pin.shift for shift in self.problem.shifts])
            visit = replace(visit, pinned=None, start_windows=((pin.start, pin.start),))
        if visit.id in self._linked:
            missing_one = self._missing_link(visit)
            if missing_one is not None:
                return missing_one
            visit = self._after_its_link(visit)
        if not skilled.any():
            return Reason.NO_SKILL, self._no_skill(visit, missing), self.taught(visit, missing)
        able, skilled = skilled, skilled & self.carries(visit)
        if not skilled.any():
            return self._not_supplied(visit, able)
        open_ = skilled & self._open(visit)
        if not open_.any():
            detail = (
                f"No start window of it (it has {len(visit.start_windows)}) lies inside a shift "
                f"with its skills (there are {skilled.sum()}) and leaves {visit.minutes} minutes "
                "there."
                if visit.start_windows
                else "It has no start window at all in these days."
            )
            remedy = self.at_any_time(visit, skilled)
            return Reason.NO_WINDOW, detail, remedy or self.longer_hours(visit, skilled)
        alone = open_ & self._shifts(self._empty, visit)
        if not alone.any():
            return Reason.TOO_FAR, self._too_far(visit, open_), self.longer_hours(visit, skilled)
        free = alone & ~self.sites.barred(visit)
        if not free.any():
            remedy = self.around_others(visit, able, skilled, missing)
            return Reason.SITE_TAKEN, self._site_taken(visit, alone), remedy
        beside_pins = free & self._shifts(self._pinned_only, visit)
        if not beside_pins.any():
            detail = (
                f"In each of the {free.sum()} shifts that could make it, pinned visits stand "
                "in the way."
            )
            return Reason.PINNED_CONFLICT, detail, self.cheapest_change(visit, free, self._unpinned)
        return self._competition(visit, beside_pins)

    def _missing_link(self, visit: Visit) -> tuple[Reason, str, None] | None:
        """Say what a linked visit waits for; None when it only waits for room."""
        made = {stop.visit for stop in self._plan.stops}
        if visit.after is not None and visit.after.visit not in made:
            before = self._words.visit(visit.after.visit)
            detail = f"It comes after {before}, which is left out as well."
            return Reason.WAITS_FOR_ANOTHER, detail, None
        halves = {each.together_with: each.id for each in self._original.visits}
        half = visit.together_with or halves.get(visit.id)
        if half is None:
            return None
        detail = (
            f"It needs two technicians at once, with {self._words.visit(half)}: no two of them "
            "have time for it in the same minute, or both of it costs more than leaving it out."
        )
        return Reason.NEEDS_TWO, detail, None

    def _after_its_link(self, visit: Visit) -> Visit:
        """Return the visit with the windows that what comes before it leaves."""
        if visit.after is None:
            return visit
        stop = next(stop for stop in self._plan.stops if stop.visit == visit.after.visit)
        before = self._original.visits[self._original.visit_index()[stop.visit]]
        since = stop.start + before.minutes_in(stop.shift) + visit.after.minutes
        windows = tuple((max(first, since), last) for first, last in visit.start_windows)
        return replace(visit, start_windows=tuple(each for each in windows if each[0] <= each[1]))

    def _not_supplied(
        self, visit: Visit, skilled: NDArray[np.bool_]
    ) -> tuple[Reason, str, Remedy | None]:
        """Nobody with the skills has along what the visit needs; who might take it along?"""
        remedy = self.supplied(visit, skilled)
        at = int(np.flatnonzero(skilled)[0])
        if remedy is not None:
            at = self.problem.shift_index()[remedy.shift]
        tools, parts = self.lacking(visit, at)
        things = [*sorted(tools), *self._words.pieces(parts)]
        detail = (
            f"None of the {skilled.sum()} shifts with its skills has along what it needs besides "
            "its own round; a call at the workshop is not possible, does not fit or costs too much."
        )
        if things:
            lacks = f" {self._words.shift(self.problem.shifts[at].id)} lacks {listed(things)}."
            detail += lacks[:1] + lacks[1:2].upper() + lacks[2:]
        return Reason.NOT_SUPPLIED, detail, remedy

    def _competition(self, visit: Visit, able: NDArray[np.bool_]) -> tuple[Reason, str, Remedy]:
        """The visit could be made; the others, or the way there, cost more than it is worth."""
        remedy = self.cheapest_change(visit, able)
        assert remedy is not None, "a shift that fits beside its pins has an opening"
        stands = self.orders[self.problem.shift_index()[remedy.shift]]
        names = [self.problem.visits[at].id for at in stands]
        given_up = [self._words.visit(name) for name in names if name not in remedy.order]
        when = self._words.clock(self.problem, remedy.shift, remedy.start)
        where = f"{self._words.shift(remedy.shift)} at {when}"
        if given_up:
            where += f" in place of {listed(given_up)}"
        price = f"adds {remedy.extra_cost} minutes of cost; leaving it out {visit.leave_out_cost}"
        if remedy.extra_cost < visit.leave_out_cost:
            detail = f"The search ended before it was tried in {where}: that {price}."
            return Reason.SEARCH_ENDED, detail, remedy
        timed = self.problem.charge is Charge.WORKING_TIME
        detail = f"{'A' if timed else 'The cheapest'} way to take it in, {where}, {price}."
        if self.gaps.cheapest(visit, able) is not None:
            return Reason.DEARER_THAN_LEAVING_OUT, detail, remedy
        full = (
            "The one shift that could make it is full. "
            if able.sum() == 1
            else f"All {able.sum()} shifts that could make it are full. "
        )
        return Reason.FULL, full + detail, remedy

    def _no_skill(self, visit: Visit, missing: NDArray[np.int64]) -> str:
        skills = listed(sorted(visit.skills))
        if not len(missing):
            return "There are no shifts at all."
        at = int(np.argmin(missing))
        shift = self.problem.shifts[at]
        closest = self._words.shift(shift.id)
        return (
            f"None of the {len(missing)} shifts offers {skills}; the closest, {closest}, lacks "
            f"{listed(sorted(visit.skills - shift.skills))}."
        )

    def _too_far(self, visit: Visit, open_: NDArray[np.bool_]) -> str:
        there_and_back = self._there(visit) + self._back(visit)
        if there_and_back[open_].min() >= UNREACHABLE_MINUTES:
            return (
                f"No way leads there and back from any of the {open_.sum()} shifts that could make "
                "it. Check its place on the map, and whether a ferry or road is missing."
            )
        return (
            f"Its windows and work fit into {open_.sum()} shifts with its skills, but not with the "
            f"travel and the break: at least {there_and_back[open_].min()} minutes there and back "
            f"for {visit.minutes} minutes of work."
        )

    def _site_taken(self, visit: Visit, able: NDArray[np.bool_]) -> str:
        there = {at for at in self.sites.others_there(visit) if self.sites.clashing(at)[able].any()}
        names = [self._words.shift(self.problem.shifts[at].id) for at in sorted(there)]
        return (
            f"Another technician is at that site in every shift it could go to ({able.sum()} in "
            f"all): {listed(names)}. Only one may work there at a time."
        )


def _joined(opening: Opening, visit_at: int) -> tuple[int, ...]:
    order = opening.candidate.order
    return (*order[: opening.position], visit_at, *order[opening.position :])
