"""Plans: their file, their rounds and their cost."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given

from scheduler.errors import InvalidPlan
from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.plan import (
    BreakTaken,
    Cost,
    LeftOut,
    Round,
    Stop,
    cost_of,
    plan_from_json,
    plan_to_json,
    read_plan,
    rounds,
    write_plan,
)
from scheduler.routing.problem import Problem
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.world import GOOD_PLAN, VALVES, world

WITH_REASON = replace(
    GOOD_PLAN,
    left_out=(
        LeftOut(visit="descaling", reason="no_skill", detail="Nobody can.", would_help="Learn."),
    ),
)


def test_plan_file_looks_as_described() -> None:
    assert plan_to_json(WITH_REASON) == {
        "format": "steamround-plan/1",
        "stops": [
            {"visit": "valves", "shift": "ann/mon", "start": 490},
            {"visit": "burner", "shift": "ann/mon", "start": 590},
            {"visit": "probe", "shift": "bo/mon", "start": 510},
        ],
        "breaks": [{"shift": "ann/mon", "start": 560}],
        "left_out": [
            {
                "visit": "descaling",
                "reason": "no_skill",
                "detail": "Nobody can.",
                "would_help": "Learn.",
            }
        ],
        "cost": {"travel": 103, "shift_costs": 7, "left_out": 0, "total": 110},
    }


@pytest.mark.parametrize("name", ["plan.json", "plan.json.gz"])
def test_plan_comes_back_from_a_file_unchanged(tmp_path: Path, name: str) -> None:
    write_plan(WITH_REASON, tmp_path / name)
    assert read_plan(tmp_path / name) == WITH_REASON


def test_every_flaw_of_a_plan_file_is_listed() -> None:
    wrong = json.loads(json.dumps(plan_to_json(WITH_REASON)))
    wrong["format"] = "steamround-problem/1"
    wrong["stops"][1]["start"] = 590.5
    del wrong["stops"][2]["shift"]
    wrong["breaks"] = {}
    wrong["left_out"][0]["visit"] = 9
    wrong["cost"]["total"] = "110"
    with pytest.raises(InvalidPlan) as caught:
        plan_from_json(wrong)
    assert [str(flaw) for flaw in caught.value.flaws] == [
        'format: must be "steamround-plan/1", got "steamround-problem/1"',
        "stops[1].start: must be a whole number, got 590.5",
        "stops[2].shift: is missing; add it",
        "breaks: must be an array [...], got {}",
        "left_out[0].visit: must be a text in quotes, got 9",
        'cost.total: must be a whole number, got "110"',
    ]


def test_what_is_no_plan_at_all_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    path.write_text("[]", encoding="utf-8")
    with pytest.raises(InvalidPlan, match=r"^document: must be an object \{\.\.\.\}, got \[\]$"):
        read_plan(path)
    path.write_text("", encoding="utf-8")
    with pytest.raises(InvalidPlan, match=r"^line 1: column 1 is not JSON"):
        read_plan(path)


def test_rounds_of_the_world() -> None:
    # worked out beside GOOD_PLAN
    assert rounds(world(), GOOD_PLAN) == (
        Round(
            shift="ann/mon",
            technician="ann",
            stops=GOOD_PLAN.stops[:2],
            leg_minutes=(10, 5, 18),
            departure=480,
            return_=653,
            break_start=560,
        ),
        Round(
            shift="bo/mon",
            technician="bo",
            stops=GOOD_PLAN.stops[2:],
            leg_minutes=(30, 40),
            departure=480,
            return_=570,
            break_start=None,
        ),
    )


def test_an_unused_shift_has_no_round() -> None:
    assert [round_.shift for round_ in rounds(world(), replace(GOOD_PLAN, stops=()))] == []


@pytest.mark.parametrize(
    ("break_start", "departure"),
    [
        (560, 610),  # 560-590, leaves afterwards
        (580, 610),  # 580-610, leaves the minute it ends
        (585, 580),  # 585-615 splits the journey: 5 minutes before it, 5 after
        (590, 580),  # 10 minutes of journey, then 590-620 at the mill's door
    ],
)
def test_departure_leaves_room_for_a_break_before_the_first_stop(
    break_start: int, departure: int
) -> None:
    # valves start at 620, 10 minutes from home
    plan = replace(
        GOOD_PLAN,
        stops=(Stop(visit="valves", shift="ann/mon", start=620),),
        breaks=(BreakTaken(shift="ann/mon", start=break_start),),
    )
    (round_,) = rounds(world(VALVES), plan)
    assert (round_.departure, round_.return_) == (departure, 692)


@pytest.mark.parametrize(
    ("break_start", "return_"),
    [
        (560, 602),  # right after the work at 560: 30 minutes, then 12 home
        (571, 602),  # on the way
        (572, 572),  # at home
        (600, 572),
    ],
)
def test_return_waits_for_a_break_on_the_way_only(break_start: int, return_: int) -> None:
    # valves from 500 to 560, 12 minutes to home
    plan = replace(
        GOOD_PLAN,
        stops=(Stop(visit="valves", shift="ann/mon", start=500),),
        breaks=(BreakTaken(shift="ann/mon", start=break_start),),
    )
    (round_,) = rounds(world(VALVES), plan)
    assert (round_.departure, round_.return_) == (490, return_)


def test_cost_counts_every_visit_without_a_stop_as_left_out() -> None:
    # probe alone: 30 + 40 of travel, 7 for the shift; valves 300 and burner 200 left out
    assert cost_of(world(), GOOD_PLAN.stops[2:]) == Cost(
        travel=70, shift_costs=7, left_out=500, total=577
    )
    assert cost_of(world(), GOOD_PLAN.stops) == GOOD_PLAN.cost


@given(problems(people=True, sites=True))
def test_plan_comes_back_from_json_unchanged(problem: Problem) -> None:
    plan = cheapest_insertion(problem)
    assert plan_from_json(json.loads(json.dumps(plan_to_json(plan)))) == plan
