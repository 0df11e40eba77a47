"""Visits that fit into the hours of an ordinary week at a site."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.bundling import Bundle
from scheduler.bundling_policy import BundlingPolicy
from scheduler.duty import stated_duty
from scheduler.intervals import Interval, IntervalSet
from scheduler.lots import lot_key
from scheduler.machines import Machine
from scheduler.parting import SiteHours, part_work
from scheduler.upkeep import DueTask, due_tasks
from scheduler.worksheet import build_worksheet
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP
from tests.scheduler.small_trade import machine as built

TODAY = date(2027, 3, 1)
EIGHT, NOON, FIVE = 480, 720, 1020


def overdue() -> tuple[Machine, dict[str, DueTask]]:
    new = built("m1", TWO_GROUP)
    old = date(2024, 1, 1)
    machine = replace(
        new, installed_on=old, parts=tuple(replace(part, fitted_on=old) for part in new.parts)
    )
    duty = stated_duty(machine, CATALOGUE, hardness_dh=10)
    tasks = due_tasks(machine, CATALOGUE, duty, until=TODAY + timedelta(days=28))
    return machine, {task.id: task for task in tasks}


def hours(*quiet: tuple[int, int], whole: tuple[int, int] = (EIGHT, FIVE)) -> SiteHours:
    return SiteHours(
        quiet=IntervalSet.of(Interval(start=start, end=end) for start, end in quiet),
        whole=IntervalSet.of([Interval(start=whole[0], end=whole[1])]),
    )


def parted(at: SiteHours) -> tuple[Bundle, ...]:
    machine, tasks = overdue()
    horizon = TODAY + timedelta(days=28)
    bundling = part_work(tasks.values(), [machine], CATALOGUE, BundlingPolicy(), at, TODAY, horizon)
    return tuple(bundling.bundles)


@pytest.mark.parametrize("quiet_minutes", [60, 90, 120, 180, 240])
def test_what_can_be_parted_fits_with_half_an_hour_to_spare(quiet_minutes: int) -> None:
    machine, tasks = overdue()
    begins, ends = NOON - quiet_minutes, NOON
    for bundle in parted(hours((begins, ends))):
        made = [tasks[task] for task in bundle.tasks]
        sheet = build_worksheet(made, [machine], CATALOGUE)
        if len({lot_key(task) for task in made}) == 1 or sheet.off_span is None:
            continue
        off_from, off_until = sheet.off_span
        starts = [
            minute
            for minute in range(EIGHT, FIVE - sheet.minutes + 1)
            if begins <= minute + off_from and minute + off_until <= ends
        ]
        assert len(starts) > 30


def test_work_is_parted_no_more_than_its_hours_ask_for() -> None:
    anywhere = len(parted(hours((EIGHT, FIVE))))
    beside_access = len(parted(hours((NOON - 120, NOON))))
    quiet_alone = len(parted(hours((NOON - 120, NOON), whole=(NOON - 120, NOON))))
    assert anywhere <= beside_access <= quiet_alone
    assert anywhere < quiet_alone


def test_what_is_never_split_and_does_not_fit_parts_nothing_else() -> None:
    # Both groups at once take a machine away for longer than there is quiet, whatever is done; six
    # tasks of 71 minutes, 49 of them with the machine off, still fit into an hour and a half.
    found = sorted((len(bundle.tasks), bundle.minutes) for bundle in parted(hours((630, NOON))))
    assert found == [(1, 56), (1, 131), (2, 134), (2, 157), (6, 71)]


def test_without_quiet_hours_a_machine_may_be_off_at_any_time() -> None:
    always = SiteHours(quiet=IntervalSet(), whole=IntervalSet())
    assert parted(always) == parted(hours((EIGHT, FIVE), whole=(0, 1440)))
