"""Long searches: every rule kept, the optimum reached, the same again, and what was given kept."""

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from threading import Event
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.routing import engine, turns
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.options import options_of
from scheduler.routing.params import Params
from scheduler.routing.plan import LeftOut, Plan
from scheduler.routing.problem import Charge, Pin, Problem
from scheduler.routing.rounds_seen import Round, RoundsSeen
from scheduler.routing.running import Run
from tests.scheduler.routing import exact
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.test_engine import town

SHORT_TURNS = Params(
    first_turn_per_visit=20, turn_per_visit=5, note_per_visit=2, least_turns=2, neighbours=20
)


@settings(max_examples=60, deadline=None)
@given(
    problem=problems(supplies=True, people=True, links=True, sites=True, charges=tuple(Charge)),
    seed=st.integers(0, 5),
)
def test_long_searches_keep_every_rule(problem: Problem, seed: int) -> None:
    plan = solve(problem, stop=Iterations(600), seed=seed, params=SHORT_TURNS)
    assert check(problem, plan) == ()


@settings(max_examples=30, deadline=None)
@given(problem=problems(max_visits=5))
def test_long_searches_reach_the_optimum(problem: Problem) -> None:
    plan = solve(problem, stop=Iterations(2000), seed=1, params=SHORT_TURNS)
    assert plan.cost.total == exact.optimum(problem)


def test_same_seed_and_iterations_give_the_same_plan() -> None:
    plans = [
        solve(town(5, 40), stop=Iterations(4000), seed=3, params=SHORT_TURNS, threads=threads)
        for threads in (1, 1, 2, 2)
    ]
    assert plans[0] == plans[1]
    assert plans[2] == plans[3]


def test_threads_of_any_pace_see_the_same_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first of three runs pauses two times out of three."""
    plain_runs, plain_step, seen = engine.begin_runs, Run.go_on, [list[Round]()]

    def with_a_slow_one(*arguments: Any) -> list[Run]:
        runs = plain_runs(*arguments)
        slow[runs[0]] = 0
        return runs

    def slowed(run: Run, *arguments: Any) -> None:
        if run in slow:
            slow[run] += 1
        if slow.get(run, 0) % 3 == 0:
            plain_step(run, *arguments)

    def note(own: RoundsSeen, rounds: Iterable[Round]) -> None:
        seen[-1] += rounds

    slow: dict[Run, int] = {}
    monkeypatch.setattr(RoundsSeen, "add", note)
    stop = Iterations(2400)
    solve(town(5, 40), stop=stop, seed=3, params=SHORT_TURNS, threads=3)
    seen.append([])
    monkeypatch.setattr(engine, "begin_runs", with_a_slow_one)
    monkeypatch.setattr(Run, "go_on", slowed)
    solve(town(5, 40), stop=stop, seed=3, params=SHORT_TURNS, threads=3)
    assert seen[0] == seen[1] != []


def test_progress_counts_all_turns_and_never_gets_worse() -> None:
    reported: list[Progress] = []
    plan = solve(
        town(5, 40),
        stop=Iterations(4000),
        seed=1,
        params=SHORT_TURNS,
        on_progress=reported.append,
    )
    assert reported[-1].iterations == 4000
    counts = [progress.iterations for progress in reported]
    assert counts == sorted(counts)
    costs = [progress.cost for progress in reported]
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] == plan.cost.total


def test_seconds_are_kept_and_whatever_was_reported_is_returned() -> None:
    reported: list[Progress] = []
    plan = solve(
        town(6, 40), stop=Seconds(1.0), seed=1, params=SHORT_TURNS, on_progress=reported.append
    )
    assert 0.99 <= reported[-1].seconds < 3
    counts = [progress.iterations for progress in reported]
    assert counts == sorted(counts)
    assert plan.cost.total == reported[-1].cost


def test_a_long_search_can_be_called_off() -> None:
    reported: list[Progress] = []
    plan = solve(
        town(6, 40),
        stop=Iterations(10**9),
        seed=1,
        params=SHORT_TURNS,
        on_progress=reported.append,
        should_cancel=lambda: len(reported) >= 40,
    )
    assert len(reported) == 40
    assert plan.cost.total == reported[-1].cost


def test_it_is_told_of_while_rounds_are_put_together(monkeypatch: pytest.MonkeyPatch) -> None:
    told, heard = Event(), list[bool]()

    def put_together(seen: RoundsSeen, cost: int, seconds_left: Callable[[], float]) -> None:
        told.clear()
        heard.append(told.wait(60))

    monkeypatch.setattr(RoundsSeen, "put_together", put_together)
    solve(
        town(5, 20),
        stop=Iterations(4000),
        seed=1,
        params=SHORT_TURNS,
        on_progress=lambda at: told.set(),
    )
    assert heard
    assert all(heard)


def test_calling_off_ends_the_putting_together(monkeypatch: pytest.MonkeyPatch) -> None:
    called_off, left = Event(), list[float]()

    def put_together(seen: RoundsSeen, cost: int, seconds_left: Callable[[], float]) -> None:
        before = seconds_left()
        called_off.set()
        while seconds_left() > 0:  # until it is asked and says so
            pass
        left.extend([before, seconds_left()])

    monkeypatch.setattr(RoundsSeen, "put_together", put_together)
    solve(
        town(5, 20),
        stop=Iterations(10_000),
        seed=1,
        params=SHORT_TURNS,
        should_cancel=called_off.is_set,
    )
    assert left == [math.inf, 0.0]


@pytest.mark.parametrize("days_to_spare", [True, False])
def test_where_no_day_can_be_spared_nearly_all_turns_begin_anew(days_to_spare: bool) -> None:
    problem = town(5, 20)
    whole = solve(problem, stop=Iterations(500), seed=1)
    short = replace(
        whole,
        left_out=(*whole.left_out, LeftOut(visit=whole.stops[0].visit)),
        cost=replace(whole.cost, left_out=whole.cost.left_out + 900, total=whole.cost.total + 900),
    )
    anew: list[bool] = []

    def turn(*, closed: frozenset[str], start_from: Plan | None, **_: Any) -> Plan:
        anew.append(start_from is None)
        return whole if days_to_spare or not closed else short

    turns.search_in_turns(
        problem,
        seed=1,
        params=SHORT_TURNS,
        start_from=None,
        known=None,
        turn=turn,
        clock=turns.Clock(
            progress=lambda: len(anew) / 400,
            seconds_left=lambda: None,
            is_over=lambda: len(anew) >= 400,
            tell=lambda: None,
        ),
    )
    share = sum(anew[50:]) / len(anew[50:])
    assert (0.2 < share < 0.4) if days_to_spare else (0.8 < share < 0.97)


def test_closed_shifts_are_no_option_except_for_what_is_pinned_to_them() -> None:
    problem = town(5, 40)
    closed = frozenset({problem.shifts[0].id})
    shifts = options_of(problem, closed).table[:, 0]
    assert 0 not in shifts
    assert set(np.unique(options_of(problem).table[:, 0])) - set(np.unique(shifts)) == {0}


def working_time(problem: Problem) -> Problem:
    return replace(problem, charge=Charge.WORKING_TIME)


@pytest.mark.parametrize("seed", range(3))
def test_a_plan_to_start_from_is_taken_over_as_it_is_where_working_time_is_charged(
    seed: int,
) -> None:
    problem = working_time(town(seed, 40))
    before = solve(problem, stop=Iterations(1500), seed=1)
    again = solve(problem, stop=Iterations(0), seed=2, start_from=before)
    assert again.cost.total == before.cost.total
    assert {(s.visit, s.shift) for s in again.stops} == {(s.visit, s.shift) for s in before.stops}


def test_rounds_put_together_are_taken_over_with_their_pins_in_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem = town(7, 40)
    before = solve(problem, stop=Iterations(1500), seed=1)
    middle = sorted((stop.start, stop) for stop in before.stops if stop.shift == "t0/1")[1][1]
    pinned = replace(
        problem,
        visits=tuple(
            replace(visit, pinned=Pin(shift=middle.shift, start=middle.start))
            if visit.id == middle.visit
            else visit
            for visit in problem.visits
        ),
    )
    numbers = {visit.id: at for at, visit in enumerate(problem.visits)}
    rounds = []
    for at, shift in enumerate(problem.shifts):
        order = sorted((s.start, numbers[s.visit]) for s in before.stops if s.shift == shift.id)
        if order:
            rounds.append(Round(at, tuple(visit for _, visit in order), 0))
    again = solve(
        pinned,
        stop=Iterations(0),
        seed=2,
        start_from=turns._in_order(pinned, before, rounds),
    )
    assert again.cost.total == before.cost.total
