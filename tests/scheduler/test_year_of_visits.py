from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.bundling_policy import BundlingPolicy
from scheduler.duty import stated_duty
from scheduler.intervals import IntervalSet
from scheduler.machines import Machine
from scheduler.parting import SiteHours
from scheduler.upkeep import due_tasks
from scheduler.visit_estimate import VisitEstimates
from scheduler.year_of_visits import PERIODS, Period, year_of_sites, year_of_visits
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP
from tests.scheduler.small_trade import machine as built

ANY_HOURS = SiteHours(quiet=IntervalSet(), whole=IntervalSet())
START = date(2027, 3, 1)


def machine_of(day: date) -> Machine:
    """Everything in it is as old as the machine."""
    new = built("m1", TWO_GROUP)
    parts = tuple(replace(part, fitted_on=day) for part in new.parts)
    return replace(new, installed_on=day, parts=parts)


def year(*, asked_for: frozenset[str] | None = None) -> tuple[Period, ...]:
    machine = machine_of(date(2026, 12, 1))
    return year_of_visits(
        [machine],
        CATALOGUE,
        BundlingPolicy(),
        {machine.id: stated_duty(machine, CATALOGUE, hardness_dh=10)},
        start=START,
        hours=ANY_HOURS,
        estimates=VisitEstimates(CATALOGUE),
        laws={},
        asked_for=asked_for,
    )


def test_a_year_repeats_what_comes_back_and_misses_no_latest_day() -> None:
    gasket = frozenset({"replace_gasket"})
    periods = year(asked_for=gasket)

    assert [period.start for period in periods] == [
        START + timedelta(days=28 * n) for n in range(PERIODS)
    ]
    # every six months on both groups, in one visit: due at the end of May and November 2027
    assert [(p.tasks, p.visits) for p in periods if p.tasks] == [(2, 1), (2, 1)]
    assert sum(period.missed + period.overdue for period in periods) == 0


def test_sharing_visits_is_cheaper_than_a_visit_for_each_task() -> None:
    periods = year()
    together = sum(period.cost_minutes for period in periods)
    apart = sum(period.separate_minutes for period in periods)
    assert sum(period.visits for period in periods) < sum(period.tasks for period in periods)
    assert together < 0.8 * apart
    assert sum(period.missed for period in periods) == 0


def test_what_was_overdue_when_the_year_began_is_done_at_once() -> None:
    machine = machine_of(date(2024, 1, 1))
    duty = stated_duty(machine, CATALOGUE, hardness_dh=10)
    late = [
        task for task in due_tasks(machine, CATALOGUE, duty, until=START) if task.latest < START
    ]
    periods = year_of_visits(
        [machine],
        CATALOGUE,
        BundlingPolicy(),
        {machine.id: duty},
        start=START,
        hours=ANY_HOURS,
        estimates=VisitEstimates(CATALOGUE),
        laws={},
    )
    assert periods[0].overdue == len(late) > 0
    assert sum(period.overdue for period in periods[1:]) == 0


def test_sites_add_up_by_period() -> None:
    one = year()
    both = year_of_sites([one, one])
    assert [period.start for period in both] == [period.start for period in one]
    assert both[0].cost_minutes == pytest.approx(2 * one[0].cost_minutes)
    assert sum(period.tasks for period in both) == 2 * sum(period.tasks for period in one)
