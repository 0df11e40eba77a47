"""The compiled search: its minutes against the worksheet, its groups against every grouping."""

from datetime import date
from math import ceil
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_costs import LOT, Site
from scheduler.visit_estimate import VisitEstimates, records
from scheduler.visit_search import EXACT_LOTS, Desk, search
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

MACHINES = [
    machine("left", TWO_GROUP),
    machine("right", WITH_SHUT_OFFS),
    machine("grinder", PLAIN_GRINDER),
    machine("filter", PLAIN_FILTER),
]
ESTIMATES = VisitEstimates(CATALOGUE)
TODAY = date(2027, 2, 1).toordinal()


def all_tasks(at: Machine) -> list[DueTask]:
    """One task for each part and each rule that can fall due at a machine."""
    tasks = []
    for rule in CATALOGUE.rules.values():
        if rule.every_visit or rule.alone or not at.build.suits(rule.applies_to):
            continue
        parts = [part for part in at.parts if part.part_type == rule.part_type]
        times = 1 if rule.part_type is None else len(parts)
        tasks += [task(at, rule.id, n) for n in range(times)]
    return tasks


ALL_TASKS = [due for at in MACHINES for due in all_tasks(at)]


def site_of(lots: list[tuple[DueTask, int, int, int, float]], maximum_minutes: float = 1e9) -> Site:
    """Lots with their days from today (earliest, target, latest) and weight a day."""
    numbers = {at.id: number for number, at in enumerate(MACHINES)}
    positions: dict[str | None, str] = {
        part.id: part.position for at in MACHINES for part in at.parts
    }
    positions[None] = ""
    builds = [ESTIMATES.build_number(at.build) for at in MACHINES]
    rows = [
        (
            *ESTIMATES.tally(
                builds[numbers[due.machine]],
                due.rule,
                ESTIMATES.places_that_count(due.rule, (positions[due.fitted_part],)),
            ),
            numbers[due.machine],
            TODAY + earliest,
            TODAY + target,
            TODAY + latest,
            weight,
            2 * weight,
        )
        for due, earliest, target, latest, weight in lots
    ]
    return Site(
        lots=records(rows, LOT),
        machine_builds=np.array(builds, np.int64),
        builds=ESTIMATES.builds,
        every_visit=ESTIMATES.every_visit,
        open_minutes=ESTIMATES.open_minutes,
        close_minutes=ESTIMATES.close_minutes,
        visit_minutes=0.0,
        shutdown_minutes=0.0,
        maximum_minutes=maximum_minutes,
    )


def run(site: Site, shared: int, exact_lots: int = EXACT_LOTS) -> tuple[float, list[list[int]]]:
    """Total cost and groups of the first ``shared`` lots, cut in order of target only."""
    order = np.argsort(site.lots["target"][:shared], kind="stable").astype(np.int64)
    group_of = np.zeros(shared, np.int64)
    total = search(
        site,
        Desk.for_lots(shared, exact_lots),
        order.reshape(1, shared),
        group_of,
        np.zeros(shared, np.int64),
        np.zeros(shared),
        np.zeros(len(site.lots)),
        exact_lots,
    )
    groups: dict[int, list[int]] = {}
    for lot, group in enumerate(group_of.tolist()):
        groups.setdefault(group, []).append(lot)
    return float(total), sorted(groups.values())


def minutes_together(tasks: list[DueTask]) -> float:
    """All tasks in one visit on one day: apart they would be forbidden by a set-up cost."""
    site = site_of([(due, 0, 0, 0, 0.0) for due in tasks])._replace(visit_minutes=1e6)
    total, groups = run(site, len(tasks))
    assert len(groups) == 1
    return total - 1e6


@pytest.mark.parametrize("at", MACHINES, ids=lambda at: at.id)
@settings(deadline=None)
@given(st.data())
def test_minutes_at_one_machine_are_the_worksheet_s(at: Machine, data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.sampled_from(all_tasks(at)), min_size=1, unique=True))
    assert ceil(round(minutes_together(chosen), 6)) == (
        build_worksheet(chosen, MACHINES, CATALOGUE).minutes
    )


@settings(deadline=None)
@given(st.lists(st.sampled_from(ALL_TASKS), min_size=1, unique=True))
def test_minutes_at_several_machines_are_close_to_the_worksheet_s(chosen: list[DueTask]) -> None:
    estimate = minutes_together(chosen)
    assert 0.9 <= build_worksheet(chosen, MACHINES, CATALOGUE).minutes / estimate <= 1.1


@st.composite
def lots(
    draw: st.DrawFn, *, max_size: int, min_size: int = 1
) -> list[tuple[DueTask, int, int, int, float]]:
    chosen = draw(
        st.lists(st.sampled_from(ALL_TASKS), min_size=min_size, max_size=max_size, unique=True)
    )
    days = st.integers(0, 60)
    return [
        (due, *sorted((draw(days), draw(days), draw(days))), draw(st.floats(0, 3)))
        for due in chosen
    ]


@settings(deadline=None, max_examples=30)
@given(lots(max_size=8), st.floats(60, 400))
def test_few_lots_are_grouped_as_cheaply_as_can_be(
    chosen: list[tuple[DueTask, int, int, int, float]], maximum_minutes: float
) -> None:
    site = site_of(chosen, maximum_minutes)._replace(visit_minutes=45.0, shutdown_minutes=15.0)
    total, _ = run(site, len(chosen))

    def cost(group: list[int]) -> float:
        """One group on its best day, every day tried, its minutes from the function above."""
        members = [chosen[lot] for lot in group]
        first, last = max(lot[1] for lot in members), min(lot[3] for lot in members)
        at_site = minutes_together([lot[0] for lot in members])
        if first > last or (len(group) > 1 and at_site > maximum_minutes):
            return np.inf
        out_of_service = {
            lot[0].machine
            for lot, row in zip(members, site.lots[group], strict=True)
            if row["rank"] > 0
        }
        deviation = min(
            sum(
                weight * (target - day) if day < target else 2 * weight * (day - target)
                for _, _, target, _, weight in members
            )
            for day in range(first, last + 1)
        )
        return 45.0 + at_site + 15.0 * len(out_of_service) + deviation

    known: dict[tuple[int, ...], float] = {}
    for partition in set_partitions(list(range(len(chosen)))):
        for group in partition:
            if tuple(group) not in known:
                known[tuple(group)] = cost(group)
    best = min(
        sum(known[tuple(group)] for group in partition)
        for partition in set_partitions(list(range(len(chosen))))
    )
    assert total == pytest.approx(best)


@settings(deadline=None, max_examples=60)
@given(lots(min_size=EXACT_LOTS + 1, max_size=len(ALL_TASKS)))
def test_many_lots_are_all_grouped_no_dearer_than_one_by_one(
    chosen: list[tuple[DueTask, int, int, int, float]],
) -> None:
    site = site_of(chosen)._replace(visit_minutes=45.0)
    total, groups = run(site, len(chosen))
    assert sorted(lot for group in groups for lot in group) == list(range(len(chosen)))
    singly = sum(run(site._replace(lots=site.lots[[n]]), 1)[0] for n in range(len(chosen)))
    assert total <= singly + 1e-6


def test_the_search_for_many_lots_is_close_to_the_cheapest_grouping() -> None:
    """Of 40 sites drawn at random, several machines, work live and off; measured at length in
    ``tests/benchmarks/bundling_gap.py``."""
    random = Random(3)
    excess = []
    for _ in range(40):
        chosen = [
            (due, *sorted(random.choices(range(60), k=3)), 3 * random.random())
            for due in random.sample(ALL_TASKS, random.randint(9, 12))
        ]
        site = site_of(chosen, 240.0)._replace(visit_minutes=45.0, shutdown_minutes=15.0)
        exact, _ = run(site, len(chosen), exact_lots=len(chosen))
        found, groups = run(site, len(chosen), exact_lots=1)
        assert sorted(lot for group in groups for lot in group) == list(range(len(chosen)))
        assert found >= exact - 1e-6
        excess.append(found / exact - 1)
    assert max(excess) < 0.1
    assert sum(excess) / len(excess) < 0.01
