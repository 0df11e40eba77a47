"""The estimate against the worksheet it stands for."""

from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import (
    Tally,
    VisitEstimates,
    one_machine_visit,
    several_machines_visit,
)
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

MACHINES = [
    machine("left", TWO_GROUP),
    machine("right", WITH_SHUT_OFFS),
    machine("grinder", PLAIN_GRINDER),
    machine("filter", PLAIN_FILTER),
]


def all_tasks(at: Machine) -> list[DueTask]:
    """One task for each part and each rule that can fall due at a machine."""
    tasks = []
    for rule in CATALOGUE.rules.values():
        if rule.every_visit or rule.alone or not at.build.suits(rule.applies_to):
            continue
        if rule.part_type is None:
            tasks.append(task(at, rule.id))
        else:
            fitted = [part for part in at.parts if part.part_type == rule.part_type]
            tasks += [task(at, rule.id, n) for n in range(len(fitted))]
    return tasks


ALL_TASKS = [t for at in MACHINES for t in all_tasks(at)]


def estimate(tasks: list[DueTask]) -> float:
    estimates = VisitEstimates(CATALOGUE)
    builds = {at.id: at.build for at in MACHINES}
    tallies: dict[str, Tally] = {}
    for due in tasks:
        adds = estimates.of(builds[due.machine]).rule(due.rule)
        tallies[due.machine] = tallies.get(due.machine, Tally()).add(adds)
    minutes = [estimates.of(builds[at]).minutes(tally) for at, tally in tallies.items()]
    if len(minutes) == 1:
        return one_machine_visit(minutes[0])
    return several_machines_visit(sum(m.hands_on for m in minutes), max(m.chain for m in minutes))


@pytest.mark.parametrize("at", MACHINES, ids=lambda at: at.id)
@given(st.data())
def test_estimate_for_one_machine_is_the_worksheet_to_the_minute(
    at: Machine, data: st.DataObject
) -> None:
    chosen = data.draw(st.lists(st.sampled_from(all_tasks(at)), min_size=1, unique=True))
    assert ceil(estimate(chosen)) == build_worksheet(chosen, MACHINES, CATALOGUE).minutes


@given(st.lists(st.sampled_from(ALL_TASKS), min_size=1, unique=True))
def test_estimate_for_several_machines_is_a_bound_and_a_close_one(chosen: list[DueTask]) -> None:
    worksheet = build_worksheet(chosen, MACHINES, CATALOGUE)
    assert estimate(chosen) <= worksheet.minutes <= 1.15 * estimate(chosen)


@given(st.lists(st.sampled_from(ALL_TASKS), min_size=2, unique=True))
def test_estimate_never_falls_when_a_task_joins(chosen: list[DueTask]) -> None:
    assert estimate(chosen[:-1]) <= estimate(chosen)
