"""Does a plan keep every rule of its problem, and does it cost what it says?

A second, simpler program than the one that made the plan: it works from the problem and the
plan alone, shares no code with the engine and lists everything that is wrong, not the first.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from fractions import Fraction
from itertools import combinations
from math import ceil

from scheduler.routing.checker_rounds import legs as legs_of
from scheduler.routing.checker_rounds import on_site, rounds_out_of_time, rounds_too_far
from scheduler.routing.plan import Plan, Stop
from scheduler.routing.problem import Charge, Problem, Shift, Visit
from scheduler.routing.violations import Rule, Violation

__all__ = ["Rule", "Violation", "check"]


def check(problem: Problem, plan: Plan) -> tuple[Violation, ...]:
    """List every rule of the problem that the plan breaks.

    Parameters
    ----------
    problem
        The problem the plan claims to answer.
    plan
        Any plan, however wrong.

    Returns
    -------
    tuple of Violation
        Empty exactly when the plan is feasible and its costs are right.
    """
    visits = {visit.id: visit for visit in problem.visits}
    shifts = {shift.id: shift for shift in problem.shifts}
    rounds: dict[str, list[Stop]] = defaultdict(list)
    for stop in plan.stops:
        if stop.visit in visits and stop.shift in shifts:
            rounds[stop.shift].append(stop)
    for stops in rounds.values():
        stops.sort(
            key=lambda stop: (stop.start, stop.start + on_site(visits[stop.visit], stop.shift))
        )
    return (
        *_unknown_names(plan, visits, shifts),
        *_wrong_counts(problem, plan),
        *_stops_out_of_place(plan, visits, shifts),
        *_breaks_out_of_place(plan, rounds, shifts),
        *_calls_out_of_place(plan, shifts),
        *_rounds_unsupplied(plan, rounds, visits, shifts),
        *rounds_out_of_time(problem, plan, rounds, visits),
        *rounds_too_far(problem, plan, rounds, visits),
        *_links_broken(problem, plan, visits, shifts),
        *_sites_shared(plan, visits, shifts),
        *_wrong_costs(problem, plan, rounds),
    )


def _unknown_names(
    plan: Plan, visits: dict[str, Visit], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    named_visits = dict.fromkeys(
        [*(stop.visit for stop in plan.stops), *(left.visit for left in plan.left_out)]
    )
    named_shifts = dict.fromkeys(
        [*(stop.shift for stop in plan.stops), *(taken.shift for taken in plan.breaks)]
    )
    for name in named_visits:
        if name not in visits:
            detail = f"The plan names visit {name!r}, which the problem does not have."
            yield Violation(rule=Rule.UNKNOWN_VISIT, detail=detail, visit=name)
    for name in named_shifts:
        if name not in shifts:
            detail = f"The plan names shift {name!r}, which the problem does not have."
            yield Violation(rule=Rule.UNKNOWN_SHIFT, detail=detail, shift=name)


def _wrong_counts(problem: Problem, plan: Plan) -> Iterator[Violation]:
    """Every visit is planned once or left out once; a pinned one is planned."""
    planned = Counter(stop.visit for stop in plan.stops)
    left_out = Counter(left.visit for left in plan.left_out)
    for visit in problem.visits:
        times, times_out = planned[visit.id], left_out[visit.id]

        def violation(rule: Rule, detail: str, name: str = visit.id) -> Violation:
            return Violation(rule=rule, detail=f"Visit {name!r} {detail}", visit=name)

        if times > 1:
            yield violation(Rule.PLANNED_TWICE, f"is planned {times} times.")
        if times_out > 1:
            yield violation(Rule.LEFT_OUT_TWICE, f"is listed {times_out} times as left out.")
        if times and times_out:
            yield violation(Rule.PLANNED_AND_LEFT_OUT, "is both planned and listed as left out.")
        if not times and not times_out:
            yield violation(Rule.VISIT_MISSING, "is neither planned nor listed as left out.")
        if not times and visit.pinned is not None:
            yield violation(
                Rule.PIN_LEFT_OUT,
                f"is pinned to shift {visit.pinned.shift!r} at minute {visit.pinned.start} "
                "but not planned.",
            )


def _stops_out_of_place(
    plan: Plan, visits: dict[str, Visit], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    """Pins, skills and windows of each stop by itself."""
    for stop in plan.stops:
        visit = visits.get(stop.visit)
        if visit is None:
            continue
        pin = visit.pinned
        if pin is not None and (pin.shift, pin.start) != (stop.shift, stop.start):
            yield Violation(
                rule=Rule.PIN_MOVED,
                detail=f"Visit {visit.id!r} is pinned to shift {pin.shift!r} at minute "
                f"{pin.start} but planned in {stop.shift!r} at {stop.start}.",
                visit=visit.id,
                shift=stop.shift,
            )
        if not any(first <= stop.start <= last for first, last in visit.start_windows):
            windows = ", ".join(f"[{first}, {last}]" for first, last in visit.start_windows)
            yield Violation(
                rule=Rule.OUTSIDE_WINDOWS,
                detail=f"Visit {visit.id!r} starts at minute {stop.start}, "
                f"outside its start windows {windows or '(it has none)'}.",
                visit=visit.id,
                shift=stop.shift,
            )
        shift = shifts.get(stop.shift)
        if shift is not None and not visit.skills <= shift.skills:
            missing = ", ".join(sorted(visit.skills - shift.skills))
            yield Violation(
                rule=Rule.SKILL_MISSING,
                detail=f"Visit {visit.id!r} needs {missing}, which shift {shift.id!r} lacks.",
                visit=visit.id,
                shift=shift.id,
            )


def _breaks_out_of_place(
    plan: Plan, rounds: dict[str, list[Stop]], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    """One break in each used shift that has one, none elsewhere, inside its window and shift."""
    taken = Counter(item.shift for item in plan.breaks)
    for shift in shifts.values():
        pause = shift.pause

        def violation(rule: Rule, detail: str, name: str = shift.id) -> Violation:
            return Violation(rule=rule, detail=detail, shift=name)

        if pause is not None and shift.id in rounds and not taken[shift.id]:
            yield violation(
                Rule.BREAK_MISSING,
                f"Shift {shift.id!r} is used without its break of {pause.minutes} minutes.",
            )
        if taken[shift.id] > 1:
            yield violation(
                Rule.BREAK_TWICE, f"Shift {shift.id!r} has {taken[shift.id]} breaks instead of one."
            )
        if taken[shift.id] and pause is None:
            yield violation(
                Rule.BREAK_NOT_DUE, f"Shift {shift.id!r} takes a break but has none to take."
            )
        elif taken[shift.id] and shift.id not in rounds:
            yield violation(
                Rule.BREAK_NOT_DUE, f"Shift {shift.id!r} takes a break but makes no visit."
            )
    for item in plan.breaks:
        owner = shifts.get(item.shift)
        if owner is None or owner.pause is None:
            continue
        end = item.start + owner.pause.minutes
        span = f"The break of shift {owner.id!r} runs from minute {item.start} to {end}"
        if item.start < owner.pause.earliest or end > owner.pause.latest:
            yield Violation(
                rule=Rule.BREAK_OUTSIDE_WINDOW,
                detail=f"{span}, outside [{owner.pause.earliest}, {owner.pause.latest}].",
                shift=owner.id,
            )
        if item.start < owner.start or end > owner.end:
            yield Violation(
                rule=Rule.BREAK_OUTSIDE_SHIFT,
                detail=f"{span}, outside the shift [{owner.start}, {owner.end}].",
                shift=owner.id,
            )


def _calls_out_of_place(plan: Plan, shifts: dict[str, Shift]) -> Iterator[Violation]:
    """At most one call at the workshop in a shift that has one, on the way to a visit it makes."""
    made_by = {(stop.shift, stop.visit) for stop in plan.stops}
    for name, times in Counter(call.shift for call in plan.calls).items():
        if times > 1:
            yield Violation(
                rule=Rule.CALL_TWICE,
                detail=f"Shift {name!r} calls at the workshop {times} times instead of once.",
                shift=name,
            )
    for call in plan.calls:
        shift = shifts.get(call.shift)
        if shift is None or shift.workshop is None:
            yield Violation(
                rule=Rule.CALL_NOT_POSSIBLE,
                detail=f"Shift {call.shift!r} calls at a workshop but names none.",
                shift=call.shift,
            )
        elif (call.shift, call.before) not in made_by:
            yield Violation(
                rule=Rule.CALL_NOT_POSSIBLE,
                detail=f"Shift {call.shift!r} calls at the workshop on the way to visit "
                f"{call.before!r}, which it does not make.",
                visit=call.before,
                shift=call.shift,
            )


def _rounds_unsupplied(
    plan: Plan, rounds: dict[str, list[Stop]], visits: dict[str, Visit], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    """Tools along and parts left at every visit before the call at the workshop."""
    for name, stops in rounds.items():
        shift = shifts[name]
        left = Counter(shift.parts)
        called_before = {call.before for call in plan.calls if call.shift == name}
        for stop in stops:
            if stop.visit in called_before and shift.workshop is not None:
                break
            visit = visits[stop.visit]
            for tool in sorted(visit.tools - shift.tools):
                yield Violation(
                    rule=Rule.TOOL_MISSING,
                    detail=f"Visit {visit.id!r} needs {tool}, which shift {name!r} has not along.",
                    visit=visit.id,
                    shift=name,
                )
            for kind, count in sorted(visit.parts.items()):
                if count > max(left[kind], 0):
                    yield Violation(
                        rule=Rule.PARTS_USED_UP,
                        detail=f"Visit {visit.id!r} uses up {count} of {kind}; shift {name!r} has "
                        f"{max(left[kind], 0)} left.",
                        visit=visit.id,
                        shift=name,
                    )
                left[kind] -= count


def _links_broken(
    problem: Problem, plan: Plan, visits: dict[str, Visit], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    """What comes after another, and what two technicians make together."""
    made = {stop.visit: stop for stop in plan.stops}
    for visit in problem.visits:
        own = made.get(visit.id)
        if visit.after is not None and own is not None:
            before = made.get(visit.after.visit)
            if before is None:
                detail = f"Visit {visit.id!r} is planned without {visit.after.visit!r} before it."
                yield Violation(rule=Rule.LINK_LEFT_OUT, detail=detail, visit=visit.id)
            else:
                over = before.start + on_site(visits[before.visit], before.shift)
                if own.start - over < visit.after.minutes:
                    yield Violation(
                        rule=Rule.TOO_SOON_AFTER,
                        detail=f"Visit {visit.id!r} starts at minute {own.start}, less than "
                        f"{visit.after.minutes} minutes after {before.visit!r} ends at {over}.",
                        visit=visit.id,
                        shift=own.shift,
                    )
        if visit.together_with is not None:
            other = made.get(visit.together_with)
            if own is None and other is None:
                continue
            if own is None or other is None:
                detail = f"Of {visit.id!r} and {visit.together_with!r} only one is planned."
                yield Violation(rule=Rule.LINK_LEFT_OUT, detail=detail, visit=visit.id)
                continue
            people = {
                shifts[stop.shift].technician for stop in (own, other) if stop.shift in shifts
            }
            if own.start != other.start or len(people) == 1:
                yield Violation(
                    rule=Rule.NOT_TOGETHER,
                    detail=f"Visits {own.visit!r} and {other.visit!r} start at {own.start} and "
                    f"{other.start} with {' and '.join(sorted(people))}; they need one minute and "
                    "two technicians.",
                    visit=visit.id,
                    shift=own.shift,
                )


def _sites_shared(
    plan: Plan, visits: dict[str, Visit], shifts: dict[str, Shift]
) -> Iterator[Violation]:
    """Every pair of visits that brings two technicians to one site in shifts that overlap."""
    at_site: dict[str, list[tuple[Visit, Shift]]] = defaultdict(list)
    for stop in plan.stops:
        visit, shift = visits.get(stop.visit), shifts.get(stop.shift)
        if visit is not None and shift is not None and visit.site is not None:
            at_site[visit.site].append((visit, shift))
    for site, made in at_site.items():
        for (one, own), (two, other) in combinations(made, 2):
            halves = one.together_with == two.id or two.together_with == one.id
            both_pinned = one.pinned is not None and two.pinned is not None
            if halves or both_pinned or own.technician == other.technician:
                continue
            if own.end <= other.start or other.end <= own.start:
                continue
            yield Violation(
                rule=Rule.SITE_SHARED,
                detail=f"Site {site!r} may have one technician at a time, but visit {one.id!r} is "
                f"made by {own.technician!r} in shift {own.id!r} [{own.start}, {own.end}] and "
                f"visit {two.id!r} by {other.technician!r} in shift {other.id!r} "
                f"[{other.start}, {other.end}]; the two shifts overlap.",
                visit=two.id,
                shift=other.id,
            )


def _wrong_costs(
    problem: Problem, plan: Plan, rounds: dict[str, list[Stop]]
) -> Iterator[Violation]:
    """The costs the plan claims against the costs it has."""
    visits = {visit.id: visit for visit in problem.visits}
    travel = 0
    standing = 0
    balance = 0
    for shift in problem.shifts:
        stops = rounds.get(shift.id, [])
        if not stops:
            continue
        legs = legs_of(problem, plan, shift, stops, visits)
        travel += sum(legs)
        served = sum(on_site(visits[stop.visit], shift.id) for stop in stops)
        worked = sum(legs) + served
        if worked > 0:
            apart = worked - shift.usual_minutes
            balance += ceil(Fraction(problem.balance * apart**2, 60**2))
        if problem.charge is Charge.WORKING_TIME:
            last = stops[-1].start + on_site(visits[stops[-1].visit], shift.id)
            begin, end = stops[0].start - legs[0], last + legs[-1]
            for taken in plan.breaks:
                if taken.shift == shift.id and shift.pause is not None:
                    rest = shift.pause.minutes
                    if taken.start < stops[0].start:
                        begin = min(taken.start, begin - rest)
                    elif taken.start >= last:
                        end = max(taken.start + rest, end + rest)
            standing += end - begin - sum(legs)
    planned = {stop.visit for stop in plan.stops}
    shift_costs = sum(
        visits[stop.visit].shift_costs.get(stop.shift, 0)
        for stop in plan.stops
        if stop.visit in visits
    )
    left_out = sum(visit.leave_out_cost for visit in problem.visits if visit.id not in planned)
    for name, claimed, found in (
        ("travel", plan.cost.travel, travel),
        ("shift_costs", plan.cost.shift_costs, shift_costs),
        ("left_out", plan.cost.left_out, left_out),
        ("standing", plan.cost.standing, standing),
        ("balance", plan.cost.balance, balance),
        ("total", plan.cost.total, travel + standing + balance + shift_costs + left_out),
    ):
        if claimed != found:
            detail = f"The plan claims {claimed} for {name}; its stops make it {found}."
            yield Violation(rule=Rule.COST_WRONG, detail=detail)
