"""The constant-time test of one insertion against timing the whole round anew.

Run in a process that does not compile, since the parts of the kernel are only compiled as parts
of the whole.
"""

from collections import Counter
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing.flattening import flatten, new_search
from scheduler.routing.kernel.insertion import fits_after, price, scan_row
from scheduler.routing.kernel.labels import row_stands
from scheduler.routing.kernel.layout import (
    BASE,
    CALL_AT,
    CAREFUL,
    ITERATION,
    NOWHERE,
    ROUND_COST,
    SPARE,
)
from scheduler.routing.kernel.rows import find_option, insert
from scheduler.routing.plan import BreakTaken, Call, Stop, cost_of
from scheduler.routing.problem import Charge, Problem, Shift, Visit
from scheduler.routing.timing import timetable
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.test_engine import in_another_process


def charge_of(problem: Problem, row: int, order: list[Visit]) -> int:
    """Travel and balance of a round; nothing when it has no visits."""
    if not order:
        return 0
    shift = problem.shifts[row]
    route = [shift.start_place, *(visit.place for visit in order), shift.end_place]
    travel = sum(int(problem.travel_minutes[leg]) for leg in pairwise(route))
    served = sum(visit.minutes_in(shift.id) for visit in order)
    return travel + problem.balance_cost(shift, travel + served)


@given(problem=problems(people=True, sites=True, max_visits=7), data=st.data())
@settings(deadline=None, max_examples=200)
def an_insertion_is_judged_as_if_the_round_were_timed_anew(
    problem: Problem, data: st.DataObject
) -> None:
    row = data.draw(st.integers(0, len(problem.shifts) - 1))
    world = flatten(problem, None, 3)
    search = new_search(problem, world, 0)
    search.tally[ITERATION] = 0
    options = [find_option(world, at, row) for at in range(len(problem.visits))]
    able = [at for at, option in enumerate(options) if option >= 0]
    order = data.draw(st.permutations(able))
    most = abs(int(search.rows[row, SPARE] - search.rows[row, BASE])) - 2
    members = order[: data.draw(st.integers(0, min(most, len(order))))]
    for slot, at in enumerate(members):
        insert(world, search, options[at], at, slot)
    shift = problem.shifts[row]
    visits = [problem.visits[at] for at in members]
    stands = not visits or timetable(problem, shift, visits) is not None
    assert row_stands(world, search, row) == stands
    for at in able:
        if at in members:
            continue
        added = []
        for slot in range(len(visits) + 1):
            longer = [*visits[:slot], problem.visits[at], *visits[slot:]]
            possible = timetable(problem, shift, longer) is not None
            before = int(search.rows[row, BASE]) + slot
            assert fits_after(world, search, options[at], at, before) == possible
            if possible:
                more = charge_of(problem, row, longer) - charge_of(problem, row, visits)
                added.append(more + problem.visits[at].shift_costs.get(shift.id, 0))
        cost, _ = scan_row(world, search, options[at], at)
        assert cost == min(added, default=NOWHERE)


@given(
    problem=problems(people=True, sites=True, max_visits=6, supplies=True, charges=tuple(Charge)),
    data=st.data(),
)
@settings(deadline=None, max_examples=200)
def a_careful_insertion_is_judged_as_if_the_round_were_timed_anew(
    problem: Problem, data: st.DataObject
) -> None:
    row = data.draw(st.integers(0, len(problem.shifts) - 1))
    world = flatten(problem, None, 3)
    if not world.shifts[row, CAREFUL]:
        return
    search = new_search(problem, world, 0)
    search.tally[ITERATION] = 0
    shift = problem.shifts[row]
    members: list[int] = []
    for at in data.draw(st.permutations(range(len(problem.visits)))):
        visit = problem.visits[at]
        option = find_option(world, at, row)
        if option < 0:
            continue
        order = [problem.visits[member] for member in members]
        call = int(search.rows[row, CALL_AT])
        standing = int(search.rows[row, ROUND_COST])
        assert standing == (round_cost(problem, shift, order, call) if order else 0)
        cost, slot = price(world, search, option, at)
        ways = {}
        for position in range(1, len(order) + 2):
            longer = [*order[: position - 1], visit, *order[position - 1 :]]
            # The call stays on the way to the same visit or moves to the new one right before it;
            # a round without one makes it on the way to a visit that lacks something.
            if call:
                calls = {call + 1 if position <= call else call}
                calls |= {position} if position == call else set()
            else:
                calls = {0 if is_supplied(shift, longer, 0) else position}
            possible = [round_cost(problem, shift, longer, way) for way in calls]
            ways[position - 1] = min((way for way in possible if way is not None), default=None)
        found = [way for way in ways.values() if way is not None]
        own = visit.shift_costs.get(shift.id, 0)
        assert cost == (min(found) - standing + own if found else NOWHERE)
        if found:
            assert ways[slot] == min(found)
            insert(world, search, option, at, slot)
            members.insert(slot, at)
            order.insert(slot, visit)
            needed = not is_supplied(shift, order, 0)
            everywhere = [
                round_cost(problem, shift, order, way)
                for way in (range(1, len(order) + 1) if needed else (0,))
            ]
            assert search.rows[row, ROUND_COST] == min(way for way in everywhere if way is not None)


def is_supplied(shift: Shift, order: list[Visit], call: int) -> bool:
    """Whether nothing is lacking before the call, 1 being before the first visit, 0 none."""
    used = Counter[str]()
    for visit in order[: call - 1] if call else order:
        used.update(visit.parts)
        if not visit.tools <= shift.tools:
            return False
    return all(count <= shift.parts.get(kind, 0) for kind, count in used.items())


def round_cost(problem: Problem, shift: Shift, order: list[Visit], call: int) -> int | None:
    """Travel or working time of a round, with balance, None where it breaks a rule."""
    if (call and shift.workshop is None) or not is_supplied(shift, order, call):
        return None
    times = timetable(problem, shift, order, call - 1 if call else None)
    if times is None:
        return None
    stops = [
        Stop(visit=visit.id, shift=shift.id, start=start)
        for visit, start in zip(order, times.starts, strict=True)
    ]
    breaks = [
        BreakTaken(shift=shift.id, start=start)
        for start in [times.break_start]
        if start is not None
    ]
    calls = [Call(shift=shift.id, before=order[call - 1].id)] if call else []
    cost = cost_of(problem, stops, breaks=breaks, calls=calls)
    return cost.travel + cost.standing + cost.balance


def test_a_careful_insertion_is_judged_as_if_the_round_were_timed_anew() -> None:
    name = a_careful_insertion_is_judged_as_if_the_round_were_timed_anew.__name__
    in_another_process(f"from {__name__} import {name}; {name}()", NUMBA_DISABLE_JIT="1")


def test_an_insertion_is_judged_as_if_the_round_were_timed_anew() -> None:
    name = an_insertion_is_judged_as_if_the_round_were_timed_anew.__name__
    in_another_process(f"from {__name__} import {name}; {name}()", NUMBA_DISABLE_JIT="1")
