"""Rounds seen on the way, put together: against every choice of rounds, and what is kept."""

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from scheduler.routing import rounds_seen
from scheduler.routing.partition import Columns, cheapest_partition
from scheduler.routing.problem import Place, Problem, Shift, Visit
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
    seen.add(rounds)
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
    seen.add(rounds)
    nothing_made = sum(visit.leave_out_cost for visit in problem.visits)
    found = seen.put_together(nothing_made, 0.0)
    assert found is None or worth(problem, found) < nothing_made


def one_round(leave_out_cost: int) -> RoundsSeen:
    """One visit that one shift makes for a cost of 7."""
    visit = Visit(
        id="v", place=0, minutes=1, start_windows=((0, 9),), leave_out_cost=leave_out_cost
    )
    shift = Shift(id="s", technician="t", start_place=0, end_place=0, start=0, end=60)
    seen = RoundsSeen(
        Problem(
            minute_zero=datetime(2030, 1, 1, tzinfo=UTC),
            places=(Place(id="here"),),
            travel_minutes=np.zeros((1, 1), dtype=np.int32),
            shifts=(shift,),
            visits=(visit,),
        )
    )
    seen.add([Round(0, (0,), 7)])
    return seen


def test_both_steps_keep_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    limits: list[float] = []
    asked: list[bool] = []

    def timed(*arguments: Any, options: dict[str, float], **named: Any) -> Any:
        limits.append(options["time_limit"])
        return linprog(*arguments, options=options, **named)

    def asking(
        columns: Columns, below: int, most: int, is_over: Callable[[], bool]
    ) -> list[int] | None:
        asked.append(is_over())
        return cheapest_partition(columns, below, most, is_over)

    monkeypatch.setattr(rounds_seen, "linprog", timed)
    monkeypatch.setattr(rounds_seen, "cheapest_partition", asking)
    assert one_round(50).put_together(50, 20.0) == [Round(0, (0,), 7)]
    assert one_round(50).put_together(50, 1e-9) is None
    assert limits == [20.0, 1e-9]
    assert asked == [False, True]


def test_prices_a_rounding_error_too_low_are_borne(monkeypatch: pytest.MonkeyPatch) -> None:
    exact = rounds_seen.linprog

    def inexact(*arguments: Any, **named: Any) -> Any:
        found = exact(*arguments, **named)
        found.eqlin.marginals -= 1e-12
        return found

    monkeypatch.setattr(rounds_seen, "linprog", inexact)
    assert one_round(50).put_together(8) is None


def test_the_first_rounds_are_forgotten_beyond_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rounds_seen, "_MOST_KEPT", 2)
    seen = one_round(50)  # its round costs 7
    seen.add([Round(1, (0,), 9), Round(2, (0,), 8)])
    assert len(seen._cheapest) == 2
    assert Round(0, (0,), 7) not in seen._cheapest.values()
