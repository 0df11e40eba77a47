"""The constant-time test of one insertion against timing the whole round anew.

Run in a process that does not compile, since the parts of the kernel are only compiled as parts
of the whole.
"""

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing.flattening import flatten, new_search
from scheduler.routing.kernel.insertion import fits_after, scan_row
from scheduler.routing.kernel.labels import row_stands
from scheduler.routing.kernel.layout import BASE, ITERATION, NOWHERE, SPARE
from scheduler.routing.kernel.rows import find_option, insert
from scheduler.routing.problem import Problem, Visit
from scheduler.routing.timing import timetable
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.test_engine import in_another_process


def travel_of(problem: Problem, row: int, order: list[Visit]) -> int:
    """Minutes of travel of a round; none when it has no visits."""
    if not order:
        return 0
    shift = problem.shifts[row]
    route = [shift.start_place, *(visit.place for visit in order), shift.end_place]
    return sum(int(problem.travel_minutes[leg]) for leg in pairwise(route))


@given(problem=problems(max_visits=7), data=st.data())
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
                more = travel_of(problem, row, longer) - travel_of(problem, row, visits)
                added.append(more + problem.visits[at].shift_costs.get(shift.id, 0))
        cost, _ = scan_row(world, search, options[at], at)
        assert cost == min(added, default=NOWHERE)


def test_an_insertion_is_judged_as_if_the_round_were_timed_anew() -> None:
    name = an_insertion_is_judged_as_if_the_round_were_timed_anew.__name__
    in_another_process(f"from {__name__} import {name}; {name}()", NUMBA_DISABLE_JIT="1")
