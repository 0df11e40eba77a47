"""Large problems in parts: nothing is lost or doubled at a border, and later passes mend it."""

import random
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from scheduler.routing.cheapest_insertion import cheapest_insertion, completed
from scheduler.routing.checker import Rule, check
from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.parts import Visit, Workshop
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem
from scheduler.routing.regions import (
    ONE_SEARCH_TECHNICIANS,
    Part,
    cut,
    neighbourhoods,
    plan_by_regions,
    solve_any_size,
)
from tests.benchmarks.crew import SIZES, Size, crew_problem

CREW = crew_problem(Size(technicians=9, days=3, visits=90, towns=5), 3)

BUSY = crew_problem(Size(technicians=9, days=3, visits=160, towns=5), 6)


def simple(part: Part) -> Plan:
    """Put each visit where it is cheapest, or complete the plan that stands."""
    if part.start_from is None:
        return cheapest_insertion(part.problem)
    visits = {visit.id: visit for visit in part.problem.visits}
    standing: dict[str, list[Visit]] = {}
    for stop in sorted(part.start_from.stops, key=lambda stop: stop.start):
        standing.setdefault(stop.shift, []).append(visits[stop.visit])
    return completed(part.problem, standing)


def technicians(problem: Problem) -> set[str]:
    return {shift.technician for shift in problem.shifts}


@pytest.mark.parametrize("most", [1, 2, 4, 9, 50])
def test_every_technician_is_in_one_region_of_the_asked_size(most: int) -> None:
    groups = neighbourhoods(CREW, most, random.Random(1))
    assert Counter(name for group in groups for name in group) == Counter(technicians(CREW))
    assert max(map(len, groups)) <= most
    assert len(groups) == -(-9 // most)


def test_neighbours_stay_together() -> None:
    # two towns an hour apart, three technicians in each
    homes = [0, 0, 0, 60, 60, 60]
    travel = np.abs(np.subtract.outer(homes, homes)).astype(np.int32)
    shifts = tuple(
        replace(CREW.shifts[0], id=f"t{n}", technician=f"t{n}", start_place=n, end_place=n)
        for n in range(6)
    )
    problem = replace(CREW, places=CREW.places[:6], travel_minutes=travel, shifts=shifts, visits=())
    for seed in range(5):
        groups = neighbourhoods(problem, 3, random.Random(seed))
        assert sorted(map(sorted, groups)) == [["t0", "t1", "t2"], ["t3", "t4", "t5"]]


def test_parts_hold_everything_once_with_its_travel() -> None:
    plan = cheapest_insertion(CREW)
    for stands in (None, plan):
        parts = cut(CREW, neighbourhoods(CREW, 3, random.Random(2)), stands, 1)
        shifts = Counter(shift.id for part in parts for shift in part.problem.shifts)
        visits = Counter(visit.id for part in parts for visit in part.problem.visits)
        assert shifts == Counter(shift.id for shift in CREW.shifts)
        assert visits == Counter(visit.id for visit in CREW.visits)
        assert sum(part.share for part in parts) == pytest.approx(1)
        places = {place.id: at for at, place in enumerate(CREW.places)}
        for part in parts:
            at = [places[place.id] for place in part.problem.places]
            assert (part.problem.travel_minutes == CREW.travel_minutes[np.ix_(at, at)]).all()
            for visit in part.problem.visits:
                whole = CREW.visits[CREW.visit_index()[visit.id]]
                assert part.problem.places[visit.place] == CREW.places[whole.place]


def test_the_plan_of_all_regions_keeps_every_rule_and_counts_every_visit_once() -> None:
    plan = plan_by_regions(CREW, simple, most_technicians=3, passes=1, seed=1)
    assert check(CREW, plan) == ()
    seen = Counter([stop.visit for stop in plan.stops] + [left.visit for left in plan.left_out])
    assert seen == Counter(visit.id for visit in CREW.visits)


def test_further_passes_never_make_it_dearer_and_reach_over_the_borders() -> None:
    costs = [
        plan_by_regions(BUSY, simple, most_technicians=2, passes=passes, seed=1).cost.total
        for passes in (1, 2, 4)
    ]
    assert costs[0] > costs[1] >= costs[2]


def at_few_sites(problem: Problem, count: int = 40) -> Problem:
    """The same with one technician at a time at some sites."""
    visits = tuple(replace(visit, site=f"s{visit.place % count}") for visit in problem.visits)
    return replace(problem, visits=visits)


@pytest.mark.parametrize("most", [1, 2, 4])
def test_no_two_technicians_of_different_regions_meet_at_a_site(most: int) -> None:
    problem = at_few_sites(BUSY)
    costs = []
    for passes in (1, 2, 3):
        plan = plan_by_regions(problem, simple, most_technicians=most, passes=passes, seed=2)
        assert check(problem, plan) == ()
        costs.append(plan.cost.total)
    assert costs[0] > costs[1] >= costs[2]


def test_sites_of_several_regions_need_no_round_to_stand_without_its_detours() -> None:
    # Where a detour is quicker than the direct way, a round may not hold with a visit less.
    problem = at_few_sites(CREW, 5)
    ways = np.random.default_rng(1).integers(1, 60, problem.travel_minutes.shape)
    problem = replace(
        problem,
        travel_minutes=ways.astype(np.int32),
        visits=tuple(replace(visit, pinned=None) for visit in problem.visits),
    )
    for seed in range(4):
        plan = plan_by_regions(problem, simple, most_technicians=2, passes=3, seed=seed)
        assert check(problem, plan) == ()


def test_technicians_who_meet_in_the_plan_given_are_parted() -> None:
    problem = at_few_sites(BUSY)
    meeting = cheapest_insertion(BUSY)
    assert {each.rule for each in check(problem, meeting)} == {Rule.SITE_SHARED}
    plan = plan_by_regions(
        problem, simple, most_technicians=3, passes=2, seed=2, start_from=meeting
    )
    assert check(problem, plan) == ()


def test_a_plan_that_stands_is_gone_on_from() -> None:
    whole = cheapest_insertion(CREW)
    again = plan_by_regions(CREW, simple, most_technicians=3, passes=1, seed=5, start_from=whole)
    assert again.cost.total <= whole.cost.total
    planned = {stop.visit: stop.shift for stop in whole.stops}
    assert {stop.visit: stop.shift for stop in again.stops}.items() >= planned.items()


def test_the_same_seed_cuts_the_same_regions() -> None:
    one, other, another = (
        plan_by_regions(CREW, simple, most_technicians=2, passes=2, seed=seed) for seed in (1, 1, 2)
    )
    assert one == other
    assert one != another


def test_a_visit_nobody_can_make_is_left_out_and_not_lost() -> None:
    odd = replace(CREW.visits[0], id="odd", skills=frozenset({"juggling"}), pinned=None)
    problem = replace(CREW, visits=(*CREW.visits, odd))
    plan = plan_by_regions(problem, simple, most_technicians=3, passes=2, seed=1)
    assert "odd" in {left.visit for left in plan.left_out}


def test_workshops_and_parts_go_with_their_shifts() -> None:
    equipped = tuple(
        replace(shift, workshop=Workshop(place=0, minutes=10), parts={"valve": 1})
        for shift in CREW.shifts
    )
    problem = replace(CREW, shifts=equipped)
    for part in cut(problem, neighbourhoods(problem, 3, random.Random(1)), None, 1):
        for shift in part.problem.shifts:
            assert shift.workshop is not None
            assert part.problem.places[shift.workshop.place] == problem.places[0]


def test_no_visits_and_one_technician() -> None:
    empty = replace(CREW, visits=())
    assert plan_by_regions(empty, simple, most_technicians=4, passes=2, seed=1).stops == ()
    small = crew_problem(replace(SIZES["R"], technicians=1, visits=10), 1)
    plan = plan_by_regions(small, simple, most_technicians=4, passes=1, seed=1)
    assert plan.cost.total == cheapest_insertion(small).cost.total


# --- with the real search -------------------------------------------------------------------

_MANY_PEOPLE = Size(
    technicians=ONE_SEARCH_TECHNICIANS + 10, days=1, visits=220, towns=12, region_km=120
)
MANY = at_few_sites(crew_problem(_MANY_PEOPLE, 1), 120)


def test_a_large_company_is_planned_region_by_region_and_tells_how_far_it_is() -> None:
    told: list[Progress] = []
    plan = solve_any_size(MANY, stop=Iterations(400), seed=1, on_progress=told.append)
    assert check(MANY, plan) == ()
    assert told[-1].cost == plan.cost.total
    assert [each.cost for each in told] == sorted((each.cost for each in told), reverse=True)
    assert [each.iterations for each in told] == sorted(each.iterations for each in told)
    assert told[-1].iterations == pytest.approx(400, abs=5)  # each part's share is rounded
    assert plan == solve_any_size(MANY, stop=Iterations(400), seed=1)
    better = solve_any_size(MANY, stop=Iterations(400), seed=2, start_from=plan)
    assert better.cost.total <= plan.cost.total


def test_a_search_that_is_stopped_gives_what_it_has() -> None:
    plan = solve_any_size(MANY, stop=Seconds(60), seed=1, should_cancel=lambda: True)
    assert check(MANY, plan) == ()
    assert len(plan.stops) > 100


def test_a_small_company_is_planned_in_one_search() -> None:
    stop = Iterations(200)
    assert solve_any_size(CREW, stop=stop, seed=1) == solve(CREW, stop=stop, seed=1)


def test_names_a_plan_does_not_share_with_the_problem_are_passed_over() -> None:
    plan = solve_any_size(MANY, stop=Iterations(0), seed=1)
    stray = replace(plan.stops[0], visit="gone")
    nobody = replace(plan.stops[1], shift="gone")
    other = replace(plan, stops=(stray, nobody, *plan.stops[2:]))
    again = solve_any_size(MANY, stop=Iterations(100), seed=1, start_from=other)
    assert check(MANY, again) == ()
