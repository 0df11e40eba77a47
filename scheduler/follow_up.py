"""What has to be done because of what was read at a machine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from scheduler.catalogue import Action, Catalogue, ServiceRule
from scheduler.machines import FittedPart, Machine
from scheduler.readings import Judgement, Reading, Stage, Verdict, judge
from scheduler.upkeep import DueTask

# How soon, in days after the reading: aimed at, and at the latest. Common practice, no source.
_ADJUST_DAYS = 7, 21
_STOP_DAYS = 1, 2

_FIRST_TRIED = (Action.ADJUST, Action.CHECK, Action.CLEAN, Action.TEST)
"""What is done first about a reading that is off; a part is renewed when that does not help."""


def standing_judgements(
    readings: Iterable[Reading], machine: Machine, catalogue: Catalogue
) -> tuple[Judgement, ...]:
    """Return the verdicts that stand: of each set-point those of the last day it was read.

    A value as left takes the place of the one found; a value that was only found was left so.
    Readings of a set-point that is not for the machine's build are passed over.
    """
    last: dict[str, dict[Stage, Reading]] = {}
    for reading in sorted(readings, key=lambda reading: reading.taken_on):
        point = catalogue.set_points.get(reading.set_point)
        if point is None or not machine.build.suits(point.applies_to):
            continue
        known = last.get(point.id)
        if known is None or next(iter(known.values())).taken_on < reading.taken_on:
            known = last[point.id] = {}
        known[reading.stage] = reading
    judged = []
    for name, stages in last.items():
        left = stages.get(Stage.AS_LEFT) or replace(stages[Stage.AS_FOUND], stage=Stage.AS_LEFT)
        judged.append(judge(left, catalogue.set_points[name]))
    return tuple(judged)


def follow_up_tasks(
    judgements: Iterable[Judgement], machine: Machine, catalogue: Catalogue
) -> tuple[DueTask, ...]:
    """Return the work that readings out of their range ask for, by target day.

    It is what the set-point names for a value too high or too low, and everything it names beyond
    a limit at which the machine is stopped; else the work whose rule reads it, adjusting before
    renewing, what is done at every visit and examinations only where nothing else reads it. Once
    that work has been done on a later day, it follows no more until the value is read again.
    """
    tasks: dict[tuple[str, str | None], DueTask] = {}
    for judgement in judgements:
        if not judgement.needs_follow_up:
            continue
        for rule, part in _remedies(judgement, machine, catalogue):
            if _done_since(judgement.reading.taken_on, rule, part, machine):
                continue
            task = _task(judgement, rule, part, machine)
            known = tasks.get((task.rule, task.fitted_part))
            if known is None or task.target < known.target:
                tasks[task.rule, task.fitted_part] = task
    return tuple(sorted(tasks.values(), key=lambda task: (task.target, task.id)))


def with_follow_ups(tasks: Sequence[DueTask], follow_ups: Sequence[DueTask]) -> tuple[DueTask, ...]:
    """Return due tasks with the follow-ups, each in place of the same work due later.

    Work that is due sooner anyway is as urgent as its follow-up.
    """
    sooner = {(task.rule, task.fitted_part): task for task in follow_ups}
    kept = []
    for task in tasks:
        follow_up = sooner.get((task.rule, task.fitted_part))
        if follow_up is not None and task.target <= follow_up.target:
            del sooner[task.rule, task.fitted_part]
            if follow_up.urgent:
                because = f"{task.because} {follow_up.because}"
                task = replace(task, urgent=True, because=because)
            follow_up = None
        if follow_up is None:
            kept.append(task)
    return (*kept, *sooner.values())


def _remedies(
    judgement: Judgement, machine: Machine, catalogue: Catalogue
) -> list[tuple[ServiceRule, FittedPart | None]]:
    """Return the rules to be carried out, each with its part; none where no rule reads it."""
    fitted = {part.part_type: part for part in reversed(machine.parts)}

    def fits(rule: ServiceRule) -> bool:
        known_part = rule.part_type is None or rule.part_type in fitted
        return known_part and machine.build.suits(rule.applies_to)

    rules = catalogue.rules
    point = catalogue.set_points[judgement.reading.set_point]
    off = point.too_high if judgement.reading.value > point.high else point.too_low
    chosen = [rules[name] for name in off if fits(rules[name])][:1]
    if judgement.verdict is Verdict.STOP_AND_MAKE_SAFE and point.made_safe_by:
        chosen = [rules[name] for name in point.made_safe_by if fits(rules[name])]
    if not chosen:
        reading = [rule for rule in rules.values() if point.id in rule.readings and fits(rule)]
        chosen = sorted(reading, key=_order)[:1]
    return [(rule, fitted.get(rule.part_type or "")) for rule in chosen]


def _order(rule: ServiceRule) -> tuple[bool, bool, int, float, str]:
    """Order rules by what is tried first; what is done at every visit anyway has been tried."""
    tried = _FIRST_TRIED.index(rule.action) if rule.action in _FIRST_TRIED else len(_FIRST_TRIED)
    return rule.alone, rule.every_visit, tried, rule.minutes, rule.id


def _done_since(day: date, rule: ServiceRule, part: FittedPart | None, machine: Machine) -> bool:
    return any(
        work.rule == rule.id
        and work.fitted_part == (part.id if part else None)
        and work.done_on > day
        for work in machine.history
    )


def _task(
    judgement: Judgement, rule: ServiceRule, part: FittedPart | None, machine: Machine
) -> DueTask:
    taken_on = judgement.reading.taken_on
    stop = judgement.verdict is Verdict.STOP_AND_MAKE_SAFE
    aim, end = _STOP_DAYS if stop else _ADJUST_DAYS
    urgent = "Stopped and made safe: " if stop else ""
    return DueTask(
        id=f"{machine.id}:{part.id if part else '-'}:{rule.id}:read:{taken_on}",
        machine=machine.id,
        site=machine.site,
        rule=rule.id,
        fitted_part=part.id if part else None,
        anchor=taken_on,
        earliest=taken_on,
        target=taken_on + timedelta(days=aim),
        latest=taken_on + timedelta(days=end),
        hard=False,
        urgent=stop,
        because=f"{urgent}{rule.name}: follows the reading of {taken_on}. {judgement.because}",
    )
