"""The log of one unit under simulation: what is fitted, when it fails, what was done to it."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil
from random import Random

from scheduler.catalogue import Action, Catalogue, ServiceRule
from scheduler.duty import Duty, after_months
from scheduler.machines import FittedPart, Machine, Outcome, WorkDone, places_in
from scheduler.spacing import spacing_of
from scheduler.upkeep import DueTask, due_tasks
from seed_data.company.equipment import build_of
from seed_data.company.lives import LIVES, days_left
from seed_data.company.records import Part, Unit, Work

_RENEWING = (Action.REBUILD, Action.REPLACE)
_REBUILT_AFTER_FAILURE = 0.7  # share of failed parts that are rebuilt where both are possible
_THERMOSTAT, _CONTROLLED = "mechanical_thermostat", "electronic_temperature"


@dataclass(slots=True, kw_only=True)
class _Fitted:
    """A part in the unit; ``fails_on`` is known to the simulation only."""

    part: FittedPart
    fails_on: date


class UnitLog:
    """A unit with its parts and its past; grows as work is carried out.

    Parameters
    ----------
    start
        The first day of its record; older parts and work are made up.
    duty
        Its true pace.
    """

    def __init__(
        self, unit: Unit, *, start: date, duty: Duty, catalogue: Catalogue, rng: Random
    ) -> None:
        self.unit = unit
        self.start = max(start, unit.installed_on)
        self.duty = duty
        self.parts: list[Part] = []
        self.work: list[Work] = []
        self._catalogue = catalogue
        self._rng = rng
        self._fitted: dict[str, _Fitted] = {}
        self._last_done: dict[tuple[str, str | None], WorkDone] = {}
        self._parts_so_far = 0
        for place in places_in(build_of(unit), catalogue):
            self._fit(place.part_type, place.position, self._age_before_start(place.part_type))
        self._remember_work_before_start()

    def tasks(self) -> tuple[DueTask, ...]:
        """Return the next task of every rule and part, however far away."""
        return due_tasks(self._machine(), self._catalogue, self.duty, until=date.max)

    def first_failure(self) -> tuple[date, str]:
        """Return when the next part fails and its id."""
        worst = min(
            self._fitted.values(), key=lambda each: (each.fails_on, each.part.id), default=None
        )
        return (worst.fails_on, worst.part.id) if worst else (date.max, "")

    def failing_by(self, day: date) -> Iterator[str]:
        """Yield the parts that will have failed by a day."""
        yield from [key for key, each in self._fitted.items() if each.fails_on <= day]

    def mending_rule(self, part_id: str) -> ServiceRule:
        """Return the rule that mends a failed part: a rebuild where there is one, mostly."""
        renewing = self._renewing_rules(self._fitted[part_id].part.part_type)
        return renewing[0 if self._rng.random() < _REBUILT_AFTER_FAILURE else -1]

    def carry_out(
        self,
        rule: ServiceRule,
        part_id: str | None,
        day: date,
        *,
        outcome: Outcome,
        technician: str | None,
    ) -> None:
        """Record work and what it does to the part."""
        self._record(rule, part_id, day, outcome, technician)
        if part_id is None or rule.action not in _RENEWING:
            return
        if rule.action is Action.REBUILD:
            self._fitted[part_id].fails_on = self._failure_after(
                self._fitted[part_id].part.part_type, day, 0.0
            )
            return
        old = self._remove(part_id, day, planned=outcome is Outcome.PLANNED)
        if old.part_type == _THERMOSTAT:
            self._convert_to_controller(day)
        else:
            self._fit(old.part_type, old.position, day)

    def close(self, day: date) -> None:
        """Take the unit out of service."""
        for part_id in list(self._fitted):
            self._remove(part_id, day, planned=True)

    def _machine(self) -> Machine:
        return Machine(
            id=self.unit.id,
            site=self.unit.site_id,
            name=self.unit.name,
            build=build_of(self.unit),
            installed_on=self.unit.installed_on,
            drinks_per_day=self.unit.drinks_per_day,
            parts=tuple(each.part for each in self._fitted.values()),
            history=tuple(self._last_done.values()),
        )

    def _record(
        self,
        rule: ServiceRule,
        part_id: str | None,
        day: date,
        outcome: Outcome,
        technician: str | None,
    ) -> None:
        self._last_done[rule.id, part_id] = WorkDone(
            rule=rule.id, fitted_part=part_id, done_on=day, outcome=outcome
        )
        self.work.append(
            Work(
                id=f"{self.unit.id}-w{len(self.work) + 1:03d}",
                machine_id=self.unit.id,
                fitted_part_id=part_id,
                rule=rule.id,
                outcome=outcome,
                done_on=day,
                technician_id=technician,
                visit_id=None,
                note=_NOTES[outcome],
            )
        )

    def _fit(self, part_type: str, position: str, day: date) -> None:
        self._parts_so_far += 1
        part = FittedPart(
            id=f"{self.unit.id}-p{self._parts_so_far:02d}",
            part_type=part_type,
            position=position,
            fitted_on=day,
        )
        age_days = float(max((self.start - day).days, 0))
        self._fitted[part.id] = _Fitted(
            part=part, fails_on=self._failure_after(part_type, max(day, self.start), age_days)
        )
        self.parts.append(
            Part(
                id=part.id,
                machine_id=self.unit.id,
                part_type=part_type,
                position=position,
                fitted_on=day,
                removed_on=None,
                removal=None,
            )
        )

    def _remove(self, part_id: str, day: date, *, planned: bool) -> FittedPart:
        index = int(part_id.rpartition("p")[2]) - 1
        self.parts[index] = replace(
            self.parts[index], removed_on=day, removal="planned" if planned else "failure"
        )
        return self._fitted.pop(part_id).part

    def _convert_to_controller(self, day: date) -> None:
        """Fit what a machine with an electronic controller has in place of the thermostat."""
        before = set(places_in(build_of(self.unit), self._catalogue))
        features = tuple(_CONTROLLED if f == _THERMOSTAT else f for f in self.unit.features)
        self.unit = replace(self.unit, features=features)
        for place in places_in(build_of(self.unit), self._catalogue):
            if place not in before:
                self._fit(place.part_type, place.position, day)

    def _renewing_rules(self, part_type: str) -> list[ServiceRule]:
        """Return the rules that make a part as good as new, the most frequent first."""
        rules = [
            rule
            for rule in self._catalogue.rules_by_part.get(part_type, ())
            if rule.action in _RENEWING and not rule.interval.is_empty
        ]
        return sorted(rules, key=self._interval_days)

    def _interval_days(self, rule: ServiceRule) -> float:
        spacing = spacing_of(rule, self.duty)
        if spacing is None:
            return float("inf")
        by_calendar = (
            float("inf")
            if spacing.months is None
            else float((after_months(self.start, spacing.months) - self.start).days)
        )
        return min(by_calendar, float("inf") if spacing.days is None else spacing.days)

    def _failure_after(self, part_type: str, day: date, age_days: float) -> date:
        life, renewing = LIVES.get(part_type), self._renewing_rules(part_type)
        if life is None or not renewing:
            return date.max
        left = days_left(life, self._interval_days(renewing[0]), age_days, self._rng)
        return day + timedelta(days=ceil(left))

    def _age_before_start(self, part_type: str) -> date:
        """Return when the part found at the start may have been fitted."""
        replacing = [
            rule for rule in self._renewing_rules(part_type) if rule.action is Action.REPLACE
        ]
        if self.start == self.unit.installed_on or not replacing:
            return self.unit.installed_on
        age = timedelta(days=int(self._rng.random() * self._interval_days(replacing[0])))
        return max(self.unit.installed_on, self.start - age)

    def _remember_work_before_start(self) -> None:
        """Make up when each rule was last carried out before the record begins."""
        if self.start == self.unit.installed_on:
            return
        for task in self.tasks():
            rule = self._catalogue.rules[task.rule]
            age = timedelta(days=int(self._rng.random() * self._interval_days(rule)))
            day = self.start - age
            if rule.action is not Action.REPLACE and day > task.anchor:
                self._record(rule, task.fitted_part, day, Outcome.PLANNED, None)


_NOTES = {
    Outcome.PLANNED: "",
    Outcome.FAILURE: "failed in service",
    Outcome.FOUND: "found worn",
}
