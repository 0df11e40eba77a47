"""The order of work with the shipped catalogue, as a technician has to be able to follow it."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.catalogue import BoilerLayout, Dosing, EquipmentKind, MachineState, ReadWhen
from scheduler.jobs import access_needed, rule_state
from scheduler.machines import Build, FittedPart, Machine, places_in
from scheduler.upkeep import DueTask
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step, Worksheet, build_worksheet
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
DAY = date(2027, 3, 1)
LEFT, RIGHT = (
    Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=layout,
        groups=2,
        dosing=dosing,
        features=frozenset(features),
    )
    for layout, dosing, features in (
        (
            BoilerLayout.SEPARATE_BOILERS,
            Dosing.VOLUMETRIC,
            {"pressure_switch", "mechanical_thermostat", "sight_glass", "statutory_inspection"},
        ),
        (
            BoilerLayout.HEAT_EXCHANGER,
            Dosing.SEMI_AUTOMATIC,
            {"pressure_sensor", "electronic_temperature", "steam_shut_off"},
        ),
    )
)
BUILDS = {
    "left": LEFT,
    "right": RIGHT,
    "grinder": Build(kind=EquipmentKind.GRINDER, features=frozenset({"flat_burrs"})),
    "filter": Build(kind=EquipmentKind.WATER_FILTER, features=frozenset({"cartridge"})),
}
MACHINES = [
    Machine(
        id=name,
        site="cafe",
        name=name,
        build=build,
        installed_on=date(2024, 3, 1),
        drinks_per_day=200,
        parts=tuple(
            FittedPart(
                id=f"{name}/{place.part_type}/{place.position}",
                part_type=place.part_type,
                position=place.position,
                fitted_on=date(2024, 3, 1),
            )
            for place in places_in(build, CATALOGUE)
        ),
    )
    for name, build in BUILDS.items()
]


def due(machine: Machine, rule: str) -> list[DueTask]:
    """The rule on every part it is for."""
    part_type = CATALOGUE.rules[rule].part_type
    parts = [part.id for part in machine.parts if part.part_type == part_type]
    return [
        DueTask(
            id=f"{machine.id}:{part or '-'}:{rule}",
            machine=machine.id,
            site="cafe",
            rule=rule,
            fitted_part=part,
            anchor=DAY,
            earliest=DAY,
            target=DAY,
            latest=DAY,
            hard=False,
            because="invented for the tests",
        )
        for part in (parts if part_type else [None])
    ]


def sheet_for(**rules: list[str]) -> Worksheet:
    by_id = {machine.id: machine for machine in MACHINES}
    tasks = [
        task for name, each in rules.items() for rule in each for task in due(by_id[name], rule)
    ]
    return build_worksheet(tasks, MACHINES, CATALOGUE)


ORDINARY = [
    task
    for machine in MACHINES
    for rule in CATALOGUE.rules.values()
    if not rule.every_visit and not rule.alone and machine.build.suits(rule.applies_to)
    for task in due(machine, rule.id)
]
ALONE = [
    task
    for machine in MACHINES
    for rule in ("electrical_safety_test", "pressure_vessel_examination")
    if machine.build.suits(CATALOGUE.rules[rule].applies_to)
    for task in due(machine, rule)
]
visits = st.lists(st.sampled_from(ORDINARY), min_size=1, max_size=14, unique=True) | st.lists(
    st.sampled_from(ALONE), min_size=1, unique=True
)
STATE = {
    name: {rule.id: rule_state(rule, build, CATALOGUE) for rule in CATALOGUE.rules.values()}
    for name, build in BUILDS.items()
}
ACCESS_STATE = {step.name: step.state for step in CATALOGUE.access_steps.values()}
HOLDS_WATER = {step.name for step in CATALOGUE.access_steps.values() if step.holds_water}
OFF = (MachineState.DEAD, MachineState.COLD)


HOT_CHECK = "No leaks hot; safety devices free; one drink at each group; readings as left"
LEAK_CHECK = (
    "Supply still locked: open the water, fill at line pressure, look for leaks with every cover "
    "off"
)
RINSE = (
    "Rinse every outlet, then test the water for residue with a strip or as the agent's sheet "
    "says; nobody tastes or serves before it is clear"
)
CLOSE_SHUT_OFF = (
    "Close the shut-off in front, open the valve to vent it, see that nothing more comes"
)


def rules_of(step: Step) -> set[str]:
    return {task.rsplit(":", 1)[1] for task in step.tasks}


def end(step: Step) -> int:
    return step.start_minute + step.minutes


def only(steps: list[Step], kind: StepKind) -> Step | None:
    found = [step for step in steps if step.kind is kind]
    assert len(found) <= 1
    return found[0] if found else None


def test_two_machines_in_one_visit_are_worked_on_in_the_order_of_the_trade() -> None:
    left = ["group_gasket_replace", "group_screen_replace", "brew_valve_rebuild"]
    left += ["heating_contactor_check", "pump_pressure_set"]
    sheet = sheet_for(left=left, right=["steam_valve_rebuild", "pressure_sensor_compare"])
    assert [
        (s.machine, s.start_minute, s.minutes, s.text + (" ~" if s.waiting else ""))
        for s in sheet.steps
    ] == [
        (None, 0, 5, "Arrive, sign in, hear what the café has noticed"),
        ("left", 5, 6, "See how it runs and take the readings as found"),
        ("left", 11, 3, "Check the steam pressure"),
        ("left", 14, 2, "Open: Cupboard under the counter: pump and inlet"),
        ("left", 16, 6, "Check and set the pump pressure (under the counter)"),
        ("left", 22, 1, "Take it out of service and tell the café"),
        # at 2 places: 3 to open the head, 4 for the gasket and 1 for the screen
        ("left", 23, 16, "Replace a group gasket + Replace a group screen (group 1, group 2)"),
        ("left", 39, 5, "Switch off, isolate, lock and tag; prove dead; shut the water"),
        # meanwhile covers, electrics and the other machine, which is not left open
        ("left", 44, 35, "Vent and let it cool down ~"),
        ("left", 44, 2, "Open: Drain tray out"),
        ("left", 46, 4, "Open: Top panel: valves and probes"),
        ("left", 50, 3, "Open: Side panel, electric side: supply, switches and elements"),
        ("left", 53, 6, "Look at the contacts of the heating contactor (electric side)"),
        ("left", 59, 3, "Open: Side panel, water side: fill and check valves"),
        ("right", 62, 3, "See how it runs and take the readings as found"),
        ("right", 65, 6, "Compare the pressure sensor with a test gauge (steam boiler)"),
        ("right", 71, 3, "Check the steam pressure"),
        ("right", 74, 2, CLOSE_SHUT_OFF),
        ("right", 76, 4, "Open: Top panel: valves and probes"),
        ("right", 80, 36, "Rebuild a steam valve (steam valve 1, steam valve 2)"),
        ("right", 116, 4, "Close: Top panel: valves and probes"),
        ("right", 120, 6, HOT_CHECK),
        ("left", 126, 4, "Drain, and confirm zero gauge before anything is opened"),
        ("left", 130, 5, "Open: Front valve panel: brew valves"),
        ("left", 135, 6, "Open: Shared drain of the brew valves out"),
        ("left", 141, 44, "Rebuild a brew valve (group 1, group 2)"),
        ("left", 185, 10, "Clear the pressure-switch connection (steam boiler)"),
        ("left", 195, 8, "Close: Shared drain of the brew valves out"),
        ("left", 203, 2, "All parts refitted, joints tight, tools counted"),
        # the joints under pressure first, every panel off and nothing live, then the panels
        ("left", 205, 5, LEAK_CHECK),
        ("left", 210, 6, "Close: Front valve panel: brew valves"),
        ("left", 216, 4, "Close: Top panel: valves and probes"),
        ("left", 220, 3, "Close: Side panel, electric side: supply, switches and elements"),
        ("left", 223, 2, "Close: Drain tray out"),
        ("left", 225, 2, "Close: Cupboard under the counter: pump and inlet"),
        (
            "left",
            227,
            2,
            "Unlock and switch on with the heating off; let the boilers fill to level",
        ),
        ("left", 229, 2, "Bleed the air at each of the 2 groups, then heating on"),
        # meanwhile what is set while it heats, and paper
        ("left", 231, 30, "Heat up ~"),
        ("left", 231, 8, "Check and set the expansion valve (water side)"),
        ("left", 239, 3, "Close: Side panel, water side: fill and check valves"),
        (None, 242, 6, "Serial numbers, part labels, the written report"),
        # the groups were flushed with detergent
        ("left", 261, 3, RINSE),
        ("left", 264, 9, HOT_CHECK),
        (None, 273, 4, "Show the readings, hand over, have it signed"),
    ]
    assert sheet.because == (
        "277 min from arrival to leaving: 138 min of work, 126 min around it (access, "
        "shutting down, refilling, checks, paperwork) and 13 min of waiting with nothing else "
        "to do, out of 65 min of cooling down and heating up. Four visits of five are done in "
        "304 min."
    )
    assert sheet.machine_back_minutes == {"left": 273, "right": 126}


def test_the_electrical_test_neither_drains_nor_opens_anything_else() -> None:
    sheet = sheet_for(left=["electrical_safety_test"])
    assert [(s.kind, s.state, s.text) for s in sheet.steps if s.machine == "left"] == [
        (StepKind.AS_FOUND, "live", "See how it runs and take the readings as found"),
        (
            StepKind.SHUT_DOWN,
            "dead",
            "Switch off, isolate, lock and tag; prove dead; leave what is hot and shut alone",
        ),
        (
            StepKind.OPEN,
            "dead",
            "Open: Side panel, electric side: supply, switches and elements",
        ),
        (StepKind.WORK, "dead", "Electrical safety test"),
        (
            StepKind.CLOSE,
            "dead",
            "Close: Side panel, electric side: supply, switches and elements",
        ),
        (StepKind.REFIT, "dead", "All parts refitted, terminals tight, tools counted"),
        (
            StepKind.POWER_ON,
            "isolated_hot",
            "Unlock and switch on; see that it comes back to pressure",
        ),
        (
            StepKind.CHECK,
            "isolated_hot",
            "No leaks hot; safety devices free; one drink at each group; readings as left",
        ),
    ]
    assert sheet.skills == {"electrical_test"}
    grinder = sheet_for(grinder=["electrical_safety_test"])
    assert [s.kind for s in grinder.steps if s.machine == "grinder"] == [
        *(StepKind.AS_FOUND, StepKind.SHUT_DOWN, StepKind.WORK, StepKind.REFIT, StepKind.CHECK)
    ]


@given(visits)
@settings(max_examples=60, deadline=None)
def test_a_machine_that_was_stopped_is_mended_before_anything_runs(tasks: list[DueTask]) -> None:
    stopped = [replace(machine, stopped=True) for machine in MACHINES]
    steps = build_worksheet(tasks, stopped, CATALOGUE).steps
    for machine in {task.machine for task in tasks}:
        here = [step for step in steps if step.machine == machine]
        assert here[0].text.endswith("look without touching; do not switch it on")
        assert "live" not in {str(step.state) for step in here[:2]}
        runs = [s.start_minute for s in here[1:] if s.state not in OFF]
        mended = [end(s) for s in here if s.state in OFF]
        assert max(mended, default=0) <= min(runs)
        if BUILDS[machine].kind is EquipmentKind.ESPRESSO_MACHINE or not mended:
            assert only(here, StepKind.POWER_ON) is not None
    assert sum(len(step.tasks) for step in steps) == len(tasks)


def test_the_electrics_are_seen_to_while_the_boilers_cool() -> None:
    sheet = sheet_for(left=["brew_valve_rebuild", "heating_contactor_check"])
    cooling = next(s for s in sheet.steps if s.kind is StepKind.COOL_DOWN)
    contacts = next(s for s in sheet.steps if s.text.startswith("Look at the contacts"))
    assert cooling.start_minute <= contacts.start_minute
    assert end(contacts) <= end(cooling)
    assert sheet.minutes == sheet_for(left=["brew_valve_rebuild"]).minutes + 3  # its panel shut


def test_water_treatment_is_checked_shut_changed_and_flushed_without_a_break() -> None:
    steps = sheet_for(left=["brew_valve_rebuild"], filter=["filter_cartridge_replace"]).steps
    shut = next(n for n, s in enumerate(steps) if s.machine == "filter" and s.state == "cold")
    assert [(s.machine, s.text) for s in steps[shut - 1 : shut + 7]] == [
        ("filter", "Measure the hardness of the treated water"),
        ("filter", "Tell the café: no water now; shut the inlet, release the line pressure"),
        ("filter", "Open: Water treatment pulled forward"),
        ("filter", "Replace the water filter cartridge (filter)"),
        ("filter", "All parts refitted, joints tight, tools counted"),
        (
            "filter",
            "Open the inlet slowly, flush to the drain until clear and free of air, look for leaks "
            "under pressure",
        ),
        ("filter", "Close: Water treatment pulled forward"),
        ("filter", "Water on, no leaks, readings as left"),
    ]
    # the hardness as left comes after the flush; the change, its water shut, asks for nothing
    asked = [s.kind for s in steps if s.machine == "filter" and "treated_hardness" in s.readings]
    assert asked == [StepKind.AS_FOUND, StepKind.WORK, StepKind.CHECK]
    assert not any("measure" in detail for detail in steps[shut + 2].details)


def test_a_valve_with_a_shut_off_goes_along_with_the_machine() -> None:
    def state_of_the_valve(*others: str) -> tuple[MachineState, bool]:
        steps = sheet_for(right=["steam_valve_rebuild", *others]).steps
        work = next(s for s in steps if s.text.startswith("Rebuild a steam valve"))
        return work.state, any(s.kind is StepKind.SHUT_OFF for s in steps)

    assert state_of_the_valve() == (MachineState.LIVE, True)
    assert state_of_the_valve("group_gasket_replace") == (MachineState.ISOLATED_HOT, True)
    assert state_of_the_valve("brew_valve_rebuild") == (MachineState.COLD, False)


@pytest.mark.parametrize("screens", [1, 2])
def test_gasket_and_screen_of_a_group_are_one_step(screens: int) -> None:
    gaskets, all_screens = (
        due(MACHINES[0], rule) for rule in ("group_gasket_replace", "group_screen_replace")
    )
    sheet = build_worksheet([*gaskets, *all_screens[:screens]], MACHINES, CATALOGUE)
    (work,) = (s for s in sheet.steps if "gasket" in s.text)
    assert (
        work.text
        == {
            1: "Replace a group gasket (group 1, group 2) + Replace a group screen (group 1)",
            2: "Replace a group gasket + Replace a group screen (group 1, group 2)",
        }[screens]
    )
    assert work.minutes == 2 * 3 + 2 * 4 + screens * 1
    assert len(work.tasks) == 2 + screens


@settings(deadline=None)
@given(visits)
def test_no_live_part_is_touched_before_it_is_proved_dead(tasks: list[DueTask]) -> None:
    sheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    for machine in MACHINES:
        steps = [step for step in sheet.steps if step.machine == machine.id]
        off, on = only(steps, StepKind.SHUT_DOWN), only(steps, StepKind.POWER_ON)
        for step in steps:
            behind = ACCESS_STATE.get(step.text.partition(": ")[2], MachineState.LIVE)
            needs_off = step.kind is StepKind.WORK and any(
                STATE[machine.id][rule] in OFF for rule in rules_of(step)
            )
            if needs_off or behind in OFF or step.state in OFF:
                assert off is not None
                assert step is off or end(off) <= step.start_minute
                assert on is None or end(step) <= on.start_minute


@settings(deadline=None)
@given(visits)
def test_no_part_under_pressure_is_opened(tasks: list[DueTask]) -> None:
    sheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    for machine in MACHINES:
        if machine.build.kind is not EquipmentKind.ESPRESSO_MACHINE:
            continue
        steps = [step for step in sheet.steps if step.machine == machine.id]
        zero, refill = only(steps, StepKind.ZERO_GAUGE), only(steps, StepKind.REFILL)
        shut_off = only(steps, StepKind.SHUT_OFF)
        for step in steps:
            name = step.text.partition(": ")[2]
            behind = ACCESS_STATE.get(name, MachineState.LIVE)
            rules = rules_of(step)
            if step.kind is StepKind.CLOSE and behind is MachineState.COLD:
                # its joints are looked at under pressure, the supply still locked, then it is shut
                power = only(steps, StepKind.POWER_ON)
                assert refill is not None
                assert power is not None
                if name in HOLDS_WATER:
                    assert end(step) <= refill.start_minute
                else:
                    assert end(refill) <= step.start_minute
                    assert end(step) <= power.start_minute
                continue
            if behind is MachineState.COLD or any(
                STATE[machine.id][rule] is MachineState.COLD for rule in rules
            ):
                assert zero is not None
                assert refill is not None
                assert end(zero) <= step.start_minute
                assert end(step) <= refill.start_minute
            if any(CATALOGUE.rules[rule].live_with in machine.build.features for rule in rules):
                safe = zero if zero is not None else shut_off
                assert safe is not None
                assert end(safe) <= step.start_minute


@settings(deadline=None)
@given(visits)
def test_looking_comes_first_and_nothing_hot_before_it_is_out_of_service(
    tasks: list[DueTask],
) -> None:
    sheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    for machine in MACHINES:
        steps = [step for step in sheet.steps if step.machine == machine.id]
        out = only(steps, StepKind.TAKE_OUT)
        live = [s for s in steps if s.kind is StepKind.WORK and s.state is MachineState.LIVE]
        for step in live:
            assert out is None or end(step) <= out.start_minute
        for step in steps:
            if step.kind is StepKind.WORK and step.state is MachineState.ISOLATED_HOT:
                begun = out or only(steps, StepKind.POWER_ON)
                assert begun is not None
                assert end(begun) <= step.start_minute
        looked = [s for s in live if all(CATALOGUE.rules[r].action in LOOKS for r in rules_of(s))]
        for step in live:
            if step not in looked:
                assert all(end(look) <= step.start_minute for look in looked)


LOOKS = ("check", "test", "adjust")


@settings(deadline=None)
@given(visits)
def test_leaks_and_safety_devices_are_looked_at_last(tasks: list[DueTask]) -> None:
    sheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    order = [StepKind.REFIT, StepKind.REFILL, StepKind.POWER_ON, StepKind.BLEED, StepKind.CHECK]
    for machine in MACHINES:
        steps = [step for step in sheet.steps if step.machine == machine.id]
        if steps:
            assert steps[-1].kind is StepKind.CHECK
        kinds = [step.kind for step in steps if step.kind in order]
        assert kinds == [kind for kind in order if kind in kinds]
        heat = only(steps, StepKind.REHEAT)
        if heat is not None:
            assert end(heat) <= steps[-1].start_minute


@settings(deadline=None)
@given(visits)
def test_nothing_else_is_done_while_the_café_has_no_water(tasks: list[DueTask]) -> None:
    hands_on = [s for s in build_worksheet(tasks, MACHINES, CATALOGUE).steps if not s.waiting]
    of_filter = [n for n, s in enumerate(hands_on) if s.machine == "filter"]
    shut = [n for n in of_filter if hands_on[n].kind is StepKind.SHUT_DOWN]
    if shut:
        assert of_filter[of_filter.index(shut[0]) :] == list(range(shut[0], of_filter[-1] + 1))


def test_all_access_is_for_builds_that_have_it() -> None:
    for name, build in BUILDS.items():
        for rule in CATALOGUE.rules.values():
            if build.suits(rule.applies_to) and rule.part_type is None and name == "grinder":
                kept = {
                    step
                    for step in access_needed(rule.access, CATALOGUE)
                    if build.suits(CATALOGUE.access_steps[step].applies_to)
                }
                assert kept <= {"grinder_top", "grinder_base"}


@settings(deadline=None)
@given(visits)
def test_a_value_is_asked_for_when_the_machine_can_show_it(tasks: list[DueTask]) -> None:
    """Nothing is read that needs a running machine while it is off, nor a reheat when hot."""
    sheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    asked: dict[str, set[str]] = {}
    for step in sheet.steps:
        for reading in step.readings:
            read = CATALOGUE.set_points[reading].read
            asked.setdefault(step.machine or "", set()).add(reading)
            if step.kind in (StepKind.AS_FOUND, StepKind.CHECK):
                assert read in (ReadWhen.FOUND_AND_LEFT, ReadWhen.LEFT)
                assert step.kind is StepKind.CHECK or read is ReadWhen.FOUND_AND_LEFT
            elif step.state in OFF:
                assert read is ReadWhen.AT_WORK
            if read is ReadWhen.REHEAT:
                hot_work = step.kind is StepKind.WORK and step.state is MachineState.ISOLATED_HOT
                assert hot_work or step.kind is StepKind.REHEAT
    for task in tasks:  # and none is forgotten
        build = BUILDS[task.machine]
        for reading in CATALOGUE.rules[task.rule].readings:
            if build.suits(CATALOGUE.set_points[reading].applies_to):
                assert reading in asked[task.machine]


def test_nobody_tastes_before_the_water_is_tested_for_what_cleaned_it() -> None:
    for rule in ("group_screen_replace", "steam_element_seal"):
        steps = [s for s in sheet_for(left=[rule]).steps if s.machine == "left"]
        rinse, check = only(steps, StepKind.RINSE), only(steps, StepKind.CHECK)
        assert rinse is not None
        assert check is not None
        assert end(rinse) <= check.start_minute
        assert "test the water for residue" in rinse.text
        assert CATALOGUE.cautions["chemicals"].text in rinse.cautions
    steps = [s for s in sheet_for(left=["brew_valve_rebuild"]).steps if s.machine == "left"]
    assert only(steps, StepKind.RINSE) is None


@settings(deadline=None)
@given(visits)
def test_whoever_opens_or_closes_a_hot_machine_is_warned_at_that_step(tasks: list[DueTask]) -> None:
    hot_and_live, locked_yet_hot = (
        CATALOGUE.cautions[caution].text for caution in ("hot_and_live", "locked_yet_hot")
    )
    steps = build_worksheet(tasks, MACHINES, CATALOGUE).steps
    for machine in MACHINES:
        if machine.build.kind is not EquipmentKind.ESPRESSO_MACHINE:
            continue
        here = [step for step in steps if step.machine == machine.id]
        zero = only(here, StepKind.ZERO_GAUGE)
        for step in here:
            if step.kind not in (StepKind.OPEN, StepKind.CLOSE):
                continue
            if step.state not in OFF:
                assert step.cautions == (hot_and_live,)
            elif zero is None or step.start_minute < end(zero):
                assert step.cautions == (locked_yet_hot,)


@pytest.mark.parametrize(
    ("rule", "level"),
    [
        ("pump_pressure_set", MachineState.LIVE),
        ("group_gasket_replace", MachineState.ISOLATED_HOT),
        ("heating_contactor_check", MachineState.DEAD),
        ("brew_valve_rebuild", MachineState.COLD),
    ],
)
def test_leaks_are_looked_for_hot_with_the_covers_on(rule: str, level: MachineState) -> None:
    assert STATE["left"][rule] is level
    steps = [step for step in sheet_for(left=[rule]).steps if step.machine == "left"]
    opened = [step for step in steps if step.kind is StepKind.OPEN]
    assert len(opened) == len([step for step in steps[:-1] if step.kind is StepKind.CLOSE])
    assert steps[-1].details == (
        "Covers stay on: look, never feel, beneath and at the drain tray for drips and steam. If "
        "it leaks: switch off, isolate, lock and prove dead again, and let it cool to zero gauge "
        "before a cover comes off.",
    )
    assert all(step.details == () for step in sheet_for(grinder=["flat_burrs_clean"]).steps[-3:])
