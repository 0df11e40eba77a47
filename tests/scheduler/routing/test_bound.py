"""The lower bound: by hand, and never above the optimum."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings

from scheduler.routing.bound import lower_bound
from scheduler.routing.problem import Pin, Problem
from tests.scheduler.routing.exact import optimum
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import BURNER, PROBE, VALVES, world


def test_bound_of_a_world_where_it_is_tight() -> None:
    # Ann makes valves and burner (10 + 5 + 18); the probe costs 70 by itself, by either.
    assert lower_bound(world(VALVES)) == optimum(world(VALVES)) == 10 + 12
    assert lower_bound(world(BURNER)) == optimum(world(BURNER)) == 20 + 18
    assert lower_bound(world(PROBE)) == optimum(world(PROBE)) == 30 + 40


def test_bound_counts_what_nobody_can_do() -> None:
    assert lower_bound(world(replace(PROBE, skills=frozenset({"gas", "lifting"})))) == 100


def test_bound_charges_a_pin_whatever_it_costs() -> None:
    pinned = replace(PROBE, leave_out_cost=0, pinned=Pin(shift="bo/mon", start=510))
    assert lower_bound(world(pinned)) == 30 + 40 + 7


def test_bound_of_nothing_is_zero() -> None:
    assert lower_bound(replace(world(), visits=())) == 0
    nowhere = replace(world(), places=(), travel_minutes=np.zeros((0, 0)), shifts=(), visits=())
    assert lower_bound(nowhere) == 0
    assert lower_bound(replace(world(PROBE), shifts=(), visits=(VALVES,))) == 300


def test_bound_follows_shortcuts() -> None:
    # Without the triangle inequality a detour can be the faster way: home to fell takes 300 but
    # 10 + 25 by the mill. The bound must not believe the probe (by 560) out of reach.
    travel = world().travel_minutes.copy()
    travel[0, 3] = 300
    errand = replace(VALVES, minutes=0, leave_out_cost=50, start_windows=((480, 540),))
    dear = replace(PROBE, leave_out_cost=1000)
    problem = replace(world(errand, dear), travel_minutes=travel)
    # home, mill (490), fell (515-535), home (575): 10 + 25 + 40
    assert optimum(problem) == 75
    assert lower_bound(problem) <= 75


@settings(max_examples=200)
@given(problems(people=True, sites=True))
def test_bound_is_never_above_the_optimum(problem: Problem) -> None:
    assert 0 <= lower_bound(problem) <= optimum(problem)
