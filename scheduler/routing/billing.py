"""What a plan is charged for, entry by entry."""

from dataclasses import dataclass
from enum import StrEnum

from scheduler.routing.plan import Plan, rounds
from scheduler.routing.problem import Problem


class CostRule(StrEnum):
    """The rules that charge a plan."""

    TRAVEL = "travel"
    STANDING = "standing"
    BALANCE = "balance"
    SHIFT_COST = "shift_cost"
    LEFT_OUT = "left_out"


@dataclass(frozen=True, slots=True, kw_only=True)
class CostLine:
    """One entry of a plan's bill.

    Attributes
    ----------
    rule
        What is charged for.
    shift, visit
        The round or visit charged; travel and balance are charged by round, leaving out by visit,
        what else makes up the working time for all rounds together.
    cost
        Minutes of travel equivalent, > 0.
    """

    rule: CostRule
    shift: str | None
    visit: str | None
    cost: int


def cost_lines(problem: Problem, plan: Plan) -> tuple[CostLine, ...]:
    """Return the bill of a plan, dearest first; the lines add up to its total cost."""
    visits = {visit.id: visit for visit in problem.visits}
    shifts = {shift.id: shift for shift in problem.shifts}
    lines = []
    for round_ in rounds(problem, plan):
        travel, name = round_.travel_minutes, round_.shift
        served = sum(visits[stop.visit].minutes_in(name) for stop in round_.stops)
        balance = problem.balance_cost(shifts[name], travel + served)
        lines += [
            CostLine(rule=CostRule.TRAVEL, shift=name, visit=None, cost=travel),
            CostLine(rule=CostRule.BALANCE, shift=name, visit=None, cost=balance),
        ]
    lines += [
        CostLine(
            rule=CostRule.SHIFT_COST,
            shift=stop.shift,
            visit=stop.visit,
            cost=visits[stop.visit].shift_costs.get(stop.shift, 0),
        )
        for stop in plan.stops
    ]
    lines.append(CostLine(rule=CostRule.STANDING, shift=None, visit=None, cost=plan.cost.standing))
    planned = {stop.visit for stop in plan.stops}
    lines += [
        CostLine(rule=CostRule.LEFT_OUT, shift=None, visit=visit.id, cost=visit.leave_out_cost)
        for visit in problem.visits
        if visit.id not in planned
    ]
    return tuple(sorted((line for line in lines if line.cost), key=lambda line: -line.cost))
