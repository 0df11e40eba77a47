"""Rounds seen on the way, put together: against every choice of rounds, and what is kept."""

from datetime import UTC, datetime
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing import partition, rounds_seen
from scheduler.routing.problem import Pin, Place, Problem, Shift, Visit
from scheduler.routing.rounds_seen import Round, RoundsSeen
from tests.scheduler.routing.strategies import problems

MUCH = 1_000_000


def cheapest(problem: Problem, rounds: list[Round]) -> int | None:
    """Try every choice of rounds; None where none makes all that is pinned."""
    leave_out = [visit.leave_out_cost for visit in problem.visits]
    pinned = {at for at, visit in enumerate(problem.visits) if visit.pinned is not None}
    worths = []
    for count in range(len(rounds) + 1):
        for chosen in combinations(rounds, count):
            made = [visit for one in chosen for visit in one.visits]
            shifts = [one.shift for one in chosen]
            if len(set(made)) == len(made) and len(set(shifts)) == len(shifts):
                left = sum(cost for at, cost in enumerate(leave_out) if at not in made)
                if pinned <= set(made):
                    worths.append(left + sum(one.cost for one in chosen))
    return min(worths, default=None)


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
    if best is None or not rounds:
        assert seen.put_together(MUCH) is None
        return
    assert seen.put_together(best) is None
    for beaten in (best + 1, MUCH):
        found = seen.put_together(beaten)
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
    assert seen.put_together(nothing_made, lambda: 0.0) is None


def one_round(leave_out_cost: int, *, pinned: Pin | None = None) -> RoundsSeen:
    """One visit that one shift makes for a cost of 7."""
    visit = Visit(
        id="v",
        place=0,
        minutes=1,
        start_windows=((0, 9),),
        leave_out_cost=leave_out_cost,
        pinned=pinned,
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


def test_an_improvement_of_a_minute_is_found_though_prices_are_inexact(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    exact = partition.linprog

    def inexact(*arguments: Any, **named: Any) -> Any:
        found = exact(*arguments, **named)
        found.eqlin.marginals -= 1e-9
        found.fun += 1e-9
        return found

    monkeypatch.setattr(partition, "linprog", inexact)
    assert one_round(50).put_together(8) == [Round(0, (0,), 7)]


def test_what_is_pinned_is_not_left_out() -> None:
    dear = one_round(5, pinned=Pin(shift="s", start=0))
    assert dear.put_together(50) == [Round(0, (0,), 7)]
    assert one_round(5).put_together(50) == []


def test_rounds_longest_not_seen_are_forgotten_beyond_a_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(rounds_seen, "_MOST_KEPT", 2)
    seen = one_round(50)  # its round costs 7
    seen.add([Round(1, (0,), 9), Round(0, (0,), 8), Round(2, (0,), 8)])
    assert list(seen._cheapest.values()) == [Round(0, (0,), 7), Round(2, (0,), 8)]
