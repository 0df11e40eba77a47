"""Which times can be offered for one visit, beside everything that is in the calendar already?

Every gap of every round is looked at, each in constant time (`scheduler.routing.insertion`). The
times of visits with a pin stand; the others may give way within their windows, in their order.
What is offered can be kept: with the visit started at the offered minute, every rule of the
problem still holds.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidParams
from scheduler.last_resorts import LastResort, last_resorts
from scheduler.routing.insertion import Candidate, Gaps
from scheduler.routing.plan import Plan, Stop
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.round_labels import Minutes
from scheduler.routing.sites import Sites


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferPolicy:
    """What a company offers.

    Attributes
    ----------
    window_minutes
        Width of the window in which the technician arrives, >= 1; the client plans with it.
    step_minutes
        Arrival windows begin at multiples of it counted from minute zero, or when a site lets
        people in; >= 1 and no longer than a window.
    notice_minutes
        Nothing is offered sooner than this from now, >= 0: the technician has to learn of it.
    count
        Offers made at most, >= 1.
    per_day
        Offers made at most for one day, >= 1, so that they spread over the days.
    later_day_minutes
        What each day of waiting counts beside the extra cost, in minutes of travel equivalent,
        >= 0. The order of offers is by the sum.
    near_minutes
        A detour up to this long is worth a discount: somebody is near anyway, >= 0.
    dearest_minutes
        Detour above which a time is not offered to clients, >= 0: a dispatcher may still want to
        send somebody from further away.
    overtime_minutes
        The most overtime suggested to a dispatcher when nothing else keeps the deadline, >= 0.
    """

    window_minutes: int = 120
    step_minutes: int = 30
    notice_minutes: int = 60
    count: int = 6
    per_day: int = 2
    later_day_minutes: int = 10
    near_minutes: int = 10
    dearest_minutes: int = 120
    overtime_minutes: int = 90

    def __post_init__(self) -> None:
        for name in ("window_minutes", "step_minutes", "count", "per_day"):
            self._require(name, 1)
        for name in (
            "notice_minutes",
            "later_day_minutes",
            "near_minutes",
            "dearest_minutes",
            "overtime_minutes",
        ):
            self._require(name, 0)

        if self.step_minutes > self.window_minutes:
            rule = f"must be <= window_minutes {self.window_minutes}, got {self.step_minutes}"
            raise InvalidParams("step_minutes", rule)

    def _require(self, name: str, least: int) -> None:
        value = getattr(self, name)
        if value < least:
            raise InvalidParams(name, f"must be >= {least}, got {value}")


class RankReason(StrEnum):
    """Why an offer stands where it does."""

    NEAR_ANYWAY = "near_anyway"
    SOONEST = "soonest"
    CHEAPEST = "cheapest"
    ANOTHER_TIME = "another_time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A time that can be kept. Minutes count from the problem's minute zero.

    Attributes
    ----------
    shift, position
        The round it joins, and how many of its visits come before.
    start
        When the work would start as things stand.
    arrive_from, arrive_until
        The window to tell the client: the technician arrives within it.
    extra_cost
        Added travel and shift cost, in minutes of travel equivalent.
    travel_minutes
        The drive to the visit.
    slack_minutes
        How much later than `start` the work could start without leaving the window or moving
        anything else.
    reason, because
        Why it stands where it does: a code, and a sentence with the numbers.
    near_anyway
        Somebody passes so close that a discount is worth offering.
    keeps_deadline
        Whether the technician is there by the deadline, True where there is none.
    """

    shift: str
    position: int
    start: int
    arrive_from: int
    arrive_until: int
    extra_cost: int
    travel_minutes: int
    slack_minutes: int
    reason: RankReason
    because: str
    near_anyway: bool
    keeps_deadline: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferSheet:
    """The answer to the question when somebody can come.

    Attributes
    ----------
    offers
        In the order they should be shown. They keep the deadline, or all of them miss it.
    last_resorts
        For the dispatcher, when nothing keeps the deadline: the least bad ways to keep it.
    """

    offers: tuple[Offer, ...]
    last_resorts: tuple[LastResort, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """When can somebody come, and within which limits?

    Attributes
    ----------
    problem, plan
        What is published: visits with their stops. Visits that may not change their times are
        pinned, or have a single minute as their window.
    visit
        What has to be placed; need not be one of the problem's. Its windows do not heed the
        deadline.
    now
        The present minute.
    deadline
        The last minute of arrival that keeps a promise made, None without.
    shift_days
        Local day of each shift.
    may_give_way
        Visits in the plan that nobody was promised, by id, as they might be planned anew. Only
        looked at for a last resort.
    supplies
        Where the parts come from on each shift, in a few words; a shift without is not asked when
        others have them. Empty when nothing is known or needed.
    lacking
        What the van of a shift has not to spare for the visit, part type to pieces; without the
        shift when it has all, or nobody knows.
    from_workshop
        What of it the workshop has, for the shifts that may come by it.
    fetching
        Ids of the shifts on which it is fetched at the workshop: on the call of the round or,
        where it has none, on one for which time is kept.
    technicians
        Whose shifts are asked, None for everybody's. What others have in the plan still counts:
        nobody comes to a site in a shift that overlaps one in which another is there.
    """

    problem: Problem
    plan: Plan
    visit: Visit
    now: int
    deadline: int | None = None
    shift_days: Mapping[str, date]
    may_give_way: Mapping[str, Visit] = field(default_factory=dict)
    supplies: Mapping[str, str] = field(default_factory=dict)
    lacking: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    from_workshop: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    fetching: frozenset[str] = frozenset()
    technicians: frozenset[str] | None = None

    def able(self) -> NDArray[np.bool_]:
        """Return which shifts might make the visit, time aside; shape (n_shifts,).

        They have the skills and the parts, and nobody else is at the site meanwhile.
        """
        able = np.array(
            [
                self.visit.skills <= shift.skills
                and (not self.supplies or shift.id in self.supplies)
                and self.asks(shift)
                for shift in self.problem.shifts
            ],
            dtype=np.bool_,
        )
        return able & ~self.barred()

    def asks(self, shift: Shift) -> bool:
        """Tell whether a shift is of somebody who is asked."""
        return self.technicians is None or shift.technician in self.technicians

    def barred(self) -> NDArray[np.bool_]:
        """Tell in which shifts another technician is at the site meanwhile, shape (n_shifts,)."""
        if self.visit.site is None:
            return np.zeros(len(self.problem.shifts), dtype=np.bool_)
        there = {each.id for each in self.problem.visits if each.site == self.visit.site}
        placed = [(stop.visit, stop.shift) for stop in self.plan.stops if stop.visit in there]
        return Sites(self.problem, placed).barred(self.visit)


def find_offers(question: Question, policy: OfferPolicy) -> OfferSheet:
    """Return the times to offer, the cheapest and soonest first.

    When nothing keeps the deadline, the offers are the first times after it, and the dispatcher
    is told how it might still be kept.
    """
    calendar = rounds_of(question.problem, question.plan)
    able = question.able()
    rounds = [calendar[at] for at in np.flatnonzero(able).tolist()]
    gaps = Gaps(question.problem, rounds, fetching=question.fetching)
    search = _Search(question, policy, gaps)
    if question.deadline is None:
        return OfferSheet(offers=search.best(None))
    if kept := search.best(question.deadline):
        return OfferSheet(offers=kept)
    return OfferSheet(
        offers=search.best(None),
        last_resorts=last_resorts(
            question.problem,
            calendar,
            question.visit,
            able,
            not_before=question.now + policy.notice_minutes,
            deadline=question.deadline,
            may_give_way=question.may_give_way,
            overtime_minutes=policy.overtime_minutes,
            fetching=question.fetching,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where a visit stands in a round.

    `travel_minutes` is the drive to it, with `call_minutes` at the workshop on the way where the
    round calls there for it; `minutes` what it takes there. `fetch` is what it needs from the
    workshop, part type to pieces. `next_visit` is the one made after it, if any, and
    `next_travel_minutes` the drive from here to there.
    """

    shift: str
    travel_minutes: int
    call_minutes: int | None
    fetch: Mapping[str, int]
    minutes: int
    next_visit: str | None
    next_travel_minutes: int


def place_at(question: Question, start: int) -> Placement | None:
    """Return where the visit can stand when it starts at a minute, None where it cannot."""
    if not question.visit.may_start_at(start):
        return None
    problem, calendar = question.problem, rounds_of(question.problem, question.plan)
    exactly = replace(question.visit, start_windows=((start, start),), pinned=None)
    able = np.flatnonzero(question.able()).tolist()
    gaps = Gaps(problem, [calendar[at] for at in able], fetching=question.fetching)
    fitting = gaps.start_ranges(exactly).gap
    if not fitting.size:
        return None
    extra = gaps.extra_costs(exactly)[fitting]
    gap = int(fitting[np.argmin(extra)])
    opening = gaps.opening(gap, int(extra.min()))
    order, shift = opening.candidate.order, problem.shifts[opening.candidate.shift]
    next_visit, onwards = None, 0
    if opening.position < len(order):
        following = problem.visits[order[opening.position]]
        calls = opening.position == opening.candidate.call_before
        onwards = problem.journey_minutes(
            shift, exactly.place, following.place, over_workshop=calls
        )
        next_visit = following.id
    return Placement(
        shift=shift.id,
        minutes=max(exactly.minutes_in(shift.id), 1),
        travel_minutes=gaps.drive_to(gap, exactly),
        call_minutes=gaps.call_minutes(gap),
        fetch=question.from_workshop.get(shift.id, {}),
        next_visit=next_visit,
        next_travel_minutes=onwards,
    )


def arrival_window(question: Question, policy: OfferPolicy, arrive_from: int) -> Question | None:
    """Return the question narrowed to the window that begins at a minute, None where none does.

    The window is as wide as an offer's: the policy's width, unless the site or the deadline end it
    sooner. A deadline that has gone by before the window ends nothing any more.
    """
    for first, last in question.visit.start_windows:
        if first <= arrive_from <= last:
            until = min(last, arrive_from + policy.window_minutes)
            if question.deadline is not None and arrive_from <= question.deadline:
                until = min(until, question.deadline)
            visit = replace(question.visit, start_windows=((arrive_from, until),))
            return replace(question, visit=visit)
    return None


def rounds_of(problem: Problem, plan: Plan) -> list[Candidate]:
    """Return the round of each shift: its visits in the order they are made, and its call."""
    index = problem.visit_index()

    def times(stop: Stop) -> tuple[int, int]:
        return stop.start, stop.start + problem.visits[index[stop.visit]].minutes_in(stop.shift)

    by_shift: defaultdict[str, list[int]] = defaultdict(list)
    for stop in sorted(plan.stops, key=times):
        by_shift[stop.shift].append(index[stop.visit])
    calls = {call.shift: index[call.before] for call in plan.calls}
    return [
        Candidate(
            shift=at,
            order=tuple(by_shift[shift.id]),
            call_before=by_shift[shift.id].index(calls[shift.id]) if shift.id in calls else None,
        )
        for at, shift in enumerate(problem.shifts)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choices:
    """Arrival windows that could be offered, as arrays of one length.

    `order` says in which order to look at them, the best first.
    """

    gap: Minutes
    start: Minutes
    arrive_from: Minutes
    arrive_until: Minutes
    slack: Minutes
    order: NDArray[np.intp]


class _Search:
    """One visit against the gaps of the calendar."""

    def __init__(self, question: Question, policy: OfferPolicy, gaps: Gaps) -> None:
        self._question, self._policy, self._gaps = question, policy, gaps
        days = [
            question.shift_days[question.problem.shifts[round_.shift].id].toordinal()
            for round_ in gaps.candidates
        ]
        self._day = np.array(days, dtype=np.int64)[gaps.labels.row]
        self._ranges = gaps.start_ranges(question.visit)
        self._extra = gaps.extra_costs(question.visit)
        shift_costs = question.visit.shift_costs
        of_row = [
            shift_costs.get(question.problem.shifts[round_.shift].id, 0)
            for round_ in gaps.candidates
        ]
        self._detour = self._extra - np.array(of_row, dtype=np.int64)[gaps.labels.row]
        self._score = self._extra + policy.later_day_minutes * self._day

    def best(self, deadline: int | None) -> tuple[Offer, ...]:
        """Return the offers that keep a deadline, or any where none is given."""
        choices = self._choices(deadline)
        chosen = list(self._pick(choices))
        if not chosen:
            return ()
        gaps = choices.gap[chosen]
        first_day = int(self._day[gaps].min())
        soonest = int(choices.start[chosen].min())
        cheapest = int(self._extra[gaps].min())
        return tuple(self._offer(choices, at, first_day, soonest, cheapest) for at in chosen)

    def _choices(self, deadline: int | None) -> _Choices:
        policy, ranges = self._policy, self._ranges
        not_before = self._question.now + policy.notice_minutes
        windows = np.array(self._question.visit.start_windows, dtype=np.int64).reshape(-1, 2)
        opens, shuts = windows[ranges.window].T
        soonest, latest = np.maximum(ranges.soonest, not_before), ranges.latest
        if deadline is not None:
            latest, shuts = np.minimum(latest, deadline), np.minimum(shuts, deadline)
        usable = (soonest <= latest) & (self._detour[ranges.gap] <= policy.dearest_minutes)
        at = np.flatnonzero(usable)
        # a long range holds several arrival windows, one after the other
        first = np.maximum(soonest[at] - soonest[at] % policy.step_minutes, opens[at])
        count = (latest[at] - first) // policy.window_minutes + 1
        number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        at = np.repeat(at, count)
        arrive_from = np.repeat(first, count) + number * policy.window_minutes
        start = np.maximum(soonest[at], arrive_from)
        until = np.minimum(arrive_from + policy.window_minutes, shuts[at])
        slack = np.minimum(latest[at], until) - start
        gap = ranges.gap[at]
        return _Choices(
            gap=gap,
            start=start,
            arrive_from=arrive_from,
            arrive_until=until,
            slack=slack,
            order=np.lexsort((gap, -slack, start, self._score[gap])),
        )

    def _pick(self, choices: _Choices) -> Iterator[int]:
        """Yield the best choices whose windows do not overlap, not too many for one day."""
        taken: list[tuple[int, int]] = []
        per_day: defaultdict[int, int] = defaultdict(int)
        for at in choices.order.tolist():
            if len(taken) == self._policy.count:
                return
            day = int(self._day[choices.gap[at]])
            begin = int(choices.arrive_from[at])
            end = max(int(choices.arrive_until[at]), begin + 1)
            if per_day[day] == self._policy.per_day or any(
                begin < until and since < end for since, until in taken
            ):
                continue
            taken.append((begin, end))
            per_day[day] += 1
            yield at

    def _offer(
        self, choices: _Choices, at: int, first_day: int, soonest: int, cheapest: int
    ) -> Offer:
        question, gap = self._question, int(choices.gap[at])
        start, extra = int(choices.start[at]), int(self._extra[gap])
        opening = self._gaps.opening(gap, extra)
        shift = question.problem.shifts[opening.candidate.shift]
        detour = int(self._detour[gap])
        days_later = int(self._day[gap]) - first_day
        near = detour <= self._policy.near_minutes
        if near:
            reason = RankReason.NEAR_ANYWAY
        elif start == soonest:
            reason = RankReason.SOONEST
        elif extra == cheapest:
            reason = RankReason.CHEAPEST
        else:
            reason = RankReason.ANOTHER_TIME
        return Offer(
            shift=shift.id,
            position=opening.position,
            start=start,
            arrive_from=int(choices.arrive_from[at]),
            arrive_until=int(choices.arrive_until[at]),
            extra_cost=extra,
            travel_minutes=self._gaps.drive_to(gap, question.visit),
            slack_minutes=int(choices.slack[at]),
            reason=reason,
            because=_because(
                detour, extra - detour, days_later, near, question.supplies.get(shift.id, "")
            ),
            near_anyway=near,
            keeps_deadline=question.deadline is None or start <= question.deadline,
        )


def _because(detour: int, shift_cost: int, days_later: int, near: bool, supply: str) -> str:
    parts = [f"adds {detour} minutes of travel"]
    if near:
        parts[0] += ", since somebody is near anyway"
    if shift_cost:
        parts.append(f"{shift_cost} for the day or the person")
    if days_later:
        parts.append(f"{days_later} {'day' if days_later == 1 else 'days'} after the first")
    if supply:
        parts.append(supply)
    return "; ".join(parts)
