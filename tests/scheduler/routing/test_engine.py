"""The search: plans by hand, the same plan again, progress, cancelling, starting from a plan."""

import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidParams
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.params import Params
from scheduler.routing.plan import BreakTaken, Call, Cost, LeftOut, Plan, Stop
from scheduler.routing.problem import Charge, Pause, Pin, Place, Problem, Shift, Visit, Workshop
from tests.scheduler.routing.strategies import problems

ZERO = datetime(2027, 3, 1, tzinfo=UTC)


def along_a_road(shifts: tuple[Shift, ...], visits: tuple[Visit, ...]) -> Problem:
    """Places 0 to 9 stand ten minutes apart along a road."""
    at = np.arange(10)
    return Problem(
        minute_zero=ZERO,
        places=tuple(Place(id=f"km{number}") for number in range(10)),
        travel_minutes=(10 * abs(at[:, None] - at[None, :])).astype(np.int32),
        shifts=shifts,
        visits=visits,
    )


def day(number: int, skills: frozenset[str] = frozenset(), pause: Pause | None = None) -> Shift:
    """The shift from minute 0 to 100 of a day of 1,000 minutes, from place 0 and back."""
    return Shift(
        id=f"t/{number}",
        technician="t",
        start_place=0,
        end_place=0,
        start=1000 * number,
        end=1000 * number + 100,
        skills=skills,
        pause=pause,
    )


def visit(name: str, place: int, minutes: int, *windows: tuple[int, int], cost: int = 500) -> Visit:
    return Visit(id=name, place=place, minutes=minutes, start_windows=windows, leave_out_cost=cost)


def town(seed: int, n_visits: int = 100) -> Problem:
    """Three technicians and four days, with more work than fits."""
    random = np.random.default_rng(seed)
    n_places = n_visits + 3
    x, y = random.uniform(0, 60, n_places), random.uniform(0, 60, n_places)
    travel = np.ceil(np.hypot(x[:, None] - x, y[:, None] - y)).astype(np.int32)
    shifts = tuple(
        Shift(
            id=f"t{who}/{number}",
            technician=f"t{who}",
            start_place=who,
            end_place=who,
            start=1440 * number + 480,
            end=1440 * number + 990,
            skills=frozenset({"gas"} if who else {"gas", "pressure"}),
            pause=Pause(minutes=30, earliest=1440 * number + 690, latest=1440 * number + 840),
        )
        for who in range(3)
        for number in range(4)
    )
    visits = []
    for at in range(n_visits):
        days = random.permutation(4)[: random.integers(1, 5)]
        opens = int(random.integers(420, 700))
        visits.append(
            Visit(
                id=f"v{at}",
                place=3 + at,
                minutes=int(random.choice([15, 45, 60, 90])),
                skills=frozenset({"pressure"} if random.random() < 0.1 else {"gas"}),
                start_windows=tuple(
                    (1440 * int(number) + opens, 1440 * int(number) + opens + 240)
                    for number in days
                ),
                leave_out_cost=int(random.integers(100, 1000)),
                shift_costs={"t1/0": 15, "t1/2": 3} if random.random() < 0.3 else {},
            )
        )
    return Problem(
        minute_zero=ZERO,
        places=tuple(Place(id=f"p{at}") for at in range(n_places)),
        travel_minutes=travel,
        shifts=shifts,
        visits=tuple(visits),
    )


def test_a_plan_is_what_one_works_out_by_hand() -> None:
    # Day 0: at km2 at 20, the break from 20 to 40, a from 40 to 60, home at 80. With a first, the
    # break could only follow at once (40 to 60), and b could not start before 70, ten minutes
    # after its window; so b has to wait for day 1: 30 there, home at 70. c is 80 minutes away,
    # and leaving it out costs 70.
    pause = Pause(minutes=20, earliest=15, latest=60)
    problem = along_a_road(
        (day(0, pause=pause), day(1)),
        (
            visit("a", 2, 20, (0, 40)),
            visit("b", 3, 10, (0, 60), (1000, 1060)),
            visit("c", 8, 5, (0, 3000), cost=70),
        ),
    )
    plan = solve(problem, stop=Iterations(200), seed=1)
    assert plan == Plan(
        stops=(
            Stop(visit="a", shift="t/0", start=40),
            Stop(visit="b", shift="t/1", start=1030),
        ),
        breaks=(BreakTaken(shift="t/0", start=20),),
        left_out=(LeftOut(visit="c"),),
        cost=Cost(travel=100, shift_costs=0, left_out=70, total=170),
    )
    assert check(problem, plan) == ()


def test_a_dear_visit_takes_the_place_of_a_cheap_one() -> None:
    # Either fills the only day: 10 minutes there and back, 60 on site twice is too much.
    cheap = visit("cheap", 1, 60, (0, 100), cost=300)
    dear = visit("dear", 1, 60, (0, 100), cost=400)
    plan = solve(along_a_road((day(0),), (cheap, dear)), stop=Iterations(100), seed=1)
    assert plan.stops == (Stop(visit="dear", shift="t/0", start=10),)
    assert plan.cost == Cost(travel=20, shift_costs=0, left_out=300, total=320)


def test_a_weight_for_balance_spreads_the_work_over_the_days() -> None:
    # Two visits of 30 minutes at km1, a day each or one day for both. Together: 20 minutes of
    # travel and 80 of work in all, 60 * (80/60)^2 = 107. Apart: 40 of travel and 50 minutes each,
    # 2 * 60 * (50/60)^2 = 2 * 42.
    visits = (visit("a", 1, 30, (0, 100), (1000, 1100)), visit("b", 1, 30, (0, 100), (1000, 1100)))
    plain = along_a_road((day(0), day(1)), visits)
    together = solve(plain, stop=Iterations(100), seed=1)
    assert together.cost == Cost(travel=20, shift_costs=0, left_out=0, total=20)
    apart = solve(replace(plain, balance=60), stop=Iterations(100), seed=1)
    assert apart.cost == Cost(travel=40, shift_costs=0, left_out=0, balance=84, total=124)
    assert {stop.shift for stop in apart.stops} == {"t/0", "t/1"}


def test_with_a_usual_day_the_days_worked_become_alike() -> None:
    # Visits of an hour at km1 and three free days of five hours, 140 minutes being usual. Three
    # visits on one day take 200 minutes: 20 of travel and 12 * 1^2. Two and one: 40 and 12.
    any_day = ((0, 300), (1000, 1300), (2000, 2300))
    visits = tuple(visit(name, 1, 60, *any_day) for name in "abcd")
    days = tuple(replace(day(at), end=1000 * at + 300, usual_minutes=140) for at in range(3))
    four = replace(along_a_road(days, visits), balance=12)
    three = replace(four, visits=visits[:3])
    plan = solve(three, stop=Iterations(100), seed=1)
    assert plan.cost == Cost(travel=20, shift_costs=0, left_out=0, balance=12, total=32)
    assert check(three, plan) == ()
    # One more makes two usual days of 40 in all, where a day of 260 minutes is charged 20 and 48.
    plan = solve(four, stop=Iterations(100), seed=1)
    assert plan.cost == Cost(travel=40, shift_costs=0, left_out=0, total=40)
    assert sorted(Counter(stop.shift for stop in plan.stops).values()) == [2, 2]


def test_nobody_drives_above_their_limit() -> None:
    # Both visits together mean 60 minutes of travel; the limit of 40 leaves room for one.
    visits = (visit("near", 2, 5, (0, 100), cost=300), visit("far", 3, 5, (0, 100), cost=200))
    problem = along_a_road((replace(day(0), driving_limit=40),), visits)
    plan = solve(problem, stop=Iterations(100), seed=1)
    assert plan.stops == (Stop(visit="near", shift="t/0", start=20),)
    assert check(problem, plan) == ()


def test_whoever_is_quicker_gets_the_visit_nobody_else_has_time_for() -> None:
    slow = replace(visit("v", 1, 60, (0, 100), (1000, 1100)), shift_minutes={"t/0": 90, "t/1": 80})
    plan = solve(along_a_road((day(0), day(1)), (slow,)), stop=Iterations(100), seed=1)
    assert plan.stops == (Stop(visit="v", shift="t/1", start=1010),)


def test_a_pinned_visit_stays_and_the_rest_goes_around_it() -> None:
    # Pinned at km5 from 55 to 60, the technician must be home at 110: no, the day ends at 100,
    # so the pin is at 50. On the way there is room for "near" at km1 (10 to 15), not for more.
    pinned = replace(visit("pinned", 5, 0, (0, 90)), pinned=Pin(shift="t/0", start=50))
    near = visit("near", 1, 0, (0, 100))
    slow = visit("slow", 1, 1, (0, 100), cost=900)
    plan = solve(along_a_road((day(0),), (slow, near, pinned)), stop=Iterations(100), seed=1)
    assert plan.stops == (
        Stop(visit="near", shift="t/0", start=10),
        Stop(visit="pinned", shift="t/0", start=50),
    )
    assert plan.cost == Cost(travel=100, shift_costs=0, left_out=900, total=1000)


def test_shift_costs_choose_the_day() -> None:
    there = replace(visit("there", 1, 30, (0, 2000)), shift_costs={"t/0": 7, "t/1": 3})
    plan = solve(along_a_road((day(0), day(1)), (there,)), stop=Iterations(50), seed=1)
    assert plan.stops == (Stop(visit="there", shift="t/1", start=1010),)
    assert plan.cost == Cost(travel=20, shift_costs=3, left_out=0, total=23)


def test_nothing_to_plan_is_an_empty_plan() -> None:
    nothing = Cost(travel=0, shift_costs=0, left_out=0, total=0)
    empty = Plan(stops=(), breaks=(), left_out=(), cost=nothing)
    assert solve(along_a_road((day(0),), ()), stop=Iterations(10), seed=1) == empty
    alone = solve(along_a_road((), (visit("v", 1, 5, (0, 9)),)), stop=Iterations(10), seed=1)
    assert alone == replace(
        empty,
        left_out=(LeftOut(visit="v"),),
        cost=Cost(travel=0, shift_costs=0, left_out=500, total=500),
    )


@given(problem=problems(people=True, sites=True), seed=st.integers(0, 2**70))
@settings(deadline=None, max_examples=150)
def test_plans_keep_every_rule(problem: Problem, seed: int) -> None:
    reported: list[Progress] = []
    plan = solve(problem, stop=Iterations(60), seed=seed, on_progress=reported.append)
    assert check(problem, plan) == ()
    assert plan.cost.total == reported[-1].cost


@given(
    problem=problems(people=True, sites=True, supplies=True, charges=tuple(Charge)),
    seed=st.integers(0, 2**70),
)
@settings(deadline=None, max_examples=150)
def test_plans_with_supplies_and_working_time_keep_every_rule(problem: Problem, seed: int) -> None:
    reported: list[Progress] = []
    plan = solve(problem, stop=Iterations(60), seed=seed, on_progress=reported.append)
    assert check(problem, plan) == ()
    assert plan.cost.total == reported[-1].cost
    again = solve(problem, stop=Iterations(0), seed=seed, start_from=plan)
    assert check(problem, again) == ()


def test_charged_working_time_waits_at_home_and_not_at_the_door() -> None:
    # Both open at 60 and lie ten minutes apart: there at 60 (leaving at 50), on to km2 from 65 to
    # 75, that is at 75, home at 100: 50 minutes, 40 of them travel. Leaving at 0 would wait for 50.
    problem = replace(
        along_a_road((day(0),), (visit("a", 1, 5, (60, 70)), visit("b", 2, 5, (60, 90)))),
        charge=Charge.WORKING_TIME,
    )
    plan = solve(problem, stop=Iterations(100), seed=1)
    assert plan.stops == (
        Stop(visit="a", shift="t/0", start=60),
        Stop(visit="b", shift="t/0", start=75),
    )
    assert plan.cost == Cost(travel=40, shift_costs=0, left_out=0, total=50, standing=10)
    assert check(problem, plan) == ()


def test_a_round_calls_at_the_workshop_where_it_costs_least() -> None:
    # The workshop is at km1, on the way; the pump is at the workshop and one gasket is along.
    # a and b use a gasket each, c needs the pump. In the order c, b, a or a, b, c the call comes
    # before what lacks something: home, km1 (call of 5), a 2, b 3, c 4, home: 80 + 5.
    shift = replace(day(0), parts={"gasket": 1}, workshop=Workshop(place=1, minutes=5))
    problem = along_a_road(
        (shift,),
        (
            replace(visit("a", 2, 1, (0, 100)), parts={"gasket": 1}),
            replace(visit("b", 3, 1, (0, 100)), parts={"gasket": 1}),
            replace(visit("c", 4, 1, (0, 100)), tools=frozenset({"pump"})),
        ),
    )
    plan = solve(problem, stop=Iterations(200), seed=1)
    assert plan.cost == Cost(travel=85, shift_costs=0, left_out=0, total=85)
    assert plan.calls == (Call(shift="t/0", before=plan.stops[0].visit),)
    assert check(problem, plan) == ()


def test_without_a_workshop_what_is_lacking_is_left_out() -> None:
    shift = replace(day(0), parts={"gasket": 1})
    problem = along_a_road(
        (shift,),
        (
            replace(visit("cheap", 1, 1, (0, 100), cost=300), parts={"gasket": 1}),
            replace(visit("dear", 1, 1, (0, 100), cost=400), parts={"gasket": 1}),
            replace(visit("pump", 1, 1, (0, 100)), tools=frozenset({"pump"})),
        ),
    )
    plan = solve(problem, stop=Iterations(300), seed=1)
    assert plan.stops == (Stop(visit="dear", shift="t/0", start=10),)
    assert plan.cost == Cost(travel=20, shift_costs=0, left_out=800, total=820)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_crowded_plans_keep_every_rule(seed: int) -> None:
    problem = town(seed)
    reported: list[Progress] = []
    plan = solve(problem, stop=Iterations(3000), seed=seed, on_progress=reported.append)
    assert check(problem, plan) == ()
    assert plan.cost.total == reported[-1].cost < reported[0].cost
    assert plan.left_out


def test_same_seed_and_iterations_give_the_same_plan() -> None:
    problem = town(4)
    first = solve(problem, stop=Iterations(2000), seed=7)
    assert solve(problem, stop=Iterations(2000), seed=7) == first
    assert solve(problem, stop=Iterations(2000), seed=8) != first


def test_searches_at_once_give_the_same_plan_as_well() -> None:
    problem = town(6)

    def plan(seed: int) -> Plan:
        return solve(problem, stop=Iterations(2001), seed=seed, threads=3)

    first = plan(7)
    assert check(problem, first) == ()
    assert plan(7) == first
    assert plan(8) != first


def test_the_best_of_several_searches_counts() -> None:
    reported: list[Progress] = []
    problem = town(5)
    plan = solve(problem, stop=Iterations(3000), seed=1, threads=2, on_progress=reported.append)
    costs = [at.cost for at in reported]
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] == plan.cost.total
    assert reported[-1].iterations == 3000
    alone = [solve(problem, stop=Iterations(3000), seed=n).cost.total for n in (1, 1 + (1 << 40))]
    assert plan.cost.total == min(alone)


def test_linked_visits_are_planned_by_searches_at_once() -> None:
    one, two = visit("one", 1, 5, (0, 90)), visit("two", 1, 5, (0, 90))
    shifts = (day(0), replace(day(0), id="u/0", technician="u"))
    problem = along_a_road(shifts, (one, replace(two, together_with="one")))
    plan = solve(problem, stop=Iterations(60), seed=1, threads=2)
    assert check(problem, plan) == ()
    assert len(plan.stops) == 2


def test_there_is_at_least_one_search() -> None:
    with pytest.raises(ValueError, match="threads must be >= 1, got 0"):
        solve(town(5), stop=Iterations(1), seed=1, threads=0)


def test_progress_begins_with_the_first_plan_and_never_gets_worse() -> None:
    reported: list[Progress] = []
    plan = solve(town(5), stop=Iterations(30_000), seed=1, on_progress=reported.append)
    assert (reported[0].iterations, reported[-1].iterations) == (0, 30_000)
    costs = [progress.cost for progress in reported]
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] == plan.cost.total


def test_cancelling_returns_the_best_plan_so_far() -> None:
    problem = town(6)
    reported: list[Progress] = []
    plan = solve(
        problem,
        stop=Seconds(60),
        seed=1,
        on_progress=reported.append,
        should_cancel=lambda: len(reported) >= 3,
    )
    assert len(reported) == 3
    assert plan.cost.total == reported[-1].cost
    assert check(problem, plan) == ()


def test_seconds_are_kept() -> None:
    reported: list[Progress] = []
    solve(town(6), stop=Seconds(0.4), seed=1, on_progress=reported.append)
    assert 0.399 <= reported[-1].seconds < 2  # the last iteration may not fit any more


def test_no_time_at_all_still_gives_the_first_plan() -> None:
    problem = town(6)
    assert check(problem, solve(problem, stop=Seconds(0), seed=1)) == ()


def test_a_plan_to_start_from_is_where_the_search_begins() -> None:
    problem = town(7)
    before = solve(problem, stop=Iterations(5000), seed=1)
    assert solve(problem, stop=Iterations(0), seed=2, start_from=before) == before


def test_a_plan_to_start_from_may_no_longer_fit() -> None:
    problem = town(7)
    before = solve(problem, stop=Iterations(5000), seed=1)
    changed = replace(
        problem,
        shifts=tuple(shift for shift in problem.shifts if shift.technician != "t1"),
        visits=tuple(
            replace(visit, minutes=visit.minutes + 20, shift_costs={}) for visit in problem.visits
        ),
    )
    after = solve(changed, stop=Iterations(0), seed=2, start_from=before)
    assert check(changed, after) == ()
    kept = {(stop.visit, stop.shift) for stop in before.stops} & {
        (stop.visit, stop.shift) for stop in after.stops
    }
    assert len(kept) > len(after.stops) / 2


def test_parameters_out_of_range_are_refused() -> None:
    with pytest.raises(InvalidParams, match=r"^swap_share must be from 0 to 1, got 1\.5$"):
        Params(swap_share=1.5)
    with pytest.raises(InvalidParams, match=r"^hottest must be >= coldest, got 0\.5$"):
        Params(hottest=0.5)
    with pytest.raises(InvalidParams, match=r"^neighbours must be >= 1, got 0$"):
        Params(neighbours=0)


def test_stops_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^count must be >= 0, got -1$"):
        Iterations(-1)
    with pytest.raises(ValueError, match=r"^seconds must be >= 0, got nan$"):
        Seconds(float("nan"))


SHOW_PLAN = """
from scheduler.routing.engine import Iterations, solve
from tests.scheduler.routing.test_engine import town
print(solve(town(8, n_visits={n_visits}), stop=Iterations({iterations}), seed=5))
"""


def in_another_process(source: str, **environment: str | None) -> str:
    """Run a program with other environment variables; None takes one away."""
    values = {name: value for name, value in os.environ.items() if name not in environment}
    values |= {name: value for name, value in environment.items() if value is not None}
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", source],
        capture_output=True,
        text=True,
        env=values,
        cwd=Path(__file__).parents[3],
    )
    assert run.returncode == 0, run.stderr
    return run.stdout


def test_the_plan_is_the_same_without_compiling() -> None:
    compiled = f"{solve(town(8, n_visits=25), stop=Iterations(300), seed=5)}\n"
    source = SHOW_PLAN.format(n_visits=25, iterations=300)
    assert in_another_process(source, NUMBA_DISABLE_JIT="1") == compiled


def test_no_array_is_read_or_written_out_of_its_bounds() -> None:
    crowded = solve(town(8, n_visits=120), stop=Iterations(5000), seed=5)
    assert len(crowded.left_out) > 30
    source = SHOW_PLAN.format(n_visits=120, iterations=5000)
    assert in_another_process(source, NUMBA_BOUNDSCHECK="1") == f"{crowded}\n"
