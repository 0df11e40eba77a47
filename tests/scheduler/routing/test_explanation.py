"""Reasons, remedies, runners-up and the bill. Every remedy is tried."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from hypothesis import given, settings

from scheduler.routing.billing import CostLine, CostRule, cost_lines
from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.explanation import (
    Diagnosis,
    Reason,
    RunnerUp,
    diagnose,
    explain_left_out,
    runner_up,
)
from scheduler.routing.parts import COST_LIMIT, Place, Shift, Visit
from scheduler.routing.plan import LeftOut, Plan, cost_of
from scheduler.routing.problem import After, Charge, Pin, Problem
from scheduler.routing.remedies import Remedy, Words
from scheduler.travel import UNREACHABLE_MINUTES
from tests.scheduler.routing.exact import optimum
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import (
    BO,
    BURNER,
    FELL,
    GOOD_PLAN,
    PROBE,
    VALVES,
    WITHOUT_PROBE,
    world,
)


def only_diagnosis(problem: Problem) -> Diagnosis:
    """The one visit left out of the plain plan, which is optimal in the worlds below."""
    plan = cheapest_insertion(problem)
    assert plan.cost.total == optimum(problem)
    (found,) = diagnose(problem, plan)
    return found


def assert_holds(problem: Problem, remedy: Remedy) -> None:
    """With the remedy no optimal plan leaves the visit out."""
    remedied = remedy.applied_to(problem)
    at = remedied.visit_index()[remedy.visit]
    visit = remedied.visits[at]
    others = (*remedied.visits[:at], *remedied.visits[at + 1 :])
    without = optimum(replace(remedied, visits=others)) + visit.leave_out_cost
    assert optimum(remedied) < without


def test_no_skill() -> None:
    lift = replace(PROBE, id="lift", skills=frozenset({"gas", "lifting"}))
    problem = world(lift)
    found = only_diagnosis(problem)
    # Ann alone to fell: 30 + 40; Bo, who lacks both skills, would cost 7 more
    assert found == Diagnosis(
        visit="lift",
        reason=Reason.NO_SKILL,
        detail="None of the 2 shifts offers gas and lifting; the closest, shift 'ann/mon', lacks "
        "lifting.",
        remedy=Remedy(
            visit="lift",
            shift="ann/mon",
            start=510,
            order=("lift",),
            extra_cost=70,
            skills=frozenset({"lifting"}),
        ),
    )
    assert found.remedy is not None
    assert found.remedy.sentence(problem) == (
        "Give shift 'ann/mon' the skill lifting; it could then start at 2027-03-01 08:30 UTC in "
        "shift 'ann/mon', for 70 minutes of cost."
    )
    assert_holds(problem, found.remedy)


def test_no_window_in_any_shift() -> None:
    # Ann's shift ends at 720: 45 minutes of work cannot start at 680.
    evening = replace(BURNER, start_windows=((680, 900),))
    problem = world(evening)
    found = only_diagnosis(problem)
    assert (found.reason, found.detail) == (
        Reason.NO_WINDOW,
        "No start window of it (it has 1) lies inside a shift with its skills (there are 1) and "
        "leaves 45 minutes there.",
    )
    # From home at 480 to quay by 500; 20 + 18 of travel
    assert found.remedy == Remedy(
        visit="burner",
        shift="ann/mon",
        start=500,
        order=("burner",),
        extra_cost=38,
        adds_window=True,
    )
    assert found.remedy.sentence(problem) == (
        "Arrange access for a start at 2027-03-01 08:20 UTC; it could then be made in shift "
        "'ann/mon', for 38 minutes of cost."
    )
    assert_holds(problem, found.remedy)


def test_no_way_at_all_is_said_as_such() -> None:
    problem = world(replace(PROBE, shift_costs={}))
    travel = problem.travel_minutes.copy()
    travel[FELL], travel[:, FELL] = UNREACHABLE_MINUTES, UNREACHABLE_MINUTES
    found = only_diagnosis(replace(problem, travel_minutes=travel))
    assert (found.reason, found.detail, found.remedy) == (
        Reason.TOO_FAR,
        "No way leads there and back from any of the 2 shifts that could make it. Check its place "
        "on the map, and whether a ferry or road is missing.",
        None,
    )


def test_the_dearest_are_explained_first_until_there_is_no_more_time() -> None:
    far = replace(PROBE, skills=frozenset({"juggling"}), shift_costs={})
    visits = [
        replace(far, id=name, leave_out_cost=cost) for name, cost in (("a", 5), ("b", 9), ("c", 7))
    ]
    problem = world(*visits)
    answers = iter([False, False, True])
    plan = explain_left_out(problem, cheapest_insertion(problem), should_stop=lambda: next(answers))
    assert [(left.visit, left.reason) for left in plan.left_out] == [
        ("a", ""),
        ("b", Reason.NO_SKILL),
        ("c", Reason.NO_SKILL),
    ]


def test_too_far() -> None:
    # Fell opens at 640, 700 is 20 minutes of work and 40 of travel before 760: Ann's shift ends
    # at 720. Bo's, without a break, would have to last 160 minutes longer instead of 40.
    late = replace(PROBE, start_windows=((700, 700),), shift_costs={})
    problem = world(late)
    found = only_diagnosis(problem)
    assert (found.reason, found.detail) == (
        Reason.TOO_FAR,
        "Its windows and work fit into 1 shifts with its skills, but not with the travel and the "
        "break: at least 70 minutes there and back for 20 minutes of work.",
    )
    # The proposal leaves room for a break of 30 minutes on the way home as well: 760 + 30.
    assert found.remedy == Remedy(
        visit="probe",
        shift="ann/mon",
        start=700,
        order=("probe",),
        extra_cost=70,
        hours=(480, 790),
    )
    assert found.remedy.sentence(problem).startswith(
        "Let shift 'ann/mon' last from 2027-03-01 08:00 UTC to 2027-03-01 13:10 UTC; it could"
    )
    assert_holds(problem, found.remedy)


def test_pinned_conflict() -> None:
    # Valves pinned to Bo at 500-560: fell and back do not fit before or after. Ann is away.
    pinned = replace(VALVES, pinned=Pin(shift="bo/mon", start=500))
    problem = world(pinned, replace(PROBE, leave_out_cost=120), shifts=(BO,))
    found = only_diagnosis(problem)
    assert (found.reason, found.detail) == (
        Reason.PINNED_CONFLICT,
        "In each of the 1 shifts that could make it, pinned visits stand in the way.",
    )
    # The valves left out at 300 save 22 of travel; fell costs 30 + 40 + 7: 355 in all.
    assert found.remedy == Remedy(
        visit="probe",
        shift="bo/mon",
        start=510,
        order=("probe",),
        extra_cost=355,
        lifts_pins=("valves",),
        leave_out_cost=356,
    )
    assert found.remedy.sentence(problem).startswith(
        "Lift the pin of 'valves' and raise the leave-out cost of 'probe' to 356 or more; it"
    )
    assert_holds(problem, found.remedy)


def test_dearer_than_leaving_out() -> None:
    cheap = replace(PROBE, leave_out_cost=69)
    problem = world(cheap)
    found = only_diagnosis(problem)
    # 30 + 40 with Ann
    assert found == Diagnosis(
        visit="probe",
        reason=Reason.DEARER_THAN_LEAVING_OUT,
        detail="The cheapest way to take it in, shift 'ann/mon' at 2027-03-01 08:30 UTC, adds 70 "
        "minutes of cost; leaving it out 69.",
        remedy=Remedy(
            visit="probe",
            shift="ann/mon",
            start=510,
            order=("probe",),
            extra_cost=70,
            leave_out_cost=71,
        ),
    )
    assert found.remedy is not None
    assert_holds(problem, found.remedy)


def test_full() -> None:
    # Bo alone: valves (22) or probe (77), not both: 120 minutes hold 60 + 20 + 10 + 25 + 40.. 155.
    problem = world(VALVES, PROBE, shifts=(BO,))
    found = only_diagnosis(problem)
    # Instead of the valves: 300 more left out, 22 less and 77 more of travel and shift cost.
    assert found == Diagnosis(
        visit="probe",
        reason=Reason.FULL,
        detail="The one shift that could make it is full. The cheapest way to take it in, shift "
        "'bo/mon' at 2027-03-01 08:30 UTC in place of 'valves', adds 355 minutes of cost; "
        "leaving it out 100.",
        remedy=Remedy(
            visit="probe",
            shift="bo/mon",
            start=510,
            order=("probe",),
            extra_cost=355,
            leave_out_cost=356,
        ),
    )
    assert found.remedy is not None
    assert_holds(problem, found.remedy)


def test_search_ended() -> None:
    (found,) = diagnose(world(), WITHOUT_PROBE)
    assert found == Diagnosis(
        visit="probe",
        reason=Reason.SEARCH_ENDED,
        detail="The search ended before it was tried in shift 'bo/mon' at 2027-03-01 08:30 UTC: "
        "that adds 77 minutes of cost; leaving it out 100.",
        remedy=Remedy(visit="probe", shift="bo/mon", start=510, order=("probe",), extra_cost=77),
    )
    assert found.remedy is not None
    assert found.remedy.applied_to(world()) == world()
    assert found.remedy.plan_with(world(), WITHOUT_PROBE) == GOOD_PLAN


def test_no_remedy_is_offered_where_none_is_known() -> None:
    # Three hours of work: longer than Bo's shift, and his day would last 252 minutes more.
    long = replace(VALVES, minutes=350)
    found = only_diagnosis(world(long, shifts=(BO,)))
    assert (found.reason, found.remedy) == (Reason.NO_WINDOW, None)
    nobody = diagnose(
        world(VALVES, shifts=()),
        Plan(
            stops=(),
            breaks=(),
            left_out=(LeftOut(visit="valves"),),
            cost=cost_of(world(VALVES, shifts=()), ()),
        ),
    )
    assert nobody == (
        Diagnosis(
            visit="valves",
            reason=Reason.NO_SKILL,
            detail="There are no shifts at all.",
            remedy=None,
        ),
    )


def test_no_remedy_asks_for_more_than_a_cost_may_be() -> None:
    dear = replace(VALVES, leave_out_cost=COST_LIMIT)
    found = only_diagnosis(world(dear, PROBE, shifts=(BO,)))
    assert (found.reason, found.remedy) == (Reason.FULL, None)


def test_left_out_visits_are_explained_in_the_plan() -> None:
    # on the way to the valves: 30 + 25 - 10
    problem = world(VALVES, replace(PROBE, leave_out_cost=44))
    plan = cheapest_insertion(problem)
    explained = explain_left_out(problem, plan)
    assert explained == replace(
        plan,
        left_out=(
            LeftOut(
                visit="probe",
                reason="dearer_than_leaving_out",
                detail="The cheapest way to take it in, shift 'ann/mon' at 2027-03-01 08:30 UTC, "
                "adds 45 minutes of cost; leaving it out 44.",
                would_help="Raise the leave-out cost of 'probe' to 46 or more; it could then start "
                "at 2027-03-01 08:30 UTC in shift 'ann/mon', for 45 minutes of cost.",
            ),
        ),
    )
    assert explain_left_out(world(), GOOD_PLAN) == GOOD_PLAN


@settings(max_examples=150)
@given(problems(people=True, sites=True))
def test_every_remedy_makes_a_sound_and_cheaper_plan(problem: Problem) -> None:
    plan = cheapest_insertion(problem)
    for found in diagnose(problem, plan):
        remedy = found.remedy
        if remedy is None:
            continue
        remedied = remedy.applied_to(problem)
        with_visit = remedy.plan_with(remedied, plan)
        assert check(remedied, with_visit) == ()
        assert remedy.visit in {stop.visit for stop in with_visit.stops}
        before = cost_of(remedied, plan.stops).total
        leave_out_cost = remedied.visits[remedied.visit_index()[remedy.visit]].leave_out_cost
        assert with_visit.cost.total == before - leave_out_cost + remedy.extra_cost
        assert with_visit.cost.total < before


@settings(max_examples=150)
@given(problems(people=True, sites=True))
def test_remedies_nobody_else_can_use_hold_in_every_optimum(problem: Problem) -> None:
    """A raised leave-out cost or an added window is of use to that visit alone."""
    plan = cheapest_insertion(problem)
    if plan.cost.total != optimum(problem):
        return
    for found in diagnose(problem, plan):
        remedy = found.remedy
        if remedy and not (remedy.skills or remedy.hours or remedy.lifts_pins):
            assert found.reason != Reason.SEARCH_ENDED
            assert_holds(problem, remedy)


@settings(max_examples=60, deadline=None)
@given(problems(people=True, sites=True, supplies=True, links=True, charges=tuple(Charge)))
def test_every_remedy_holds_whatever_a_problem_asks_for(problem: Problem) -> None:
    plan = solve(problem, stop=Iterations(3), seed=1)
    explained = explain_left_out(problem, plan)
    assert all(left.reason and left.detail for left in explained.left_out)
    for found in diagnose(problem, plan):
        remedy = found.remedy
        if remedy is None:
            continue
        remedied = remedy.applied_to(problem)
        with_visit = remedy.plan_with(remedied, plan)
        assert check(remedied, with_visit) == ()
        assert remedy.visit in {stop.visit for stop in with_visit.stops}
        before = cost_of(remedied, plan.stops, breaks=plan.breaks, calls=plan.calls).total
        assert with_visit.cost.total < before
    for stop in plan.stops:
        second = runner_up(problem, plan, stop.visit)
        assert second is None or second.shift != stop.shift


def test_a_round_may_take_along_what_is_missing() -> None:
    # Both could make it at the quay in 10 + 45 + ...: Bo 20 there and 18 back, as Ann.
    boards = replace(BURNER, skills=frozenset(), tools=frozenset({"torch"}), parts={"valve": 2})
    one = replace(BO, tools=frozenset({"torch"}), parts={"valve": 1})
    problem = world(boards, shifts=(one,))
    plan = solve(problem, stop=Iterations(5), seed=1)
    (found,) = diagnose(problem, plan)
    assert found.reason == Reason.NOT_SUPPLIED
    assert found.remedy is not None
    assert (found.remedy.tools, dict(found.remedy.parts)) == (frozenset(), {"valve": 1})
    assert "Let shift 'bo/mon' take along 1 more of valve" in found.remedy.sentence(problem)
    remedied = found.remedy.applied_to(problem)
    assert solve(remedied, stop=Iterations(5), seed=1).left_out == ()


def test_linked_visits_say_what_they_wait_for() -> None:
    far = replace(PROBE, start_windows=((700, 720),))
    later = replace(VALVES, after=After(visit="probe"))
    half = replace(BURNER, skills=frozenset(), together_with="probe")
    (left,) = (
        found
        for found in diagnose(world(far, later), nothing(world(far, later)))
        if found.visit == "valves"
    )
    assert (left.reason, left.remedy) == (Reason.WAITS_FOR_ANOTHER, None)
    assert left.detail == "It comes after 'probe', which is left out as well."
    for found in diagnose(world(far, half), nothing(world(far, half))):
        assert (found.reason, found.remedy) == (Reason.NEEDS_TWO, None)


def nothing(problem: Problem) -> Plan:
    """The plan that makes no visit."""
    return Plan(
        stops=(),
        breaks=(),
        left_out=tuple(LeftOut(visit=visit.id) for visit in problem.visits),
        cost=cost_of(problem, ()),
    )


def test_runner_up_of_the_world() -> None:
    # Ann without the valves: 20 + 18 = 38, she saves -5 with them: 33. Bo: 10 + 12 = 22 more.
    assert runner_up(world(), GOOD_PLAN, "valves") is None  # Bo is at fell all morning
    assert runner_up(world(), WITHOUT_PROBE, "valves") == RunnerUp(
        shift="bo/mon", start=490, extra_cost=22 - (33 - 38)
    )
    assert runner_up(world(), GOOD_PLAN, "burner") is None  # only Ann may work on gas
    alone = replace(GOOD_PLAN, stops=GOOD_PLAN.stops[2:], breaks=())
    # Ann costs 30 + 40, Bo 7 more
    assert runner_up(world(), alone, "probe") == RunnerUp(shift="ann/mon", start=510, extra_cost=-7)


def test_a_pinned_visit_has_no_runner_up() -> None:
    pinned = replace(PROBE, pinned=Pin(shift="bo/mon", start=510))
    assert runner_up(world(VALVES, BURNER, pinned), GOOD_PLAN, "probe") is None


@settings(max_examples=100)
@given(problems(people=True, sites=True, max_visits=5))
def test_runner_up_is_what_moving_the_visit_costs(problem: Problem) -> None:
    """In an optimal plan no visit is cheaper elsewhere."""
    plan = cheapest_insertion(problem)
    if plan.cost.total != optimum(problem):
        return
    for stop in plan.stops:
        second = runner_up(problem, plan, stop.visit)
        if second is not None:
            assert second.extra_cost >= 0
            assert second.shift != stop.shift


def test_bill_of_the_world() -> None:
    assert cost_lines(world(), WITHOUT_PROBE) == (
        CostLine(rule=CostRule.LEFT_OUT, shift=None, visit="probe", cost=100),
        CostLine(rule=CostRule.TRAVEL, shift="ann/mon", visit=None, cost=33),
    )
    assert cost_lines(world(), GOOD_PLAN) == (
        CostLine(rule=CostRule.TRAVEL, shift="bo/mon", visit=None, cost=70),
        CostLine(rule=CostRule.TRAVEL, shift="ann/mon", visit=None, cost=33),
        CostLine(rule=CostRule.SHIFT_COST, shift="bo/mon", visit="probe", cost=7),
    )


@given(problems(people=True, sites=True))
def test_bill_adds_up_to_the_cost(problem: Problem) -> None:
    plan = cheapest_insertion(problem)
    assert sum(line.cost for line in cost_lines(problem, plan)) == plan.cost.total


def test_sentences_can_name_people_and_use_the_wall_clock() -> None:
    shift = Shift(id="s1", technician="t", start_place=0, end_place=0, start=480, end=540)
    visit = Visit(id="v1", place=0, minutes=90, start_windows=((480, 600),), leave_out_cost=5)
    problem = Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=(Place(id="p"),),
        travel_minutes=np.zeros((1, 1), dtype=np.int32),
        shifts=(shift,),
        visits=(visit,),
    )
    empty = Plan(stops=(), breaks=(), left_out=(LeftOut(visit="v1"),), cost=cost_of(problem, ()))
    words = Words(rounds={"s1": "Ann's round on Mon 1 Mar"}, zone="Europe/Paris")

    left = explain_left_out(problem, empty, words).left_out[0]

    # 90 minutes do not fit between 480 and 540; half an hour more does: 08:00 to 09:30 UTC
    assert left.would_help == (
        "Let Ann's round on Mon 1 Mar last from 09:00 to 10:30; it could then start at 09:00 in "
        "Ann's round on Mon 1 Mar, for 0 minutes of cost."
    )


def test_sentences_call_parts_by_their_names() -> None:
    needy = replace(PROBE, parts={"valve": 2, "tap": 1})
    words = Words(parts={"valve": "Safety valve"})
    problem = world(needy, shifts=(BO,))
    empty = Plan(stops=(), breaks=(), left_out=(LeftOut(visit="probe"),), cost=cost_of(problem, ()))
    left = explain_left_out(problem, empty, words).left_out[0]
    assert left.detail.endswith("Shift 'bo/mon' lacks 1 of tap and 2 of Safety valve.")
    assert "take along 1 more of tap and 2 more of Safety valve" in left.would_help
