"""Visits made of one site's tasks against every way there is to group up to eight of them.

Nothing here is shared with the search: minutes are those of the worksheets, every day is tried, and
all set partitions (4140 of eight tasks: Bell's number) are compared. At one machine the search is
exact. At several it reckons from sums how the work at one fits into the waits of another, so its
visits may cost a little more than the optimum; what it reports is what they really cost.
"""

import random
from collections.abc import Sequence
from datetime import date, timedelta

import pytest

from scheduler.bundling import bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.worksheet import build_worksheet
from tests.scheduler.small_trade import (
    CATALOGUE,
    PLAIN_FILTER,
    PLAIN_GRINDER,
    TWO_GROUP,
    WITH_SHUT_OFFS,
    machine,
    task,
)
from tests.scheduler.test_grouping import set_partitions

TODAY = date(2027, 2, 1)
HORIZON = date(2028, 2, 1)
POLICY = BundlingPolicy()
LEFT, RIGHT = machine("left", TWO_GROUP), machine("right", WITH_SHUT_OFFS)
SITE = [LEFT, RIGHT, machine("grinder", PLAIN_GRINDER), machine("filter", PLAIN_FILTER)]
EIGHT = 8


def eight_tasks(machines: Sequence[Machine], seed: int) -> list[DueTask]:
    draw = random.Random(seed)
    possible = [
        (at, rule.id, n)
        for at in machines
        for rule in CATALOGUE.rules.values()
        if not (rule.every_visit or rule.alone) and at.build.suits(rule.applies_to)
        for n in range(
            1
            if rule.part_type is None
            else sum(part.part_type == rule.part_type for part in at.parts)
        )
    ]
    return [
        task(
            at,
            rule,
            n,
            target=TODAY + timedelta(days=draw.randint(5, 120)),
            early_days=draw.randint(3, 60),
            late_days=draw.randint(0, 30),
        )
        for at, rule, n in draw.sample(possible, EIGHT)
    ]


class EveryGrouping:
    """What each group of tasks costs as one visit, and the cheapest grouping."""

    def __init__(self, tasks: Sequence[DueTask], machines: Sequence[Machine]) -> None:
        self._tasks, self._machines = tasks, machines
        self._known: dict[frozenset[str], float] = {}

    def cost(self, group: Sequence[DueTask]) -> float:
        key = frozenset(task.id for task in group)
        if key not in self._known:
            self._known[key] = self._cost(group)
        return self._known[key]

    def _cost(self, group: Sequence[DueTask]) -> float:
        first = max(TODAY, *(task.earliest for task in group))
        last = min(task.latest for task in group)
        if first > last:
            return float("inf")
        minutes = build_worksheet(group, self._machines, CATALOGUE).minutes
        if len(group) > 1 and minutes > POLICY.maximum_minutes:
            return float("inf")
        shut_down = sum(
            build_worksheet(
                [task for task in group if task.machine == at], self._machines, CATALOGUE
            ).needs_off
            for at in {task.machine for task in group}
        )
        days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
        off_target = min(sum(off_the_day(task, day) for task in group) for day in days)
        return POLICY.visit_minutes + minutes + POLICY.shutdown_minutes * shut_down + off_target

    def least(self) -> float:
        return min(
            sum(self.cost([self._tasks[n] for n in group]) for group in partition)
            for partition in set_partitions(list(range(len(self._tasks))))
        )


def off_the_day(task: DueTask, day: date) -> float:
    """Life wasted before the target day, risk run after it: as the policy's documentation says."""
    rule = CATALOGUE.rules[task.rule]
    interval = (task.target - task.anchor).days
    parts = sum(CATALOGUE.part_types[part].price_minor * n for part, n in rule.consumes.items())
    days = (day - task.target).days
    if days < 0:
        return -days * (rule.minutes + parts / POLICY.money_minor_per_minute) / interval
    return days * POLICY.failure_minutes / interval


@pytest.mark.parametrize("at", [LEFT, RIGHT], ids=["heat exchanger", "shut-offs"])
@pytest.mark.parametrize("seed", range(8))
def test_eight_tasks_at_one_machine_cost_the_least_there_is(at: Machine, seed: int) -> None:
    tasks = eight_tasks([at], seed)
    bundling = bundle_site(tasks, [at], CATALOGUE, POLICY, TODAY, HORIZON)
    every = EveryGrouping(tasks, [at])
    assert sorted(each for bundle in bundling.bundles for each in bundle.tasks) == sorted(
        task.id for task in tasks
    )
    assert bundling.cost_minutes == pytest.approx(every.least(), abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_eight_tasks_at_four_machines_cost_hardly_more(seed: int) -> None:
    tasks = eight_tasks(SITE, seed)
    by_id = {task.id: task for task in tasks}
    bundling = bundle_site(tasks, SITE, CATALOGUE, POLICY, TODAY, HORIZON)
    every = EveryGrouping(tasks, SITE)
    least = every.least()
    really = sum(every.cost([by_id[each] for each in b.tasks]) for b in bundling.bundles)
    assert bundling.cost_minutes == pytest.approx(really, abs=1e-6)
    assert least <= really + 1e-6
    assert really <= 1.01 * least
