"""How likely a part is to fail while the work that renews it waits beyond its day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from scheduler.catalogue import Catalogue
from scheduler.duty import duty_class
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.wear.part_wear import RENEWING
from scheduler.wear.records import Kind
from scheduler.wear.weibull import Weibull


def good_since(machine: Machine, catalogue: Catalogue) -> Mapping[str, date]:
    """Return the day each fitted part of a machine was last new, or made as good as new."""
    since = {part.id: part.fitted_on for part in machine.parts}
    for work in machine.history:
        rule = catalogue.rules.get(work.rule)
        part = work.fitted_part
        if part in since and rule is not None and rule.action in RENEWING:
            since[part] = max(since[part], work.done_on)
    return since


class LateRisk:
    """The risk of late work by the laws of life that are known."""

    def __init__(self, catalogue: Catalogue, laws: Mapping[Kind, Weibull]) -> None:
        self._catalogue, self._laws = catalogue, laws
        self._since: dict[str, Mapping[str, date]] = {}

    def failures_a_day(self, task: DueTask, machine: Machine) -> float | None:
        """Return the mean chance a day of failure between the target and the latest day.

        None where the work does not renew a part, or no law of such parts is known.
        """
        rule = self._catalogue.rules[task.rule]
        if not self._laws or task.fitted_part is None or rule.action not in RENEWING:
            return None
        law = self._laws.get((rule.part_type or "", duty_class(machine.drinks_per_day)))
        if law is None:
            return None
        if machine.id not in self._since:
            self._since[machine.id] = good_since(machine, self._catalogue)
        since = self._since[machine.id].get(task.fitted_part, task.anchor)
        days = max(1, (task.latest - task.target).days)
        return law.fails_within(max(0, (task.target - since).days), days) / days
