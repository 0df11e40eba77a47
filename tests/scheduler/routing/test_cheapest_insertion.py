"""The plain plan everything else is measured against."""

from dataclasses import replace

import numpy as np
from hypothesis import given

from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.checker import check
from scheduler.routing.plan import BreakTaken, Cost, LeftOut, Plan, Stop
from scheduler.routing.problem import Pin, Problem
from tests.scheduler.routing.exact import optimum
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import ANN, BO, FELL, HOME, PROBE, VALVES, world


def test_plan_of_the_world() -> None:
    # Dearest first. Valves: 10 + 12 by either, so by Ann, who comes first. Burner: after the
    # valves for 5 + 18 - 12 = 11 (before them 17). Probe: only before the valves can Ann be at
    # fell in time, for 30 + 25 - 10 = 45: fell 510-530, mill 555, shut until 600, break 560-590,
    # valves 600-660, quay 665, burner 665-710, home 728, after her shift. So Bo, for 77.
    # Ann: valves 490-550, quay 555, burner 555-600, home 618, break there 618-648.
    assert cheapest_insertion(world()) == Plan(
        stops=(
            Stop(visit="valves", shift="ann/mon", start=490),
            Stop(visit="burner", shift="ann/mon", start=555),
            Stop(visit="probe", shift="bo/mon", start=510),
        ),
        breaks=(BreakTaken(shift="ann/mon", start=618),),
        left_out=(),
        cost=Cost(travel=103, shift_costs=7, left_out=0, total=110),
    )


def test_a_visit_not_worth_its_way_is_left_out() -> None:
    # 77 for Bo, 70 for Ann
    cheap = replace(PROBE, leave_out_cost=70)
    assert cheapest_insertion(world(cheap)).left_out == (LeftOut(visit="probe"),)
    assert cheapest_insertion(world(replace(PROBE, leave_out_cost=71))).left_out == ()


def test_pinned_visits_stand_whatever_they_cost() -> None:
    pinned = replace(VALVES, leave_out_cost=0, pinned=Pin(shift="bo/mon", start=500))
    assert cheapest_insertion(world(pinned)).stops == (
        Stop(visit="valves", shift="bo/mon", start=500),
    )


def test_a_pin_reached_by_way_of_another_is_kept() -> None:
    # Home to fell takes 300 minutes, but only 10 + 25 by the mill, where the other pin is.
    travel = world().travel_minutes.copy()
    travel[HOME, FELL] = 300
    errand = replace(VALVES, minutes=0, pinned=Pin(shift="ann/mon", start=490))
    probe = replace(PROBE, pinned=Pin(shift="ann/mon", start=540))
    assert cheapest_insertion(replace(world(probe, errand), travel_minutes=travel)).stops == (
        Stop(visit="valves", shift="ann/mon", start=490),
        Stop(visit="probe", shift="ann/mon", start=540),
    )


@given(problems(people=True, sites=True))
def test_plain_plan_keeps_the_rules_and_never_beats_the_optimum(problem: Problem) -> None:
    plan = cheapest_insertion(problem)
    assert check(problem, plan) == ()
    assert plan.cost.total >= optimum(problem)


def test_same_problem_same_plan() -> None:
    problem = world(shifts=(ANN, BO, replace(BO, id="bo/tue")))
    assert cheapest_insertion(problem) == cheapest_insertion(problem)
    assert np.array_equal(problem.travel_minutes, world().travel_minutes)
