"""Rounds seen on the way, put together: against every choice of rounds, and what is kept."""

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing.problem import Problem
from scheduler.routing.rounds_seen import Round, RoundsSeen
from tests.scheduler.routing.strategies import problems


def cheapest(problem: Problem, rounds: list[Round]) -> int:
    """Try every choice of rounds."""
    leave_out = [visit.leave_out_cost for visit in problem.visits]
    best = sum(leave_out)
    for count in range(1, len(rounds) + 1):
        for chosen in combinations(rounds, count):
            made = [visit for one in chosen for visit in one.visits]
            shifts = [one.shift for one in chosen]
            if len(set(made)) == len(made) and len(set(shifts)) == len(shifts):
                left = sum(cost for at, cost in enumerate(leave_out) if at not in made)
                best = min(best, left + sum(one.cost for one in chosen))
    return best


def worth(problem: Problem, rounds: list[Round]) -> int:
    made = {visit for one in rounds for visit in one.visits}
    left = sum(v.leave_out_cost for at, v in enumerate(problem.visits) if at not in made)
    return left + sum(one.cost for one in rounds)


@st.composite
def pools(draw: st.DrawFn) -> tuple[Problem, list[Round]]:
    problem = draw(problems())
    if not problem.visits or not problem.shifts:
        return problem, []
    made = st.sets(st.integers(0, len(problem.visits) - 1), min_size=1, max_size=4)
    rounds = st.builds(
        lambda shift, visits, cost: Round(shift, tuple(sorted(visits)), cost),
        st.integers(0, len(problem.shifts) - 1),
        made,
        st.integers(0, 600),
    )
    return problem, draw(st.lists(rounds, max_size=9))


@settings(max_examples=150, deadline=None)
@given(pool=pools())
def test_no_choice_of_rounds_is_cheaper(pool: tuple[Problem, list[Round]]) -> None:
    problem, rounds = pool
    seen = RoundsSeen(problem)
    for one in rounds:
        seen.add(one)
    best = cheapest(problem, rounds)
    nothing_made = sum(visit.leave_out_cost for visit in problem.visits)
    assert seen.put_together(best) is None
    found = seen.put_together(nothing_made)
    if best == nothing_made:
        assert found is None
    else:
        assert found is not None
        made = [visit for one in found for visit in one.visits]
        shifts = [one.shift for one in found]
        assert len(set(made)) == len(made)
        assert len(set(shifts)) == len(shifts)
        assert worth(problem, found) == best


@given(pool=pools())
def test_with_no_time_nothing_is_made_up(pool: tuple[Problem, list[Round]]) -> None:
    problem, rounds = pool
    seen = RoundsSeen(problem)
    for one in rounds:
        seen.add(one)
    nothing_made = sum(visit.leave_out_cost for visit in problem.visits)
    found = seen.put_together(nothing_made, 0.0)
    assert found is None or worth(problem, found) < nothing_made
