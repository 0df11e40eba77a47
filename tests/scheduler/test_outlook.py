"""The outlook: a year of recurring work, worked out by hand and against repeated due tasks."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.catalogue import BoilerLayout, Catalogue, Dosing, EquipmentKind
from scheduler.dates import add_months
from scheduler.duty import stated_duty
from scheduler.errors import InvalidInput
from scheduler.machines import Build, FittedPart, Machine, WorkDone, places_in
from scheduler.outlook import MonthAhead, combined, months_ahead, occurrences
from scheduler.upkeep import due_tasks
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
BUILD = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.SEPARATE_BOILERS,
    groups=1,
    dosing=Dosing.VOLUMETRIC,
    features=frozenset({"pressure_switch", "electronic_temperature", "statutory_inspection"}),
)
LIGHT = 60.0  # drinks a day; here every shipped interval of an espresso machine is whole months


def machine_with(*part_types: str, fitted_on: date, history: tuple[WorkDone, ...] = ()) -> Machine:
    return Machine(
        id="m",
        site="s",
        name="M",
        build=BUILD,
        installed_on=fitted_on,
        drinks_per_day=LIGHT,
        parts=tuple(
            FittedPart(
                id=place.part_type,
                part_type=place.part_type,
                position=place.position,
                fitted_on=fitted_on,
            )
            for place in {p.part_type: p for p in places_in(BUILD, CATALOGUE)}.values()
            if place.part_type in part_types
        ),
        history=history,
    )


def only(*rules: str) -> Catalogue:
    return replace(CATALOGUE, rules={rule: CATALOGUE.rules[rule] for rule in rules})


def run(
    machine: Machine, catalogue: Catalogue, start: date, end: date
) -> list[tuple[date, str, str | None]]:
    duty = stated_duty(machine, catalogue, hardness_dh=12)
    return [
        (work.day, work.rule, work.fitted_part)
        for work in occurrences(machine, catalogue, duty, start=start, end=end)
    ]


def test_work_comes_round_from_its_anchor_without_drifting() -> None:
    # Six months at 60 drinks: from 31 August to 28 February, 31 August, 29 February.
    machine = machine_with("group_gasket", fitted_on=date(2026, 2, 28))
    done = WorkDone(
        rule="group_gasket_replace", fitted_part="group_gasket", done_on=date(2026, 2, 28)
    )
    catalogue = only("group_gasket_replace")
    assert [day for day, *_ in run(machine, catalogue, date(2026, 8, 31), date(2028, 9, 1))] == [
        date(2026, 8, 31),  # due on the 28th, overdue at the start and done then
        date(2027, 2, 28),
        date(2027, 8, 31),
        date(2028, 2, 29),
        date(2028, 8, 31),
    ]
    assert run(
        replace(machine, history=(done,)), catalogue, date(2026, 8, 1), date(2027, 1, 1)
    ) == [(date(2026, 8, 28), "group_gasket_replace", "group_gasket")]


def test_a_replacement_takes_the_place_of_a_rebuild_and_restarts_it() -> None:
    # At 60 drinks the vacuum relief valve is rebuilt yearly and replaced after 72 months.
    machine = machine_with("vacuum_relief_valve", fitted_on=date(2020, 5, 10))
    catalogue = only("vacuum_relief_rebuild", "vacuum_relief_replace")
    years = {
        day.year: rule
        for day, rule, _ in run(machine, catalogue, date(2021, 1, 1), date(2029, 1, 1))
    }
    assert years == {
        **dict.fromkeys(range(2021, 2026), "vacuum_relief_rebuild"),
        2026: "vacuum_relief_replace",
        2027: "vacuum_relief_rebuild",
        2028: "vacuum_relief_rebuild",
    }


def test_a_replacement_takes_the_place_of_what_cannot_wait_a_day_longer() -> None:
    machine = machine_with("vacuum_relief_valve", fitted_on=date(2020, 5, 10))
    catalogue = only("vacuum_relief_rebuild", "vacuum_relief_replace")
    strict = replace(catalogue.rules["vacuum_relief_rebuild"], late_share=0.0)
    catalogue = replace(catalogue, rules={**catalogue.rules, strict.id: strict})
    done = WorkDone(rule=strict.id, fitted_part="vacuum_relief_valve", done_on=date(2025, 5, 10))
    machine = replace(machine, history=(done,))
    assert run(machine, catalogue, date(2026, 1, 1), date(2027, 1, 1)) == [
        (date(2026, 5, 10), "vacuum_relief_replace", "vacuum_relief_valve")
    ]
    # The same when the day is reached in the course of the outlook.
    assert [rule for _, rule, _ in run(machine, catalogue, date(2026, 1, 1), date(2033, 1, 1))] == [
        "vacuum_relief_replace",
        *["vacuum_relief_rebuild"] * 5,
        "vacuum_relief_replace",
    ]


def test_a_follow_up_done_the_same_day_is_not_asked_for_again() -> None:
    # Descaled on fitting and never checked, due again after 60 months: both overdue at the start.
    done = WorkDone(
        rule="steam_element_seal", fitted_part="steam_element", done_on=date(2021, 3, 5)
    )
    machine = machine_with("steam_element", fitted_on=date(2021, 3, 5), history=(done,))
    catalogue = only("steam_element_seal", "after_descaling_check")
    assert run(machine, catalogue, date(2026, 8, 1), date(2027, 1, 1)) == [
        (date(2026, 8, 1), "after_descaling_check", None),
        (date(2026, 8, 1), "steam_element_seal", "steam_element"),
    ]


def test_a_follow_up_comes_once_after_the_work_it_follows() -> None:
    # The steam element is descaled after 60 months, the check follows a month later.
    machine = machine_with("steam_element", fitted_on=date(2021, 3, 5))
    catalogue = only("steam_element_seal", "after_descaling_check")
    assert run(machine, catalogue, date(2026, 1, 1), date(2027, 1, 1)) == [
        (date(2026, 3, 5), "steam_element_seal", "steam_element"),
        (date(2026, 4, 5), "after_descaling_check", None),
    ]


def test_statutory_work_is_aimed_four_weeks_before_its_date_every_year() -> None:
    # 12 months less 28 days from 1 March 2026 is 1 February 2027, again less 28 days from there
    # 4 January 2028.
    machine = machine_with(fitted_on=date(2026, 3, 1))
    catalogue = only("pressure_vessel_examination")
    assert [day for day, *_ in run(machine, catalogue, date(2026, 3, 1), date(2028, 6, 1))] == [
        date(2027, 2, 1),
        date(2028, 1, 4),
    ]


def test_a_month_adds_up_its_tasks_minutes_parts_and_money() -> None:
    machine = machine_with("group_gasket", "group_screen", fitted_on=date(2026, 1, 1))
    catalogue = only("group_gasket_replace", "group_screen_replace")
    months = months_ahead(
        machine,
        catalogue,
        stated_duty(machine, catalogue, hardness_dh=12),
        start=date(2026, 6, 1),
        hour_rate_minor=60_00,
        months=3,
    )
    # A gasket takes 7 minutes, 3 of them to open the group head, 4.50 and a dose of detergent at
    # 0.40; a screen 4 minutes by itself and 6.50: 11.40 of parts and 11 minutes at 60.00 an hour.
    quiet = MonthAhead(start=date(2026, 6, 1), tasks=0, minutes=0, parts={}, cost_minor=0)
    assert months == (
        quiet,
        MonthAhead(
            start=date(2026, 7, 1),
            tasks=2,
            minutes=11,
            parts={"group_gasket": 1, "group_detergent": 1, "group_screen": 1},
            cost_minor=22_40,
        ),
        replace(quiet, start=date(2026, 8, 1)),
    )


def test_outlooks_add_up_month_by_month() -> None:
    july = MonthAhead(
        start=date(2026, 7, 1), tasks=2, minutes=10, parts={"a": 1, "b": 2}, cost_minor=500
    )
    other = MonthAhead(start=date(2026, 7, 1), tasks=1, minutes=5, parts={"b": 1}, cost_minor=70)
    assert combined([[july], [other]]) == (
        MonthAhead(
            start=date(2026, 7, 1), tasks=3, minutes=15, parts={"a": 1, "b": 3}, cost_minor=570
        ),
    )
    assert combined([]) == ()
    with pytest.raises(InvalidInput, match="only over the same months"):
        combined([[july], [replace(other, start=date(2026, 8, 1))]])


def by_repeated_due_tasks(
    machine: Machine, start: date, end: date
) -> Iterator[tuple[date, str, str | None]]:
    """Do the task with the earliest target, write it into the history, ask again."""
    duty = stated_duty(machine, CATALOGUE, hardness_dh=12)
    while True:
        tasks = due_tasks(machine, CATALOGUE, duty, until=date(2200, 1, 1))
        task = min(
            tasks, key=lambda task: (max(task.target, start), task.rule, task.fitted_part or "")
        )
        day = max(task.target, start)
        if day >= end:
            return
        yield day, task.rule, task.fitted_part
        done = WorkDone(rule=task.rule, fitted_part=task.fitted_part, done_on=day)
        machine = replace(machine, history=(*machine.history, done))


@settings(max_examples=50, deadline=None)  # each example asks for due tasks some sixty times
@given(
    st.integers(0, 60),
    st.integers(1, 28),
    st.lists(st.integers(0, 40), min_size=60, max_size=60),
    st.integers(0, 11),
)
def test_a_year_is_what_repeated_due_tasks_lead_to(
    age_months: int, day: int, done_months: list[int], start_month: int
) -> None:
    # Days up to the 28th exist in every month, so counting on from the day before is the same as
    # counting from the first.
    fitted_on = add_months(date(2026, 1, day), -age_months)
    machine = machine_with(*CATALOGUE.part_types, fitted_on=fitted_on)
    history = tuple(
        WorkDone(
            rule=rule.id,
            fitted_part=part.id,
            done_on=add_months(fitted_on, min(months, age_months)),
        )
        for months, (part, rule) in zip(
            done_months,
            (
                (part, rule)
                for part in machine.parts
                for rule in CATALOGUE.rules_by_part.get(part.part_type, ())
            ),
            strict=False,
        )
        if months
    )
    machine = replace(machine, history=history)
    start = add_months(date(2026, 1, 1), start_month)
    end = start + timedelta(days=365)
    assert run(machine, CATALOGUE, start, end) == list(by_repeated_due_tasks(machine, start, end))
