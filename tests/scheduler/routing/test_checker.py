"""The checker: sound plans pass, and every broken rule is found."""

from dataclasses import replace

from hypothesis import given

from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.checker import Rule, Violation, check
from scheduler.routing.plan import BreakTaken, Call, Cost, LeftOut, Plan, Stop, cost_of
from scheduler.routing.problem import Charge, Pin, Problem, Shift, Workshop
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import (
    ANN,
    BO,
    BURNER,
    GOOD_PLAN,
    PROBE,
    QUAY,
    VALVES,
    WITHOUT_PROBE,
    world,
)

VALVES_STOP, BURNER_STOP, PROBE_STOP = GOOD_PLAN.stops


def plan_of(*stops: Stop, breaks: tuple[BreakTaken, ...] = GOOD_PLAN.breaks) -> Plan:
    """The stops with the right cost and list of visits left out."""
    planned = {stop.visit for stop in stops}
    return Plan(
        stops=stops,
        breaks=breaks,
        left_out=tuple(
            LeftOut(visit=visit.id) for visit in world().visits if visit.id not in planned
        ),
        cost=cost_of(world(), stops),
    )


def test_good_plans_have_no_violation() -> None:
    assert check(world(), GOOD_PLAN) == ()
    assert check(world(), WITHOUT_PROBE) == ()


def test_every_wrong_cost_is_named() -> None:
    stale = replace(GOOD_PLAN, cost=Cost(travel=102, shift_costs=0, left_out=1, total=103))
    assert check(world(), stale) == (
        Violation(
            rule=Rule.COST_WRONG, detail="The plan claims 102 for travel; its stops make it 103."
        ),
        Violation(
            rule=Rule.COST_WRONG, detail="The plan claims 0 for shift_costs; its stops make it 7."
        ),
        Violation(
            rule=Rule.COST_WRONG, detail="The plan claims 1 for left_out; its stops make it 0."
        ),
        Violation(
            rule=Rule.COST_WRONG, detail="The plan claims 103 for total; its stops make it 110."
        ),
    )


def test_unknown_names_are_listed_and_the_rest_still_checked() -> None:
    plan = replace(
        GOOD_PLAN,
        stops=(*GOOD_PLAN.stops, Stop(visit="pump", shift="cy/mon", start=500)),
        breaks=(*GOOD_PLAN.breaks, BreakTaken(shift="di/mon", start=500)),
        left_out=(LeftOut(visit="grinder"),),
    )
    assert check(world(), plan) == (
        Violation(
            rule=Rule.UNKNOWN_VISIT,
            detail="The plan names visit 'pump', which the problem does not have.",
            visit="pump",
        ),
        Violation(
            rule=Rule.UNKNOWN_VISIT,
            detail="The plan names visit 'grinder', which the problem does not have.",
            visit="grinder",
        ),
        Violation(
            rule=Rule.UNKNOWN_SHIFT,
            detail="The plan names shift 'cy/mon', which the problem does not have.",
            shift="cy/mon",
        ),
        Violation(
            rule=Rule.UNKNOWN_SHIFT,
            detail="The plan names shift 'di/mon', which the problem does not have.",
            shift="di/mon",
        ),
    )


def test_every_visit_must_be_accounted_for_once() -> None:
    plan = replace(
        WITHOUT_PROBE,
        left_out=(LeftOut(visit="valves"), LeftOut(visit="burner"), LeftOut(visit="burner")),
    )
    assert check(world(), plan) == (
        Violation(
            rule=Rule.PLANNED_AND_LEFT_OUT,
            detail="Visit 'valves' is both planned and listed as left out.",
            visit="valves",
        ),
        Violation(
            rule=Rule.LEFT_OUT_TWICE,
            detail="Visit 'burner' is listed 2 times as left out.",
            visit="burner",
        ),
        Violation(
            rule=Rule.PLANNED_AND_LEFT_OUT,
            detail="Visit 'burner' is both planned and listed as left out.",
            visit="burner",
        ),
        Violation(
            rule=Rule.VISIT_MISSING,
            detail="Visit 'probe' is neither planned nor listed as left out.",
            visit="probe",
        ),
    )


def test_a_visit_planned_twice_is_found() -> None:
    # Bo can do the valves as well: at the mill by 490, back home by 562.
    again = Stop(visit="valves", shift="bo/mon", start=490)
    assert check(world(), plan_of(VALVES_STOP, BURNER_STOP, again)) == (
        Violation(
            rule=Rule.PLANNED_TWICE, detail="Visit 'valves' is planned 2 times.", visit="valves"
        ),
    )


def test_a_pin_may_be_neither_moved_nor_dropped() -> None:
    pinned = replace(VALVES, pinned=Pin(shift="ann/mon", start=495))
    held = world(pinned, BURNER, PROBE)
    assert check(held, GOOD_PLAN) == (
        Violation(
            rule=Rule.PIN_MOVED,
            detail="Visit 'valves' is pinned to shift 'ann/mon' at minute 495 "
            "but planned in 'ann/mon' at 490.",
            visit="valves",
            shift="ann/mon",
        ),
    )
    dropped = plan_of(BURNER_STOP, PROBE_STOP)
    assert check(held, dropped) == (
        Violation(
            rule=Rule.PIN_LEFT_OUT,
            detail="Visit 'valves' is pinned to shift 'ann/mon' at minute 495 but not planned.",
            visit="valves",
        ),
    )


def test_a_missing_skill_and_a_closed_door_are_found() -> None:
    # Bo: quay by 500, burner 500-545, home by 563: in time, but he may not work on gas.
    plan = plan_of(
        Stop(visit="valves", shift="ann/mon", start=595),
        Stop(visit="burner", shift="bo/mon", start=500),
    )
    assert check(world(), plan) == (
        Violation(
            rule=Rule.OUTSIDE_WINDOWS,
            detail="Visit 'valves' starts at minute 595, "
            "outside its start windows [480, 540], [600, 700].",
            visit="valves",
            shift="ann/mon",
        ),
        Violation(
            rule=Rule.SKILL_MISSING,
            detail="Visit 'burner' needs gas, which shift 'bo/mon' lacks.",
            visit="burner",
            shift="bo/mon",
        ),
    )


def test_leaving_before_and_returning_after_the_shift_is_found() -> None:
    early = plan_of(VALVES_STOP, BURNER_STOP, replace(PROBE_STOP, start=509))
    assert check(world(), early) == (
        Violation(
            rule=Rule.STARTS_TOO_EARLY,
            detail="Visit 'probe' starts at minute 509; from the start of shift 'bo/mon' at 480 "
            "it takes 30 minutes of travel.",
            visit="probe",
            shift="bo/mon",
        ),
    )
    late = plan_of(VALVES_STOP, BURNER_STOP, replace(PROBE_STOP, start=541))
    assert check(world(), late) == (
        Violation(
            rule=Rule.RETURNS_TOO_LATE,
            detail="Visit 'probe' ends at minute 561; until the end of shift 'bo/mon' at 600 "
            "it takes 40 minutes of travel.",
            visit="probe",
            shift="bo/mon",
        ),
    )
    assert check(world(), plan_of(VALVES_STOP, BURNER_STOP, replace(PROBE_STOP, start=540))) == ()


def test_too_little_time_for_travel_and_break_is_found() -> None:
    # The break from 560 to 590 and 5 minutes of travel do not fit between 556 and 590.
    plan = plan_of(replace(VALVES_STOP, start=496), BURNER_STOP)
    assert check(world(), plan) == (
        Violation(
            rule=Rule.TRAVEL_TOO_SHORT,
            detail="Between the end of visit 'valves' at minute 556 and the start of 'burner' at "
            "590 there are 34 minutes; it takes 5 minutes of travel and 30 of break.",
            visit="burner",
            shift="ann/mon",
        ),
    )


def test_overlapping_visits_are_found() -> None:
    # Burner from 530 to 575 while the valves last until 550; the break moves to the way home.
    plan = plan_of(
        VALVES_STOP,
        replace(BURNER_STOP, start=530),
        breaks=(BreakTaken(shift="ann/mon", start=600),),
    )
    assert check(world(), plan) == (
        Violation(
            rule=Rule.VISITS_OVERLAP,
            detail="Visit 'burner' starts at minute 530 while visit 'valves' lasts until 550.",
            visit="burner",
            shift="ann/mon",
        ),
    )


def test_a_break_during_a_visit_is_found() -> None:
    # The burner lasts from 590 to 635.
    plan = plan_of(VALVES_STOP, BURNER_STOP, breaks=(BreakTaken(shift="ann/mon", start=610),))
    assert check(world(), plan) == (
        Violation(
            rule=Rule.BREAK_DURING_VISIT,
            detail="The break of shift 'ann/mon' from minute 610 to 640 overlaps visit 'burner' "
            "from 590 to 635.",
            visit="burner",
            shift="ann/mon",
        ),
    )


def test_a_break_must_be_taken_once_where_one_is_due() -> None:
    assert check(world(), plan_of(VALVES_STOP, BURNER_STOP, breaks=())) == (
        Violation(
            rule=Rule.BREAK_MISSING,
            detail="Shift 'ann/mon' is used without its break of 30 minutes.",
            shift="ann/mon",
        ),
    )
    # 560-590 and 590-620: with 5 minutes of travel that still fits between 550 and 620
    twice = (BreakTaken(shift="ann/mon", start=560), BreakTaken(shift="ann/mon", start=590))
    assert check(world(), plan_of(VALVES_STOP, replace(BURNER_STOP, start=620), breaks=twice)) == (
        Violation(
            rule=Rule.BREAK_TWICE,
            detail="Shift 'ann/mon' has 2 breaks instead of one.",
            shift="ann/mon",
        ),
    )
    idle = plan_of(PROBE_STOP, breaks=(*GOOD_PLAN.breaks, BreakTaken(shift="bo/mon", start=480)))
    assert check(world(), idle) == (
        Violation(
            rule=Rule.BREAK_NOT_DUE,
            detail="Shift 'ann/mon' takes a break but makes no visit.",
            shift="ann/mon",
        ),
        Violation(
            rule=Rule.BREAK_NOT_DUE,
            detail="Shift 'bo/mon' takes a break but has none to take.",
            shift="bo/mon",
        ),
    )


def test_a_break_outside_its_window_or_its_shift_is_found() -> None:
    early = plan_of(VALVES_STOP, BURNER_STOP, breaks=(BreakTaken(shift="ann/mon", start=555),))
    assert check(world(), early) == (
        Violation(
            rule=Rule.BREAK_OUTSIDE_WINDOW,
            detail="The break of shift 'ann/mon' runs from minute 555 to 585, outside [560, 660].",
            shift="ann/mon",
        ),
    )
    late = plan_of(VALVES_STOP, BURNER_STOP, breaks=(BreakTaken(shift="ann/mon", start=700),))
    assert check(world(), late) == (
        Violation(
            rule=Rule.BREAK_OUTSIDE_WINDOW,
            detail="The break of shift 'ann/mon' runs from minute 700 to 730, outside [560, 660].",
            shift="ann/mon",
        ),
        Violation(
            rule=Rule.BREAK_OUTSIDE_SHIFT,
            detail="The break of shift 'ann/mon' runs from minute 700 to 730, "
            "outside the shift [480, 720].",
            shift="ann/mon",
        ),
    )


def test_all_violations_of_one_plan_are_listed() -> None:
    plan = Plan(
        stops=(
            replace(VALVES_STOP, start=470),
            replace(BURNER_STOP, shift="bo/mon", start=500),
            replace(PROBE_STOP, start=600),
        ),
        breaks=(),
        left_out=(LeftOut(visit="probe"),),
        cost=Cost(travel=0, shift_costs=0, left_out=0, total=0),
    )
    assert [violation.rule for violation in check(world(), plan)] == [
        Rule.PLANNED_AND_LEFT_OUT,
        Rule.OUTSIDE_WINDOWS,  # valves at 470
        Rule.SKILL_MISSING,
        Rule.OUTSIDE_WINDOWS,  # probe at 600
        Rule.BREAK_MISSING,
        Rule.STARTS_TOO_EARLY,
        Rule.RETURNS_TOO_LATE,
        Rule.COST_WRONG,  # travel: 10 + 12 + 20 + 15 + 40 = 97
        Rule.COST_WRONG,  # shift costs: 7
        Rule.COST_WRONG,  # total: 104
    ]


TORCH = replace(
    VALVES, tools=frozenset({"torch"}), parts={"gasket": 1}, start_windows=((480, 560),)
)
PUMP = replace(PROBE, tools=frozenset({"pump"}), parts={"gasket": 2}, start_windows=((500, 700),))
LONG_BO = replace(
    BO,
    end=720,
    tools=frozenset({"torch"}),
    parts={"gasket": 1},
    workshop=Workshop(place=QUAY, minutes=5),
)

# Bo: valves 490-550 with his torch and gasket, by the quay (5, call of 5, 15) to the probe at 575,
# 595, home at 635: travel 10 + 25 + 40 = 75. With working time charged he works from 480 to 635.
CALLING_PLAN = Plan(
    stops=(
        Stop(visit="valves", shift="bo/mon", start=490),
        Stop(visit="probe", shift="bo/mon", start=575),
    ),
    breaks=(),
    left_out=(),
    cost=Cost(travel=75, shift_costs=7, left_out=0, total=162, standing=80),
    calls=(Call(shift="bo/mon", before="probe"),),
)


def calling(*shifts: Shift) -> Problem:
    return replace(world(TORCH, PUMP, shifts=shifts), charge=Charge.WORKING_TIME)


def test_a_call_at_the_workshop_takes_its_time_and_supplies_the_rest() -> None:
    assert check(calling(LONG_BO), CALLING_PLAN) == ()
    hurried = replace(
        CALLING_PLAN,
        stops=(CALLING_PLAN.stops[0], replace(CALLING_PLAN.stops[1], start=574)),
        cost=replace(CALLING_PLAN.cost, total=161, standing=79),
    )
    assert check(calling(LONG_BO), hurried) == (
        Violation(
            rule=Rule.TRAVEL_TOO_SHORT,
            detail="Between the end of visit 'valves' at minute 550 and the start of 'probe' at "
            "574 there are 24 minutes; it takes 25 minutes of travel.",
            visit="probe",
            shift="bo/mon",
        ),
    )


def test_missing_tools_and_parts_are_found() -> None:
    # Straight from the mill to the fell is 25 minutes too: the same times and costs.
    plan = replace(CALLING_PLAN, calls=())
    assert [violation.detail for violation in check(calling(LONG_BO), plan)] == [
        "Visit 'probe' needs pump, which shift 'bo/mon' has not along.",
        "Visit 'probe' uses up 2 of gasket; shift 'bo/mon' has 0 left.",
    ]


def test_calls_that_cannot_be_made_are_found() -> None:
    twice = replace(CALLING_PLAN, calls=(*CALLING_PLAN.calls, Call(shift="bo/mon", before="tea")))
    assert [violation.rule for violation in check(calling(LONG_BO), twice)] == [
        Rule.CALL_TWICE,
        Rule.CALL_NOT_POSSIBLE,
    ]
    nowhere = replace(LONG_BO, workshop=None)
    assert [violation.rule for violation in check(calling(nowhere), CALLING_PLAN)] == [
        Rule.CALL_NOT_POSSIBLE,
        Rule.TOOL_MISSING,
        Rule.PARTS_USED_UP,
    ]


def test_a_round_that_drives_above_its_limit_is_found() -> None:
    # Ann's round: home, mill, quay, home takes 10 + 5 + 18.
    limited = replace(world(VALVES, BURNER), shifts=(replace(ANN, driving_limit=32), BO))
    plan = plan_of(
        Stop(visit="valves", shift="ann/mon", start=490),
        Stop(visit="burner", shift="ann/mon", start=600),
    )
    plan = replace(plan, left_out=(), cost=cost_of(limited, plan.stops))
    assert [each.rule for each in check(limited, plan)] == [Rule.DRIVES_TOO_LONG]
    enough = replace(limited, shifts=(replace(ANN, driving_limit=33), BO))
    assert check(enough, plan) == ()


def test_a_visit_takes_longer_on_the_shift_it_names() -> None:
    # 60 minutes from 490 let Ann reach the quay at 555; at 66 minutes she is there at 561.
    slow = replace(VALVES, shift_minutes={"ann/mon": 66, "bo/mon": 10})
    problem = world(slow, BURNER)
    early = plan_of(
        Stop(visit="valves", shift="ann/mon", start=490),
        Stop(visit="burner", shift="ann/mon", start=560),
        breaks=(BreakTaken(shift="ann/mon", start=610),),
    )
    early = replace(early, left_out=(), cost=cost_of(problem, early.stops))
    assert [each.rule for each in check(problem, early)] == [Rule.TRAVEL_TOO_SHORT]
    later = replace(early, stops=(early.stops[0], replace(early.stops[1], start=561)))
    assert check(problem, later) == ()


def test_the_charge_for_balance_is_checked_round_by_round() -> None:
    # Ann works 10 + 60 + 5 + 45 + 18 = 138 minutes, 48 more than an hour and a half; at 20 for an
    # hour squared that is 20 * (48 / 60)^2 = 12.8. Where nothing is usual it is 105.8. Bo, at
    # home, is charged nothing. With the valves alone, 10 + 60 + 10, Ann's day is 10 short: 0.6.
    problem = replace(
        world(VALVES, BURNER), balance=20, shifts=(replace(ANN, usual_minutes=90), BO)
    )
    plan = plan_of(
        Stop(visit="valves", shift="ann/mon", start=490),
        Stop(visit="burner", shift="ann/mon", start=600),
    )
    right = Cost(travel=33, shift_costs=0, left_out=0, balance=13, total=46)
    assert cost_of(problem, plan.stops) == right
    assert check(problem, replace(plan, left_out=(), cost=right)) == ()
    wrong = replace(right, balance=12, total=45)
    found = check(problem, replace(plan, left_out=(), cost=wrong))
    assert [each.rule for each in found] == [Rule.COST_WRONG, Rule.COST_WRONG]
    assert cost_of(problem, plan.stops[:1]).balance == 1
    everything = replace(problem, shifts=(ANN, BO))
    assert cost_of(everything, plan.stops).balance == 106


def test_a_wrong_working_time_is_named() -> None:
    wrong = replace(CALLING_PLAN, cost=replace(CALLING_PLAN.cost, standing=70, total=152))
    assert [violation.detail for violation in check(calling(LONG_BO), wrong)] == [
        "The plan claims 70 for standing; its stops make it 80.",
        "The plan claims 152 for total; its stops make it 162.",
    ]


@given(problems(people=True, sites=True))
def test_plain_plans_pass(problem: Problem) -> None:
    assert check(problem, cheapest_insertion(problem)) == ()
