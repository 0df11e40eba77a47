from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.catalogue import (
    Action,
    Authority,
    BoilerLayout,
    Catalogue,
    Dosing,
    EquipmentKind,
    Interval,
    ServiceRule,
    SetPoint,
)
from scheduler.follow_up import follow_up_tasks, standing_judgements, with_follow_ups
from scheduler.machines import Build, FittedPart, Machine, WorkDone, places_in
from scheduler.readings import Reading, Stage, Verdict
from scheduler.upkeep import DueTask
from seed_data.catalogue import load_catalogue
from tests.scheduler.small_trade import CATALOGUE, GRINDER, TWO_GROUP

SHIPPED = load_catalogue()

DAY = date(2027, 3, 1)
STEAM = SetPoint(
    id="steam", name="Steam pressure", unit="bar", low=1.0, high=1.2, stop_above=1.8, source="-"
)
OTHER = SetPoint(
    id="burr_gap", name="Gap", unit="mm", low=1, high=2, source="-", applies_to=GRINDER
)


def rule(name: str, action: Action) -> ServiceRule:
    return ServiceRule(
        id=name,
        name=name.capitalize(),
        action=action,
        authority=Authority.PRACTICE,
        minutes=10,
        source="-",
        interval=Interval(months_by_drinks=((100.0, 12.0),)),
        part_type="pressure_switch",
        readings=("steam",),
    )


TRADE: Catalogue = replace(
    CATALOGUE,
    set_points={point.id: point for point in (STEAM, OTHER)},
    rules={
        each.id: each
        for each in (rule("replace_switch", Action.REPLACE), rule("set_switch", Action.ADJUST))
    },
)
MACHINE = Machine(
    id="m1",
    site="s1",
    name="Two groups",
    build=TWO_GROUP,
    installed_on=date(2025, 1, 1),
    drinks_per_day=100,
    parts=(
        FittedPart(
            id="sw", part_type="pressure_switch", position="front", fitted_on=date(2025, 1, 1)
        ),
    ),
)


def read(
    value: float, stage: Stage = Stage.AS_LEFT, day: date = DAY, point: str = "steam"
) -> Reading:
    unit = TRADE.set_points[point].unit
    return Reading(set_point=point, value=value, unit=unit, stage=stage, taken_on=day)


def tasks_after(*readings: Reading, machine: Machine = MACHINE) -> tuple[DueTask, ...]:
    judged = standing_judgements(readings, machine, TRADE)
    return follow_up_tasks(judged, machine, TRADE)


def test_a_value_left_outside_its_range_is_put_right_within_weeks() -> None:
    (task,) = tasks_after(read(1.4, Stage.AS_FOUND), read(1.3))
    assert task == DueTask(
        id="m1:sw:set_switch:read:2027-03-01",
        machine="m1",
        site="s1",
        rule="set_switch",
        fitted_part="sw",
        anchor=DAY,
        earliest=DAY,
        target=date(2027, 3, 8),
        latest=date(2027, 3, 22),
        hard=False,
        because="Set_switch: follows the reading of 2027-03-01. "
        "Steam pressure 1.3 bar is too high: 1 to 1.2 bar.",
    )


def test_a_value_put_right_at_the_visit_asks_for_nothing() -> None:
    assert tasks_after(read(1.4, Stage.AS_FOUND), read(1.1)) == ()


def test_a_value_only_found_was_left_so() -> None:
    assert [task.target for task in tasks_after(read(1.3, Stage.AS_FOUND))] == [date(2027, 3, 8)]


def test_danger_is_seen_to_the_next_day() -> None:
    (task,) = tasks_after(read(1.9))
    assert (task.target, task.latest) == (DAY + timedelta(days=1), DAY + timedelta(days=2))
    assert task.because.startswith("Stopped and made safe: ")


def test_only_the_last_reading_counts_and_only_of_this_build() -> None:
    later = DAY + timedelta(days=30)
    assert tasks_after(read(1.3), read(1.1, day=later)) == ()
    assert [task.anchor for task in tasks_after(read(1.1), read(1.3, day=later))] == [later]
    judged = standing_judgements([read(9, point="burr_gap"), read(1.1)], MACHINE, TRADE)
    assert [(each.reading.set_point, each.verdict) for each in judged] == [("steam", Verdict.OK)]


def test_work_done_on_a_later_day_settles_it_and_that_of_the_same_day_does_not() -> None:
    def after(day: date) -> Machine:
        work = WorkDone(rule="set_switch", fitted_part="sw", done_on=day)
        return replace(MACHINE, history=(work,))

    assert tasks_after(read(1.3), machine=after(DAY + timedelta(days=1))) == ()
    assert len(tasks_after(read(1.3), machine=after(DAY))) == 1


def test_without_the_part_there_is_nothing_to_be_done_to_it() -> None:
    assert tasks_after(read(1.3), machine=replace(MACHINE, parts=())) == ()


def test_a_follow_up_takes_the_place_of_the_same_work_due_later() -> None:
    (follow_up,) = tasks_after(read(1.3))
    ordinary = replace(
        follow_up,
        id="ordinary",
        target=follow_up.target + timedelta(days=60),
        latest=follow_up.target + timedelta(days=90),
    )
    other = replace(ordinary, id="other", rule="replace_switch")
    assert with_follow_ups([ordinary, other], [follow_up]) == (other, follow_up)
    soon = replace(follow_up, id="soon", target=follow_up.target - timedelta(days=1))
    assert with_follow_ups([soon, other], [follow_up]) == (soon, other)


def shipped(*features: str) -> Machine:
    """A machine of the shipped catalogue with every part its build has."""
    build = Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        groups=2,
        dosing=Dosing.VOLUMETRIC,
        features=frozenset(features),
    )
    parts = tuple(
        FittedPart(
            id=f"{place.part_type}/{place.position}",
            part_type=place.part_type,
            position=place.position,
            fitted_on=DAY,
        )
        for place in places_in(build, SHIPPED)
    )
    return replace(MACHINE, build=build, parts=parts)


WITH_SWITCH = shipped("pressure_switch", "mechanical_thermostat", "statutory_inspection")
WITH_SENSOR = shipped("pressure_sensor", "electronic_temperature")


@pytest.mark.parametrize(
    ("machine", "set_point", "value", "rules"),
    [
        (
            WITH_SWITCH,
            "steam_pressure_separate",
            2.1,
            {
                "pressure_switch_replace",
                "heating_contactor_check",
                "steam_safety_valve_replace",
                "pressure_gauge_compare",
            },
        ),
        (
            WITH_SENSOR,
            "steam_pressure_separate",
            2.1,
            {
                "pressure_sensor_compare",
                "solid_state_relay_check",
                "steam_safety_valve_replace",
                "pressure_gauge_compare",
            },
        ),
        (WITH_SWITCH, "steam_pressure_separate", 1.6, {"pressure_switch_clear"}),
        (WITH_SENSOR, "steam_pressure_separate", 1.2, {"pressure_sensor_compare"}),
        # a valve that lifts late or early is replaced; no examiner mends it
        (WITH_SWITCH, "safety_valve_lift", 2.0, {"steam_safety_valve_replace"}),
        (WITH_SWITCH, "safety_valve_lift", 1.6, {"steam_safety_valve_replace"}),
        # what lets it climb is not what lets it fall
        (WITH_SWITCH, "expansion_pressure", 13.5, {"expansion_valve_replace"}),
        (WITH_SWITCH, "expansion_pressure", 5, {"brew_check_valve_replace"}),
        (
            WITH_SWITCH,
            "brew_pressure",
            15,
            {"expansion_valve_replace", "pump_pressure_set", "pressure_gauge_compare"},
        ),
        (
            WITH_SENSOR,
            "brew_temperature",
            102,
            {"brew_temperature_check", "over_temperature_cut_out_test"},
        ),
    ],
)
def test_everything_that_may_have_let_a_danger_happen_is_seen_to(
    machine: Machine, set_point: str, value: float, rules: set[str]
) -> None:
    point = SHIPPED.set_points[set_point]
    taken = Reading(
        set_point=set_point, value=value, unit=point.unit, stage=Stage.AS_LEFT, taken_on=DAY
    )
    judged = standing_judgements([taken], machine, SHIPPED)
    tasks = follow_up_tasks(judged, machine, SHIPPED)
    assert {task.rule for task in tasks} == rules
    stopped = judged[0].verdict is Verdict.STOP_AND_MAKE_SAFE
    assert {task.urgent for task in tasks} == {stopped}
    if "steam_safety_valve_replace" in rules:
        assert {"stored_steam", "relief_valves"} <= set(
            SHIPPED.rules["steam_safety_valve_replace"].cautions
        )
