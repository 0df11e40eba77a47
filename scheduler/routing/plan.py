"""The answer to a planning problem: stops, breaks, what was left out, and the cost.

A plan is a value like the problem it answers; it names shifts and visits by their ids. Whether
it keeps the problem's rules is the checker's question, not asked here.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from scheduler.errors import InvalidPlan
from scheduler.routing.problem import Charge, Problem
from scheduler.routing.reading import Fields, Flaws, load_json, save_json, shown

FORMAT = "steamround-plan/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One planned visit: the shift that makes it and the minute it starts."""

    visit: str
    shift: str
    start: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakTaken:
    """The break of a used shift and the minute it starts."""

    shift: str
    start: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """The call of a shift at its workshop, on the way to a visit."""

    shift: str
    before: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A visit that is not planned.

    Attributes
    ----------
    visit
        Its id.
    reason
        A code of `scheduler.routing.explanation.Reason`; empty while nobody has asked why.
    detail
        The reason as a sentence with its numbers.
    would_help
        What would get the visit planned, as a sentence; empty when nothing is known to.
    """

    visit: str
    reason: str = ""
    detail: str = ""
    would_help: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a plan costs, in minutes of travel equivalent.

    Attributes
    ----------
    travel
        Minutes of travel of all rounds, calls at the workshop included; an unused shift costs
        nothing.
    shift_costs
        The visits' added costs for the shifts that make them.
    left_out
        The leave-out costs of the visits not planned.
    total
        The sum of all.
    standing
        Minutes of the rounds that are no travel: visits, waiting, breaks. 0 unless the problem
        charges working time.
    balance
        The charge for long rounds. 0 unless the problem sets a weight for balance.
    """

    travel: int
    shift_costs: int
    left_out: int
    total: int
    standing: int = 0
    balance: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Who makes which visit when. Stops of one shift are in order of their start."""

    stops: tuple[Stop, ...]
    breaks: tuple[BreakTaken, ...]
    left_out: tuple[LeftOut, ...]
    cost: Cost
    calls: tuple[Call, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One technician's day as planned.

    Attributes
    ----------
    shift, technician
        The shift's id and whose it is.
    stops
        In the order they are made; never empty.
    leg_minutes
        Travel before each stop and after the last, one more than there are stops. The leg that
        calls at the workshop includes the call.
    departure
        The latest minute to leave the start place that still makes the first stop.
    return_
        The minute the end place is reached when nothing is waited for after the last stop.
    break_start
        The minute the break starts, None without one.
    """

    shift: str
    technician: str
    stops: tuple[Stop, ...]
    leg_minutes: tuple[int, ...]
    departure: int
    return_: int
    break_start: int | None

    @property
    def travel_minutes(self) -> int:
        """Minutes of travel of the whole round."""
        return sum(self.leg_minutes)

    def working_minutes(self, break_minutes: int) -> int:
        """Return the minutes from the departure, or a break before it, to the return.

        Parameters
        ----------
        break_minutes
            How long the break is that starts at `break_start`.
        """
        begin, end = self.departure, self.return_
        if self.break_start is not None:
            begin = min(begin, self.break_start)
            end = max(end, self.break_start + break_minutes)
        return end - begin


def rounds(problem: Problem, plan: Plan) -> tuple[Round, ...]:
    """Group a plan into rounds, in the order of the problem's shifts; unused shifts have none.

    Parameters
    ----------
    problem
        The problem the plan answers.
    plan
        A plan that keeps the problem's rules.
    """
    visits = {visit.id: visit for visit in problem.visits}
    breaks = {taken.shift: taken.start for taken in plan.breaks}
    calls = {(call.shift, call.before) for call in plan.calls}
    by_shift: dict[str, list[Stop]] = defaultdict(list)
    for stop in plan.stops:
        by_shift[stop.shift].append(stop)
    result = []
    for shift in problem.shifts:
        stops = sorted(
            by_shift.get(shift.id, []),
            key=lambda stop: (stop.start, stop.start + visits[stop.visit].minutes_in(stop.shift)),
        )
        if not stops:
            continue
        route = [
            shift.start_place,
            *(visits[stop.visit].place for stop in stops),
            shift.end_place,
        ]
        calling = [*((shift.id, stop.visit) in calls for stop in stops), False]
        legs = tuple(
            problem.journey_minutes(shift, *leg, over_workshop=call)
            for leg, call in zip(pairwise(route), calling, strict=True)
        )
        departure = stops[0].start - legs[0]
        return_ = stops[-1].start + visits[stops[-1].visit].minutes_in(shift.id) + legs[-1]
        break_start = breaks.get(shift.id)
        if shift.pause is not None and break_start is not None:
            if break_start < stops[0].start and break_start + shift.pause.minutes > departure:
                departure -= shift.pause.minutes
            if break_start >= return_ - legs[-1] and break_start < return_:
                return_ += shift.pause.minutes
        result.append(
            Round(
                shift=shift.id,
                technician=shift.technician,
                stops=tuple(stops),
                leg_minutes=legs,
                departure=departure,
                return_=return_,
                break_start=break_start,
            )
        )
    return tuple(result)


def cost_of(
    problem: Problem,
    stops: Iterable[Stop],
    *,
    breaks: Iterable[BreakTaken] = (),
    calls: Iterable[Call] = (),
) -> Cost:
    """Return what a set of stops costs, every visit without a stop counted as left out.

    Breaks matter only where working time is charged.
    """
    stops = tuple(stops)
    visits = {visit.id: visit for visit in problem.visits}
    unpriced = Plan(
        stops=stops,
        breaks=tuple(breaks),
        left_out=(),
        cost=Cost(travel=0, shift_costs=0, left_out=0, total=0),
        calls=tuple(calls),
    )
    made = rounds(problem, unpriced)
    travel = sum(round_.travel_minutes for round_ in made)
    standing = 0
    if problem.charge is Charge.WORKING_TIME:
        pauses = {shift.id: shift.pause for shift in problem.shifts}
        for round_ in made:
            pause = pauses[round_.shift]
            standing += round_.working_minutes(pause.minutes if pause is not None else 0)
        standing -= travel
    balance = 0
    if problem.balance:
        shifts = {shift.id: shift for shift in problem.shifts}
        for round_ in made:
            served = sum(visits[stop.visit].minutes_in(stop.shift) for stop in round_.stops)
            shift = shifts[round_.shift]
            balance += problem.balance_cost(shift, served + round_.travel_minutes)
    shift_costs = sum(visits[stop.visit].shift_costs.get(stop.shift, 0) for stop in stops)
    planned = {stop.visit for stop in stops}
    left_out = sum(visit.leave_out_cost for visit in problem.visits if visit.id not in planned)
    return Cost(
        travel=travel,
        shift_costs=shift_costs,
        left_out=left_out,
        total=travel + standing + balance + shift_costs + left_out,
        standing=standing,
        balance=balance,
    )


def plan_of(
    problem: Problem,
    stops: Iterable[Stop],
    *,
    breaks: Iterable[BreakTaken] = (),
    calls: Iterable[Call] = (),
) -> Plan:
    """Return the plan of some stops at what it costs, every visit without one left out."""
    stops, breaks, calls = tuple(stops), tuple(breaks), tuple(calls)
    planned = {stop.visit for stop in stops}
    return Plan(
        stops=stops,
        breaks=breaks,
        left_out=tuple(
            LeftOut(visit=visit.id) for visit in problem.visits if visit.id not in planned
        ),
        cost=cost_of(problem, stops, breaks=breaks, calls=calls),
        calls=calls,
    )


def read_plan(path: Path) -> Plan:
    """Read a plan file, packed with gzip or not.

    Raises
    ------
    InvalidPlan
        Lists every flaw of the file, each with its path in the document.
    OSError
        The file cannot be read.
    """
    flaws = Flaws()
    document = load_json(path, flaws)
    if len(flaws):
        raise InvalidPlan(flaws.as_tuple())
    return plan_from_json(document)


def write_plan(plan: Plan, path: Path) -> None:
    """Write a plan file, packed with gzip when its name ends in .gz."""
    save_json(plan_to_json(plan), path)


def plan_from_json(document: object) -> Plan:
    """Build a plan from the parsed JSON of a plan file; unknown keys are passed over.

    Raises
    ------
    InvalidPlan
        Lists every flaw of the document.
    """
    flaws = Flaws()
    top = Fields(document, "", flaws)
    if len(flaws):
        raise InvalidPlan(flaws.as_tuple())
    if top.text("format") != FORMAT:
        flaws.note("format", f'must be "{FORMAT}", got {shown(top.raw("format"))}')
    stops = [
        Stop(visit=item.text("visit"), shift=item.text("shift"), start=item.whole("start"))
        for item in _objects(top, flaws, "stops")
    ]
    breaks = [
        BreakTaken(shift=item.text("shift"), start=item.whole("start"))
        for item in _objects(top, flaws, "breaks")
    ]
    left_out = [
        LeftOut(
            visit=item.text("visit"),
            reason=item.text("reason"),
            detail=item.text("detail") if item.has("detail") else "",
            would_help=item.text("would_help") if item.has("would_help") else "",
        )
        for item in _objects(top, flaws, "left_out")
    ]
    calls = tuple(
        Call(shift=item.text("shift"), before=item.text("before"))
        for item in (_objects(top, flaws, "calls") if top.has("calls") else ())
    )
    cost = Fields(top.raw("cost") or {}, "cost", flaws)
    result = Plan(
        stops=tuple(stops),
        breaks=tuple(breaks),
        left_out=tuple(left_out),
        cost=Cost(
            travel=cost.whole("travel"),
            shift_costs=cost.whole("shift_costs"),
            left_out=cost.whole("left_out"),
            total=cost.whole("total"),
            standing=cost.whole("standing") if cost.has("standing") else 0,
            balance=cost.whole("balance") if cost.has("balance") else 0,
        ),
        calls=calls,
    )
    if len(flaws):
        raise InvalidPlan(flaws.as_tuple())
    return result


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """Return the JSON document of a plan file."""
    return {
        "format": FORMAT,
        "stops": [
            {"visit": stop.visit, "shift": stop.shift, "start": stop.start} for stop in plan.stops
        ],
        "breaks": [{"shift": taken.shift, "start": taken.start} for taken in plan.breaks],
        "left_out": [
            {
                "visit": item.visit,
                "reason": item.reason,
                "detail": item.detail,
                "would_help": item.would_help,
            }
            for item in plan.left_out
        ],
        "cost": {
            "travel": plan.cost.travel,
            "shift_costs": plan.cost.shift_costs,
            "left_out": plan.cost.left_out,
            "total": plan.cost.total,
        }
        | ({"standing": plan.cost.standing} if plan.cost.standing else {})
        | ({"balance": plan.cost.balance} if plan.cost.balance else {}),
    } | (
        {"calls": [{"shift": call.shift, "before": call.before} for call in plan.calls]}
        if plan.calls
        else {}
    )


def _objects(top: Fields, flaws: Flaws, key: str) -> list[Fields]:
    return [Fields(value, f"{key}[{at}]", flaws) for at, value in enumerate(top.array(key))]
