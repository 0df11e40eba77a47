"""Repairing a published plan: what has begun stays, little else moves, and for a reason."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidProblem
from scheduler.replanning import (
    ChangeCosts,
    repair,
    with_change_costs,
    with_past_frozen,
    with_times_kept,
)
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.plan import Call, Cost, Plan, Stop
from scheduler.routing.problem import Pin, Place, Problem, Shift, Visit, Workshop
from tests.scheduler.routing.strategies import problems

DAY = 24 * 60
SHORT = Iterations(200)


def shift(who: str, day: int, start_place: int = 0) -> Shift:
    """From eight to noon."""
    return Shift(
        id=f"{who}/{day}",
        technician=who,
        start_place=start_place,
        end_place=start_place,
        start=DAY * day + 480,
        end=DAY * day + 720,
    )


def visit(name: str, place: int, *days: int) -> Visit:
    """Half an hour, any time of the morning."""
    return Visit(
        id=name,
        place=place,
        minutes=30,
        start_windows=tuple((DAY * day + 480, DAY * day + 690) for day in days),
        leave_out_cost=500,
    )


def road(shifts: tuple[Shift, ...], visits: tuple[Visit, ...]) -> Problem:
    """Ten places along a road, ten minutes apart."""
    at = np.arange(10)
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=f"km{number}") for number in range(10)),
        travel_minutes=(10 * abs(at[:, None] - at[None, :])).astype(np.int32),
        shifts=shifts,
        visits=visits,
    )


def published(*stops: tuple[str, str, int]) -> Plan:
    """A plan whose costs nobody asks for."""
    made = tuple(Stop(visit=name, shift=where, start=start) for name, where, start in stops)
    return Plan(
        stops=made, breaks=(), left_out=(), cost=Cost(travel=0, shift_costs=0, left_out=0, total=0)
    )


def test_a_change_costs_by_who_and_by_day() -> None:
    problem = road(
        (shift("ann", 0), shift("ann", 1), shift("bob", 0), shift("bob", 1)),
        (replace(visit("v", 1, 0, 1), shift_costs={"bob/1": 2}), visit("new", 2, 0)),
    )
    plan = published(("v", "ann/0", 490))
    stiff = with_change_costs(problem, plan, ChangeCosts(technician=10, day=7))
    assert [dict(each.shift_costs) for each in stiff.visits] == [
        {"ann/1": 7, "bob/0": 10, "bob/1": 2 + 10 + 7},
        {},
    ]


def test_a_visit_whose_round_is_no_more_goes_anywhere_at_no_cost() -> None:
    problem = road((shift("bob", 0),), (visit("v", 1, 0),))
    plan = published(("v", "ann/0", 490))
    assert with_change_costs(problem, plan, ChangeCosts()) == problem


def test_what_has_begun_is_pinned_even_outside_its_windows() -> None:
    problem = road((shift("ann", 0),), (visit("begun", 1, 1), visit("later", 2, 0)))
    plan = published(("begun", "ann/0", 490), ("later", "ann/0", 530))
    frozen = with_past_frozen(problem, plan, 500)
    assert frozen.visits[0].pinned == Pin(shift="ann/0", start=490)
    assert frozen.visits[0].may_start_at(490)
    assert frozen.visits[1] == problem.visits[1]


def test_a_round_that_has_called_at_the_workshop_lacks_nothing_any_more() -> None:
    ann = replace(shift("ann", 0), workshop=Workshop(place=0))
    torch = replace(visit("torch", 1, 0), tools=frozenset({"torch"}))
    problem = road((ann,), (torch, replace(visit("later", 2, 0), parts={"seal": 2})))
    plan = replace(
        published(("torch", "ann/0", 490), ("later", "ann/0", 530)),
        calls=(Call(shift="ann/0", before="torch"),),
    )
    outcome = repair(problem, plan, stop=SHORT, seed=1, frozen_before=500)
    assert check(outcome.problem, outcome.plan) == ()
    assert {stop.visit: stop.start for stop in outcome.plan.stops} == {"torch": 490, "later": 530}


def test_a_visit_that_lost_its_neighbour_keeps_its_minute() -> None:
    # "first" is gone; "second" could start at 500 now, but people have read 540.
    problem = road((shift("ann", 0),), (visit("second", 2, 0),))
    plan = published(("first", "ann/0", 490), ("second", "ann/0", 540))
    free = solve(problem, stop=SHORT, seed=1)
    assert free.stops == (Stop(visit="second", shift="ann/0", start=500),)
    kept = with_times_kept(problem, free, plan)
    assert kept.stops == (Stop(visit="second", shift="ann/0", start=540),)
    assert check(problem, kept) == ()


def test_a_callback_shifts_what_it_must_and_nothing_else() -> None:
    # The callback between 500 and 520 at km2 takes the time of "b" at 510; "b" moves behind it on
    # the same round, "c" keeps its hour. Bob's drive of 20 minutes to "a" could be saved, for 30.
    a, b, c = visit("a", 1, 0), visit("b", 2, 0), visit("c", 3, 0)
    urgent = replace(visit("urgent", 2, 0), start_windows=((500, 530),), leave_out_cost=9000)
    problem = road((shift("ann", 0), shift("bob", 0)), (b, c, urgent, a))
    plan = published(("b", "ann/0", 510), ("c", "ann/0", 640), ("a", "bob/0", 600))
    outcome = repair(problem, plan, stop=SHORT, seed=1, costs=ChangeCosts(technician=30))
    assert check(outcome.problem, outcome.plan) == ()
    assert (outcome.handed_over, outcome.other_day, outcome.withdrawn) == ((), (), ())
    starts = {stop.visit: (stop.shift, stop.start) for stop in outcome.plan.stops}
    assert starts["c"] == ("ann/0", 640)
    assert starts["a"] == ("bob/0", 600)
    assert starts["urgent"][1] in range(500, 531)


def test_an_absence_moves_the_absent_persons_visits_only() -> None:
    # Ann lives at km9 and cannot come; bob at km0 takes over what was hers, and
    # makes everything else on the day it was to be made.
    visits = tuple(visit(f"v{at}", at, 0, 1) for at in range(1, 7))
    problem = road((shift("bob", 0), shift("bob", 1)), visits)
    plan = published(
        ("v1", "bob/0", 490),
        ("v2", "bob/0", 530),
        ("v5", "ann/0", 530),
        ("v6", "ann/0", 490),
        ("v3", "bob/1", 510),
        ("v4", "bob/1", 550),
    )
    outcome = repair(problem, plan, stop=SHORT, seed=1)
    assert outcome.handed_over == ("v5", "v6")
    assert (outcome.other_day, outcome.withdrawn) == ((), ())


def test_the_cost_without_the_cost_of_changes_can_be_had() -> None:
    problem = road((shift("ann", 0), shift("ann", 1)), (visit("v", 1, 1),))
    plan = published(("v", "ann/0", 490))
    outcome = repair(problem, plan, stop=SHORT, seed=1, costs=ChangeCosts(day=7))
    assert outcome.other_day == ("v",)
    assert (outcome.plan.cost.total, outcome.unstiffened(problem).cost.total) == (27, 20)


def test_a_cost_below_nothing_is_refused() -> None:
    with pytest.raises(InvalidProblem, match="technician: must be a cost from 0"):
        ChangeCosts(technician=-1)


@given(
    problem=problems(supplies=True, shortcuts=False, sites=True),
    seed=st.integers(0, 5),
    data=st.data(),
)
@settings(max_examples=40, deadline=None)
def test_a_repair_keeps_every_rule_whatever_is_lost(
    problem: Problem, seed: int, data: st.DataObject
) -> None:
    plan = solve(problem, stop=Iterations(30), seed=seed)
    lost = data.draw(st.sampled_from([each.id for each in problem.shifts]))
    left = replace(
        problem,
        shifts=tuple(each for each in problem.shifts if each.id != lost),
        visits=tuple(
            replace(
                each,
                pinned=None if each.pinned is None or each.pinned.shift == lost else each.pinned,
                shift_costs={k: cost for k, cost in each.shift_costs.items() if k != lost},
            )
            for each in problem.visits
        ),
    )
    outcome = repair(left, plan, stop=Iterations(30), seed=seed, frozen_before=100)
    assert check(outcome.problem, outcome.plan) == ()
    begun = {stop for stop in plan.stops if stop.start < 100 and stop.shift != lost}
    assert begun <= set(outcome.plan.stops)
    changed = {*outcome.handed_over, *outcome.other_day, *outcome.other_time, *outcome.withdrawn}
    stays = {stop for stop in plan.stops if stop.visit not in changed}
    assert stays <= set(outcome.plan.stops)


def test_two_who_meet_are_not_parted_to_keep_a_minute() -> None:
    """Only Ann is back at her minute; Bob, who helps her, could not be there."""
    lift, help_out = visit("lift", 1, 0), replace(visit("help", 1, 0), together_with="lift")
    problem = road((shift("ann", 0), shift("bob", 0)), (lift, help_out))
    met = published(("lift", "ann/0", 500), ("help", "bob/0", 500))
    before = published(("lift", "ann/0", 520), ("help", "ann/1", 520))
    kept = with_times_kept(problem, met, before)
    assert {stop.start for stop in kept.stops} == {500}
