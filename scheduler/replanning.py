"""A disruption and a published plan → the smallest good change to that plan.

Somebody is away, or an urgent callback comes in, and a plan stands that people have read. What
has happened cannot be changed; what was promised is pinned; everything else may move at a cost:
another technician or another day is dear, since somebody has to be told and parts are in the
wrong van, while another time on the same round is avoided wherever nothing is gained by it.
"""

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

from scheduler.errors import Flaw, InvalidProblem
from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.params import Params
from scheduler.routing.parts import COST_LIMIT, Pin, Shift, Visit
from scheduler.routing.plan import BreakTaken, Plan, Stop, cost_of
from scheduler.routing.problem import Charge, Problem
from scheduler.routing.timing import timetable

_DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeCosts:
    """What a change to a published plan costs, in minutes of travel equivalent, each >= 0.

    Attributes
    ----------
    technician
        A visit made by somebody else: two people have to be told. Measured, it keeps all but
        about fifteen of five hundred visits where they are, for one percent more travel or so.
    day
        A visit made on another day; the parts and the promise of access belong to the day.
    """

    technician: int = 6
    day: int = 8

    def __post_init__(self) -> None:
        flaws = tuple(
            Flaw(path=name, message=f"must be a cost from 0 to {COST_LIMIT}, got {cost}")
            for name, cost in (("technician", self.technician), ("day", self.day))
            if not 0 <= cost <= COST_LIMIT
        )
        if flaws:
            raise InvalidProblem(flaws)


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """A plan that answers a disruption.

    Attributes
    ----------
    problem
        The problem that was solved: what has begun is pinned, changes have their costs.
    plan
        Keeps every rule of that problem.
    handed_over, other_day, other_time
        Visits of the published plan with another technician, with the same one on another day,
        and on the same round at another time.
    withdrawn
        Visits of the published plan that are now left out.
    """

    problem: Problem
    plan: Plan
    handed_over: tuple[str, ...]
    other_day: tuple[str, ...]
    other_time: tuple[str, ...]
    withdrawn: tuple[str, ...]

    def unstiffened(self, problem: Problem) -> Plan:
        """Return the plan at what it costs in the problem without the costs of changes."""
        plan = self.plan
        cost = cost_of(problem, plan.stops, breaks=plan.breaks, calls=plan.calls)
        return replace(plan, cost=cost)


_USUAL_COSTS = ChangeCosts()

PARAMS = Params(least_removed=14.0)
"""How a repair searches: in wider steps than for a new plan. Where changes cost something, a better
plan often differs in several visits at once. Measured on problems of 500 visits."""


def repair(
    problem: Problem,
    published: Plan,
    *,
    stop: Iterations | Seconds,
    seed: int,
    costs: ChangeCosts = _USUAL_COSTS,
    frozen_before: int | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    should_cancel: Callable[[], bool] | None = None,
    threads: int = 1,
) -> Repair:
    """Plan a changed problem, changing as little as is sensible of what is published.

    Parameters
    ----------
    problem
        What is to be planned now: shifts of absent technicians are gone or shorter, callbacks
        are among the visits, promised visits are pinned.
    published
        The plan people have read. Shifts and visits that are no more are passed over.
    stop, seed, on_progress, should_cancel, threads
        As for `solve`; it may be stopped at any moment and hands back the best plan so far.
    costs
        What changes cost.
    frozen_before
        A minute; visits that the published plan starts before it stay exactly where they are.

    Raises
    ------
    InvalidProblem
        What has begun cannot be kept beside the promised visits.
    """
    held = problem if frozen_before is None else with_past_frozen(problem, published, frozen_before)
    held = with_change_costs(held, published, costs)
    found = solve(
        held,
        stop=stop,
        seed=seed,
        params=PARAMS,
        start_from=published,
        on_progress=on_progress,
        should_cancel=should_cancel,
        threads=threads,
    )
    return compared(held, published, with_times_kept(held, found, published))


def with_past_frozen(problem: Problem, published: Plan, before: int) -> Problem:
    """Return the problem with what the published plan starts before a minute pinned there.

    A round that has called at the workshop by then has everything along from now on.
    """
    begun = {stop.visit: stop for stop in published.stops if stop.start < before}
    shifts = problem.shift_index()

    def frozen(visit: Visit) -> Visit:
        stop = begun.get(visit.id)
        if stop is None or stop.shift not in shifts or visit.pinned is not None:
            return visit
        return replace(
            visit,
            pinned=Pin(shift=stop.shift, start=stop.start),
            start_windows=(*visit.start_windows, (stop.start, stop.start)),
        )

    called = {call.shift for call in published.calls if call.before in begun}
    tools = frozenset[str]().union(*(visit.tools for visit in problem.visits))
    parts = Counter[str]()
    for visit in problem.visits:
        parts.update(visit.parts)
    return replace(
        problem,
        shifts=tuple(
            replace(shift, tools=tools, parts=parts, workshop=None) if shift.id in called else shift
            for shift in problem.shifts
        ),
        visits=tuple(frozen(visit) for visit in problem.visits),
    )


def with_change_costs(problem: Problem, published: Plan, costs: ChangeCosts) -> Problem:
    """Return the problem with a cost on every shift but a visit's own in the published plan.

    Days are counted from `minute_zero`. A visit whose shift is no more costs the same wherever it
    goes, so it costs nothing.
    """
    shifts = {shift.id: shift for shift in problem.shifts}
    stands = {stop.visit: shifts.get(stop.shift) for stop in published.stops}

    def change_cost(own: Shift, other: Shift) -> int:
        cost = costs.technician if other.technician != own.technician else 0
        if other.start // _DAY_MINUTES != own.start // _DAY_MINUTES:
            cost += costs.day
        return cost

    def stiff(visit: Visit) -> Visit:
        own = stands.get(visit.id)
        if own is None or visit.pinned is not None:
            return visit
        added = {
            other.id: min(visit.shift_costs.get(other.id, 0) + change_cost(own, other), COST_LIMIT)
            for other in problem.shifts
            if visit.skills <= other.skills
        }
        return replace(
            visit,
            shift_costs={
                **visit.shift_costs,
                **{name: cost for name, cost in added.items() if cost},
            },
        )

    return replace(problem, visits=tuple(stiff(visit) for visit in problem.visits))


def with_times_kept(problem: Problem, plan: Plan, published: Plan) -> Plan:
    """Return the plan with visits back at their published minute wherever their round allows it.

    The search lets every visit start as early as it can; one that only lost its neighbour would
    be moved for nothing. No cost changes; where working time is charged it could, and where visits
    of two rounds hang together a round is not free to move, so the plan comes back as it is.
    """
    if problem.charge is Charge.WORKING_TIME or problem.is_linked():
        return plan
    visits = {visit.id: visit for visit in problem.visits}
    shifts = {shift.id: shift for shift in problem.shifts}
    told = {(stop.shift, stop.visit): stop.start for stop in published.stops}
    calls = {call.shift: call.before for call in plan.calls}
    orders: dict[str, list[str]] = defaultdict(list)
    for stop in plan.stops:
        orders[stop.shift].append(stop.visit)
    starts: dict[str, int] = {stop.visit: stop.start for stop in plan.stops}
    breaks = {taken.shift: taken.start for taken in plan.breaks}
    for shift_id, order in orders.items():
        made = [visits[name] for name in order]
        call = calls.get(shift_id)
        call_before = order.index(call) if call is not None else None
        for at, visit in enumerate(made):
            minute = told.get((shift_id, visit.id))
            if minute is None or visit.pinned is not None or not visit.may_start_at(minute):
                continue
            held = replace(visit, start_windows=((minute, minute),))
            tried = [*made[:at], held, *made[at + 1 :]]
            times = timetable(problem, shifts[shift_id], tried, call_before)
            if times is None:
                continue
            made = tried
            starts.update(zip(order, times.starts, strict=True))
            if times.break_start is not None:
                breaks[shift_id] = times.break_start
    return replace(
        plan,
        stops=tuple(
            Stop(visit=stop.visit, shift=stop.shift, start=starts[stop.visit])
            for stop in plan.stops
        ),
        breaks=tuple(
            BreakTaken(shift=taken.shift, start=breaks[taken.shift]) for taken in plan.breaks
        ),
    )


def compared(problem: Problem, published: Plan, plan: Plan) -> Repair:
    """Return a plan with what it changes against the published one."""
    technician = {shift.id: shift.technician for shift in problem.shifts}
    now = {stop.visit: stop for stop in plan.stops}
    still = {visit.id for visit in problem.visits}
    changed: dict[str, list[str]] = defaultdict(list)
    for stop in published.stops:
        if stop.visit not in still:
            continue
        moved = now.get(stop.visit)
        if moved is None:
            changed["withdrawn"].append(stop.visit)
        elif moved.shift != stop.shift:
            same = technician[moved.shift] == technician.get(stop.shift, stop.shift)
            changed["other_day" if same else "handed_over"].append(stop.visit)
        elif moved.start != stop.start:
            changed["other_time"].append(stop.visit)
    return Repair(
        problem=problem,
        plan=plan,
        handed_over=tuple(changed["handed_over"]),
        other_day=tuple(changed["other_day"]),
        other_time=tuple(changed["other_time"]),
        withdrawn=tuple(changed["withdrawn"]),
    )
