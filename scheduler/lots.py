"""Which due tasks are always done together, and what it costs to do them early or late.

A day early wastes life that was paid for; a day late risks a failure.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue, ServiceRule
from scheduler.errors import UnknownReference
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.late_risk import LateRisk
from scheduler.wear.records import Kind
from scheduler.wear.weibull import Weibull

LotKey = tuple[date, date, date, date, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Tasks that differ only in the place at the machine: they are never split.

    ``earliest`` is not before today, and an overdue lot's ``latest`` is the day by which a visit is
    asked for. The weights are those of one task, in minutes of travel equivalent a day.
    """

    tasks: tuple[DueTask, ...]
    places: tuple[str, ...]  # one for each task, nameless where it does not matter
    rule: ServiceRule
    machine: Machine
    build: int  # its row in the estimates
    earliest: date
    target: date
    latest: date
    overdue: bool
    early_per_day: float
    late_per_day: float


def lot_key(task: DueTask) -> LotKey:
    """Return what tasks have in common that are never split, whatever visits are made of them."""
    return task.target, task.latest, task.earliest, task.anchor, task.machine, task.rule


def lots_of(
    tasks: Iterable[DueTask],
    machines: Mapping[str, Machine],
    policy: BundlingPolicy,
    today: date,
    estimates: VisitEstimates,
    laws: Mapping[Kind, Weibull],
) -> list[Lot]:
    """Return the tasks by machine, rule and days, in the order of their target days.

    Raises
    ------
    UnknownReference
        When a task names a machine or rule that is not there.
    """
    rules = estimates.catalogue.rules
    alike: dict[LotKey, list[DueTask]] = {}
    for task in tasks:
        if task.machine not in machines:
            raise UnknownReference("machine", task.machine, machines)
        if task.rule not in rules:
            raise UnknownReference("service rule", task.rule, rules)
        alike.setdefault(lot_key(task), []).append(task)
    ask_by = today + timedelta(days=policy.overdue_within_days)
    risk = LateRisk(estimates.catalogue, laws)
    builds = {each.id: estimates.build_number(each.build) for each in machines.values()}
    lots = []
    for same in alike.values():
        task, rule = same[0], rules[same[0].rule]
        overdue = task.latest < today
        interval_days = max(1, (task.target - task.anchor).days)
        machine = machines[task.machine]
        failures = [risk.failures_a_day(each, machine) or 1 / interval_days for each in same]
        lots.append(
            Lot(
                tasks=tuple(sorted(same, key=lambda task: task.id)),
                places=_places(same, machine, rule, estimates),
                rule=rule,
                machine=machine,
                build=builds[machine.id],
                earliest=max(today, task.earliest),
                target=max(today, task.target),
                latest=ask_by if overdue else task.latest,
                overdue=overdue,
                early_per_day=_value(rule, estimates.catalogue, policy) / interval_days,
                late_per_day=policy.failure_minutes * sum(failures) / len(failures),
            )
        )
    return sorted(lots, key=lambda lot: (lot.target, lot.latest, lot.tasks[0].id))


def _places(
    tasks: Iterable[DueTask], machine: Machine, rule: ServiceRule, estimates: VisitEstimates
) -> tuple[str, ...]:
    fitted = [task.fitted_part or "" for task in sorted(tasks, key=lambda task: task.id)]
    if rule.opening is not None:
        positions = {part.id: part.position for part in machine.parts}
        fitted = [positions.get(part, part) for part in fitted]
    return estimates.places_that_count(rule.id, tuple(fitted))


def _value(rule: ServiceRule, catalogue: Catalogue, policy: BundlingPolicy) -> float:
    """What the work and its parts are worth, in minutes of travel equivalent."""
    parts = sum(
        catalogue.part_types[part].price_minor * quantity
        for part, quantity in rule.consumes.items()
    )
    return rule.minutes + parts / policy.money_minor_per_minute
