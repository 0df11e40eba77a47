"""Inserting one visit: the labels and the cheapest gap against trying everything."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing.insertion import Candidate, Gaps
from scheduler.routing.problem import Problem
from scheduler.routing.timing import timetable
from tests.scheduler.routing.exact import cheapest_rounds
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import BURNER, PROBE, VALVES, world

BOTH = np.array([True, True])


def test_cheapest_gap_of_the_world() -> None:
    # Ann makes the valves. Adding the burner before them: 20 + 7 - 10 = 17; after them:
    # 5 + 18 - 12 = 11. The probe must start by 560: after the valves it is reached at 575,
    # before them by 510 and left at 530, the mill at 555 is shut until 600; 30 + 25 - 10 = 45,
    # the break on the way (560-590). By Bo, whose shift is not used yet: 30 + 40 + 7 = 77.
    gaps = Gaps(world(), [Candidate(shift=0, order=(0,)), Candidate(shift=1, order=())])
    burner = gaps.cheapest(BURNER, BOTH)
    assert burner is not None
    assert (burner.candidate.shift, burner.position, burner.extra_cost) == (0, 1, 11)
    probe = gaps.cheapest(PROBE, BOTH)
    assert probe is not None
    assert (probe.candidate.shift, probe.position, probe.extra_cost) == (0, 0, 45)
    by_bo = gaps.cheapest(PROBE, np.array([False, True]))
    assert by_bo is not None
    assert (by_bo.candidate.shift, by_bo.position, by_bo.extra_cost) == (1, 0, 77)


def test_surcharge_counts_and_windows_can_be_passed_over() -> None:
    # Fell opens from 700 on, too late to come home by 720; at any time Ann makes it alone for 70.
    closed = replace(PROBE, start_windows=((700, 720),))
    gaps = Gaps(world(), [Candidate(shift=0, order=(), surcharge=9)])
    assert gaps.cheapest(closed, BOTH) is None
    opening = gaps.cheapest(closed, BOTH, any_time=True)
    assert opening is not None
    assert opening.extra_cost == 30 + 40 + 9


def test_no_round_has_no_gap() -> None:
    assert Gaps(world(), []).cheapest(VALVES, BOTH) is None


def charge(problem: Problem, order: list[int]) -> int:
    """Travel and balance of the round of the first shift."""
    shift, minutes = problem.shifts[0], travel(problem, order)
    worked = minutes + sum(problem.visits[at].minutes_in(shift.id) for at in order)
    return minutes + problem.balance_cost(shift, worked)


@settings(max_examples=200)
@given(problems(people=True, max_visits=4, max_shifts=1), st.data())
def test_cheapest_gap_is_the_one_trying_finds(problem: Problem, data: st.DataObject) -> None:
    shift = problem.shifts[0]
    indices = range(len(problem.visits))
    joining = data.draw(st.sampled_from(indices)) if problem.visits else None
    if joining is None or problem.visits[joining].pinned is not None:
        return
    order = tuple(data.draw(st.permutations([at for at in indices if at != joining])))
    order = order[: data.draw(st.integers(0, 3))]
    tried = {}
    before = [problem.visits[at] for at in order]
    for position in range(len(order) + 1):
        after = [*before[:position], problem.visits[joining], *before[position:]]
        if timetable(problem, shift, after) is not None:
            extra = charge(problem, [*order[:position], joining, *order[position:]])
            extra -= charge(problem, list(order))
            extra += problem.visits[joining].shift_costs.get(shift.id, 0)
            tried[position] = extra
    gaps = Gaps(problem, [Candidate(shift=0, order=order)])
    opening = gaps.cheapest(problem.visits[joining], np.array([True]))
    assert set(np.flatnonzero(gaps.fits(problem.visits[joining])).tolist()) == set(tried)
    if not tried:
        assert opening is None
    else:
        assert opening is not None
        assert opening.extra_cost == min(tried.values()) == tried[opening.position]


@settings(max_examples=200)
@given(problems(people=True, max_visits=4, max_shifts=1))
def test_sets_with_a_timetable_are_those_trying_finds(problem: Problem) -> None:
    """`exact` tries every minute of the break; timing knows one that is as good as any."""
    shift = problem.shifts[0]
    visits = problem.visits
    able = [at for at, visit in enumerate(visits) if visit.skills <= shift.skills]
    reached = set()

    def go_on(order: tuple[int, ...]) -> None:
        for at in able:
            if at not in order:
                longer = (*order, at)
                if timetable(problem, shift, [visits[index] for index in longer]) is not None:
                    reached.add(sum(1 << index for index in longer))
                go_on(longer)

    go_on(())
    assert reached == set(cheapest_rounds(problem, shift))


def travel(problem: Problem, order: list[int]) -> int:
    """Travel of a round of the first shift; none when it makes no visit."""
    if not order:
        return 0
    shift = problem.shifts[0]
    route = [shift.start_place, *(problem.visits[at].place for at in order), shift.end_place]
    return sum(
        int(problem.travel_minutes[route[at], route[at + 1]]) for at in range(len(route) - 1)
    )
