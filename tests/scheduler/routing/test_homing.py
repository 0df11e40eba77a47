"""Visits that would cost less on one round than on all others find the way back there."""

from dataclasses import replace

import pytest

from scheduler.routing.engine import Iterations, solve
from scheduler.routing.flattening import flatten, has_homes
from scheduler.routing.kernel.layout import HOME_ROW
from scheduler.routing.params import Params
from scheduler.routing.plan import Plan, Stop, cost_of
from scheduler.routing.problem import Pin, Problem, Visit
from tests.scheduler.routing.test_engine import along_a_road, day, visit

ONE_AT_A_TIME = Params(least_removed=1, most_removed=1, longest_string=1)
BOTH_DAYS = ((0, 100), (1000, 1100))


def two_full_days() -> Problem:
    """Two visits at the second place, each of which fills a day; each prefers one."""
    early = replace(visit("early", 1, 60, *BOTH_DAYS), shift_costs={"t/1": 8})
    late = replace(visit("late", 1, 60, *BOTH_DAYS), shift_costs={"t/0": 8})
    return along_a_road((day(0), day(1)), (early, late))


def exchanged(problem: Problem) -> Plan:
    """Each visit on the day the other prefers."""
    stops = (
        Stop(visit="late", shift="t/0", start=10),
        Stop(visit="early", shift="t/1", start=1010),
    )
    return Plan(stops=stops, breaks=(), left_out=(), cost=cost_of(problem, stops))


def homes(*visits: Visit) -> list[int]:
    world = flatten(along_a_road((day(0), day(1), day(2)), visits), None, 3)
    column: list[int] = world.visits[:-1, HOME_ROW].tolist()
    return column


def test_a_home_is_the_one_round_that_costs_least() -> None:
    three_days = (*BOTH_DAYS, (2000, 2100))
    anywhere = visit("anywhere", 1, 30, *three_days)
    assert homes(
        anywhere,  # three rounds cost nothing
        replace(anywhere, id="second", shift_costs={"t/0": 2, "t/1": 1, "t/2": 3}),
        replace(anywhere, id="not-first", shift_costs={"t/0": 2}),  # two cost nothing
        replace(anywhere, id="nobody", start_windows=()),
        replace(anywhere, id="only", start_windows=((1000, 1100),)),
        replace(anywhere, id="pinned", pinned=Pin(shift="t/0", start=10)),
    ) == [-1, 1, -1, -1, -1, -1]


@pytest.mark.parametrize(("share", "stand_on"), [(0.0, ["t/1", "t/0"]), (1.0, ["t/0", "t/1"])])
def test_two_visits_exchange_their_rounds_where_one_alone_fits_nowhere(
    share: float, stand_on: list[str]
) -> None:
    # With one visit out at a time only the place it came from is free.
    problem = two_full_days()
    plan = solve(
        problem,
        stop=Iterations(20),
        seed=1,
        params=replace(ONE_AT_A_TIME, homing_share=share),
        start_from=exchanged(problem),
    )
    shift_of = {stop.visit: stop.shift for stop in plan.stops}
    assert [shift_of["early"], shift_of["late"]] == stand_on


def test_where_no_visit_has_a_home_the_search_takes_no_notice() -> None:
    visits = tuple(visit(f"v{at}", at, 10, *BOTH_DAYS, cost=100 + at) for at in range(1, 10))
    problem = along_a_road((day(0), day(1)), visits)
    assert not has_homes(flatten(problem, None, 3))
    plans = [
        solve(problem, stop=Iterations(300), seed=3, params=Params(homing_share=share))
        for share in (0.0, 1.0)
    ]
    assert plans[0] == plans[1]
