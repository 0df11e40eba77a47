"""The order of work at the machines, its minutes, and that nothing is opened before it is safe."""

from dataclasses import replace
from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import EquipmentKind, MachineState
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.jobs import access_state
from scheduler.upkeep import DueTask
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step, Worksheet, at_pace, build_worksheet
from tests.scheduler.small_trade import (
    CATALOGUE,
    PLAIN_FILTER,
    PLAIN_GRINDER,
    TWO_GROUP,
    WITH_SHUT_OFFS,
    machine,
    task,
)

LEFT = machine("left", TWO_GROUP)
RIGHT = machine("right", WITH_SHUT_OFFS)
GRINDER = machine("grinder", PLAIN_GRINDER)
FILTER = machine("filter", PLAIN_FILTER)
MACHINES = [LEFT, RIGHT, GRINDER, FILTER]
ALL_TASKS = [
    task(at, rule.id, n)
    for at in MACHINES
    for rule in CATALOGUE.rules.values()
    if not rule.every_visit and at.build.suits(rule.applies_to)
    for n in range(
        1 if rule.part_type is None else sum(part.part_type == rule.part_type for part in at.parts)
    )
]

ALONE = {rule.id for rule in CATALOGUE.rules.values() if rule.alone}


LEAK_CHECK = (
    "Supply still locked: open the water, fill at line pressure, look for leaks with every cover "
    "off"
)


def lines(worksheet: Worksheet) -> list[tuple[int, int, str]]:
    """Start, minutes and text of each step, waiting marked."""
    return [
        (step.start_minute, step.minutes, ("~ " if step.waiting else "") + step.text)
        for step in worksheet.steps
    ]


def test_live_work_needs_no_shutting_down() -> None:
    worksheet = build_worksheet([task(RIGHT, "rebuild_steam_valve", 1)], MACHINES, CATALOGUE)
    assert lines(worksheet) == [
        (0, 5, "Arrive, sign in, hear what the café has noticed"),
        (5, 2, "See how it runs and take the readings as found"),
        (
            *(7, 2),
            "Close the shut-off in front, open the valve to vent it, see that nothing more comes",
        ),
        (9, 3, "Open: top panel"),
        (12, 15, "Rebuild the steam valve (steam valve 2)"),
        (27, 3, "Close: top panel"),
        # 3 for the check and one drink at each of 3 groups
        (30, 6, "No leaks hot; safety devices free; one drink at each group; readings as left"),
        (36, 6, "Serial numbers, part labels, the written report"),
        (42, 4, "Show the readings, hand over, have it signed"),
    ]
    assert worksheet.minutes == 46
    assert worksheet.machine_back_minutes == {"right": 36}
    assert not worksheet.needs_off
    assert worksheet.skills == {"steam"}
    assert worksheet.parts == {"steam_valve_kit": 1}
    assert worksheet.tools == ("strap wrench",)
    work = worksheet.steps[4]
    assert work.tasks == ("right/rebuild_steam_valve/1",)
    assert work.details == ("Close the shut-off", "Take the stem out", "Fit the kit")
    assert work.cautions == ("Scalding steam: close the shut-off first.",)


def test_cold_work_shares_access_cooling_and_reheat() -> None:
    worksheet = build_worksheet(
        [
            task(LEFT, "rebuild_brew_valve", 0),
            task(LEFT, "rebuild_brew_valve", 1),
            task(LEFT, "replace_gasket", 0),
        ],
        MACHINES,
        CATALOGUE,
    )
    assert lines(worksheet) == [
        (0, 5, "Arrive, sign in, hear what the café has noticed"),
        (5, 3, "See how it runs and take the readings as found"),
        (8, 1, "Take it out of service and tell the café"),
        (9, 5, "Replace the gasket (group 1)"),
        (14, 5, "Switch off, isolate, lock and tag; prove dead; shut the water"),
        (19, 30, "~ Vent and let it cool down"),
        (19, 3, "Open: top panel"),
        (22, 2, "Open: side panel"),
        (24, 6, "Serial numbers, part labels, the written report"),
        (49, 4, "Drain, and confirm zero gauge before anything is opened"),
        (53, 2, "Open: front valve panel"),
        (55, 4, "Open: shared valve drain"),
        (59, 40, "Rebuild the brew valve (group 1, group 2)"),
        (99, 8, "Clear the pressure-switch connection (steam boiler)"),
        (107, 5, "Close: shared valve drain"),
        (112, 2, "All parts refitted, joints tight, tools counted"),
        (114, 5, LEAK_CHECK),
        (119, 3, "Close: top panel"),
        (122, 2, "Close: front valve panel"),
        (124, 2, "Unlock and switch on with the heating off; let the boilers fill to level"),
        (126, 2, "Bleed the air at each of the 2 groups, then heating on"),
        (128, 25, "~ Heat up"),
        (128, 6, "Set the expansion valve (expansion)"),
        (134, 2, "Close: side panel"),
        # 3 for the check, one reading, one drink at each of 2 groups
        (153, 6, "No leaks hot; safety devices free; one drink at each group; readings as left"),
        (159, 4, "Show the readings, hand over, have it signed"),
    ]
    assert worksheet.minutes == 163
    # 108 min hands-on on the critical chain (163 less 55 of waiting): the shared part is 10.8, the
    # own parts 0.3 x the root of 5²+3²+1²+5²+5²+4²+2²+4²+40²+8²+5²+2²+2²+5²+3²+2²+2²+6²+4² = 43.3,
    # so 13.0; together 16.9, and 163 + 0.8416 x 16.9 = 177.2.
    assert worksheet.minutes_p80 == 178
    assert worksheet.parts == {"brew_valve_kit": 2, "group_gasket": 1}
    assert worksheet.because == (
        "163 min from arrival to leaving: 59 min of work, 68 min around it (access, shutting down, "
        "refilling, checks, paperwork) and 36 min of waiting with nothing else to do, out of 55 "
        "min of cooling down and heating up. Four visits of five are done in 178 min."
    )


def test_second_machine_and_grinder_fill_the_waits() -> None:
    left = [task(LEFT, "rebuild_brew_valve", n) for n in (0, 1)]
    right = [task(RIGHT, "rebuild_steam_valve", 0)]
    grinder = [task(GRINDER, "replace_burrs")]
    apart = [build_worksheet(t, MACHINES, CATALOGUE).minutes for t in (left, right, grinder)]
    together = build_worksheet([*left, *right, *grinder], MACHINES, CATALOGUE)
    assert apart == [157, 46, 49]
    # Hands-on: 106 min at the left machine (157 less 15 for the site, less the 36 its waits leave
    # idle), 31 at the right one, 34 at the grinder, 15 for the site once: no minute is left idle.
    assert together.minutes == 106 + 31 + 34 + 15
    cooling = next(s for s in together.steps if s.kind is StepKind.COOL_DOWN)
    beside = {
        step.machine
        for step in together.steps
        if cooling.start_minute <= step.start_minute < cooling.start_minute + cooling.minutes
        and step.machine is not None
    }
    assert beside == {"left", "grinder"}


def test_because_tells_what_a_step_waited_for() -> None:
    worksheet = build_worksheet([task(LEFT, "rebuild_brew_valve", 0)], MACHINES, CATALOGUE)
    because = {step.kind: step.because for step in worksheet.steps}
    assert because[StepKind.ARRIVE] == "the visit begins"
    assert because[StepKind.ZERO_GAUGE] == "follows step 4"
    assert because[StepKind.PAPERWORK] == (
        "hands are free after step 6; runs beside the wait of step 4"
    )


def test_pace_stretches_the_work_and_not_the_waiting() -> None:
    due = [task(LEFT, "rebuild_brew_valve", 0)]
    usual = build_worksheet(due, MACHINES, CATALOGUE)
    slow = build_worksheet(due, MACHINES, CATALOGUE, pace=1.5)
    waits = {s.kind: s.minutes for s in slow.steps if s.waiting}
    assert waits == {StepKind.COOL_DOWN: 30, StepKind.REHEAT: 25}
    # 137 min, of which 55 are waits: 55 + 1.5 x 82
    assert (usual.minutes, slow.minutes) == (137, 178)


def test_every_visit_work_is_no_reason_to_shut_down() -> None:
    live = build_worksheet([task(RIGHT, "rebuild_steam_valve")], MACHINES, CATALOGUE)
    hot = build_worksheet([task(RIGHT, "replace_gasket")], MACHINES, CATALOGUE)
    cold = build_worksheet([task(RIGHT, "rebuild_brew_valve")], MACHINES, CATALOGUE)

    def extra(worksheet: Worksheet) -> set[str]:
        return {s.text for s in worksheet.steps if s.kind is StepKind.WORK and not s.tasks}

    valve = "Set the expansion valve (expansion)"
    port = "Clear the pressure-switch connection (steam boiler)"
    assert (extra(live), extra(hot), extra(cold)) == (set(), {valve}, {valve, port})


def test_filter_and_grinder_are_made_safe_in_their_own_way() -> None:
    worksheet = build_worksheet(
        [task(FILTER, "replace_cartridge"), task(GRINDER, "replace_burrs")], MACHINES, CATALOGUE
    )
    made_safe = {s.machine: s for s in worksheet.steps if s.kind is StepKind.SHUT_DOWN}
    assert made_safe["filter"].text == (
        "Tell the café: no water now; shut the inlet, release the line pressure"
    )
    assert made_safe["filter"].cautions == ("Text of isolate_water.",)
    assert made_safe["grinder"].text == "Switch off and unplug"
    assert made_safe["grinder"].cautions == ("Text of burrs.",)


def test_work_that_cannot_be_written_up_is_refused() -> None:
    burrs = task(GRINDER, "replace_burrs")
    with pytest.raises(InvalidInput, match="a visit is to one site, got no tasks"):
        build_worksheet([], MACHINES, CATALOGUE)
    with pytest.raises(InvalidInput, match="a visit is to one site, got bar, cafe"):
        build_worksheet([burrs, replace(burrs, site="bar")], MACHINES, CATALOGUE)
    with pytest.raises(UnknownReference, match="no machine 'grinder'; known: left"):
        build_worksheet([burrs], [LEFT], CATALOGUE)
    with pytest.raises(UnknownReference, match="no service rule 'polish'"):
        build_worksheet([replace(burrs, rule="polish")], MACHINES, CATALOGUE)
    with pytest.raises(InvalidInput, match="pace must be positive, got 0"):
        build_worksheet([burrs], MACHINES, CATALOGUE, pace=0.0)


any_tasks = st.lists(st.sampled_from(ALL_TASKS), min_size=1, unique=True)


def at(worksheet: Worksheet, machine_id: str) -> list[Step]:
    return [step for step in worksheet.steps if step.machine == machine_id]


@given(any_tasks)
def test_nothing_is_opened_before_it_is_safe(tasks: list[DueTask]) -> None:
    worksheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    circuits = {
        step.name
        for step in CATALOGUE.access_steps.values()
        if access_state(step.id, CATALOGUE) is MachineState.COLD
    }
    covers = {step.name for step in CATALOGUE.access_steps.values()} - circuits
    holds_water = {step.name for step in CATALOGUE.access_steps.values() if step.holds_water}
    for unit in MACHINES:
        steps = at(worksheet, unit.id)
        wet = unit.build.kind is EquipmentKind.ESPRESSO_MACHINE
        safe_kind = StepKind.ZERO_GAUGE if wet else StepKind.SHUT_DOWN
        safe = [s.start_minute + s.minutes for s in steps if s.kind is safe_kind]
        refit = [s.start_minute for s in steps if s.kind is StepKind.REFIT]
        for step in steps:
            end = step.start_minute + step.minutes
            name = step.text.partition(": ")[2]
            touches_circuit = (step.kind is StepKind.WORK and step.state is MachineState.COLD) or (
                step.kind is StepKind.OPEN and name in circuits
            )
            if step.kind is StepKind.CLOSE and (name in holds_water or not wet):
                touches_circuit |= name in circuits
            if touches_circuit:
                assert safe[0] <= step.start_minute
                assert end <= refit[0]
        opened = {s.text.partition(": ")[2]: s for s in steps if s.kind is StepKind.OPEN}
        closed = {s.text.partition(": ")[2]: s for s in steps if s.kind is StepKind.CLOSE}
        assert opened.keys() == closed.keys()
        assert len(opened) == sum(s.kind is StepKind.OPEN for s in steps)
        for name in opened:
            assert opened[name].start_minute + opened[name].minutes <= closed[name].start_minute
        # A machine that is shut down at all has its covers opened dead or before, live.
        power = [s.start_minute for s in steps if s.kind is StepKind.POWER_ON]
        for name in opened.keys() & covers:
            assert not power or opened[name].start_minute < power[0]


@given(any_tasks)
def test_machine_goes_through_its_states_in_order(tasks: list[DueTask]) -> None:
    worksheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    order = [
        StepKind.AS_FOUND,
        StepKind.TAKE_OUT,
        StepKind.SHUT_DOWN,
        StepKind.COOL_DOWN,
        StepKind.ZERO_GAUGE,
        StepKind.REFIT,
        StepKind.REFILL,
        StepKind.POWER_ON,
        StepKind.BLEED,
        StepKind.REHEAT,
        StepKind.CHECK,
    ]
    for unit in MACHINES:
        steps = at(worksheet, unit.id)
        kinds = [step.kind for step in steps if step.kind in order]
        assert kinds == [kind for kind in order if kind in kinds]
        if steps:
            assert steps[-1].kind is StepKind.CHECK
            assert worksheet.machine_back_minutes[unit.id] == (
                steps[-1].start_minute + steps[-1].minutes
            )
        shut_down = [s.start_minute for s in steps if s.kind is StepKind.SHUT_DOWN]
        for step in steps:
            if step.kind is StepKind.WORK and step.state is MachineState.LIVE and shut_down:
                assert step.start_minute + step.minutes <= shut_down[0]


@given(any_tasks)
def test_expansion_valve_is_set_while_it_heats(tasks: list[DueTask]) -> None:
    worksheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    for unit in MACHINES:
        steps = at(worksheet, unit.id)
        by_examiner = any(due.rule in ALONE for due in tasks if due.machine == unit.id)
        for heat in (step for step in steps if step.kind is StepKind.REHEAT and not by_examiner):
            (valve,) = (step for step in steps if step.text.startswith("Set the expansion valve"))
            assert heat.start_minute <= valve.start_minute < heat.start_minute + heat.minutes


@given(any_tasks)
def test_every_task_is_served_once_and_hands_do_one_thing_at_a_time(tasks: list[DueTask]) -> None:
    worksheet = build_worksheet(tasks, MACHINES, CATALOGUE)
    served = [task_id for step in worksheet.steps for task_id in step.tasks]
    assert sorted(served) == sorted(due.id for due in tasks)
    free = 0
    for step in worksheet.steps:
        if not step.waiting:
            assert step.start_minute >= free
            free = step.start_minute + step.minutes
    assert worksheet.steps[-1].kind is StepKind.HAND_OVER
    assert worksheet.minutes == free
    assert worksheet.minutes_p80 >= worksheet.minutes
    chain = [step for step in worksheet.steps if step.critical]
    assert sum(step.minutes for step in chain) == worksheet.minutes
    assert [step.number for step in worksheet.steps] == list(range(1, len(worksheet.steps) + 1))


@given(any_tasks)
def test_nothing_is_filled_while_the_water_treatment_is_shut(tasks: list[DueTask]) -> None:
    steps = build_worksheet(tasks, MACHINES, CATALOGUE).steps
    treated = [s.start_minute + s.minutes for s in steps if s.machine == "filter"]
    filled = [s.start_minute for s in steps if s.kind is StepKind.REFILL and s.machine != "filter"]
    assert not treated or all(start >= max(treated) for start in filled)


def test_a_machine_is_filled_once_the_cartridge_is_in() -> None:
    both = [task(FILTER, "replace_cartridge"), task(LEFT, "rebuild_brew_valve")]
    steps = build_worksheet(both, MACHINES, CATALOGUE).steps
    filled = next(s.number for s in steps if s.kind is StepKind.REFILL and s.machine == "left")
    assert all(s.number < filled for s in steps if s.machine == "filter")


@given(any_tasks, st.sampled_from([0.8, 1.0, 1.25, 1.5]))
def test_a_worksheet_at_another_pace_keeps_its_order(tasks: list[DueTask], pace: float) -> None:
    usual = build_worksheet(tasks, MACHINES, CATALOGUE)
    paced = at_pace(usual, pace)
    assert [step.text for step in paced.steps] == [step.text for step in usual.steps]
    ends = {step.number: step.start_minute + step.minutes for step in paced.steps}
    free = 0
    for step, before in zip(paced.steps, usual.steps, strict=True):
        assert all(ends[number] <= step.start_minute for number in step.after)
        if step.waiting:
            assert step.minutes == before.minutes
        else:
            assert step.minutes == ceil(before.minutes * pace)
            assert step.start_minute >= free
            free = ends[step.number]
    assert paced.minutes == free
    assert set(paced.machine_back_minutes) == set(usual.machine_back_minutes)
    if pace > 1:
        assert paced.minutes > usual.minutes
        assert paced.minutes_p80 - paced.minutes >= usual.minutes_p80 - usual.minutes


def test_pace_has_to_be_positive_and_an_old_sheet_keeps_its_minutes() -> None:
    sheet = build_worksheet([task(GRINDER, "replace_burrs")], MACHINES, CATALOGUE)
    with pytest.raises(InvalidInput, match="pace must be positive, got -1"):
        at_pace(sheet, -1.0)
    old = replace(sheet, steps=tuple(replace(step, after=()) for step in sheet.steps))
    assert at_pace(old, 1.5) == old
    # 49 min, all hands-on: 5 + 2 + 2 + 25 + 2 + 3 + 6 + 4, each half as long again and rounded up
    assert at_pace(sheet, 1.5).minutes == 8 + 3 + 3 + 38 + 3 + 5 + 9 + 6
