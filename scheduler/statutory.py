"""What the law asks to have examined on a machine, and how it stands with its certificates."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from scheduler.catalogue import Catalogue
from scheduler.duty import stated_duty
from scheduler.machines import Certificate, Machine
from scheduler.spacing import IntervalDecision
from scheduler.upkeep import MachineUpkeep


class Standing(StrEnum):
    """How it stands with an examination."""

    RUN_OUT = "run_out"  # its day has passed, or it was refused: not to be used
    SOON = "soon"
    IN_FORCE = "in_force"


@dataclass(frozen=True, slots=True, kw_only=True)
class StatutoryItem:
    """One examination of one machine.

    ``due_on`` is the last day for the next one: the strictest of the certificate's own, the rule's
    interval after the last time it was done, and the company's decision.
    """

    machine: str
    site: str
    rule: str
    fitted_part: str | None
    due_on: date
    standing: Standing
    certificate: Certificate | None
    because: str


def statutory_items(
    machine: Machine,
    catalogue: Catalogue,
    *,
    today: date,
    soon: timedelta,
    decisions: Sequence[IntervalDecision] = (),
) -> tuple[StatutoryItem, ...]:
    """Return what the law asks for on a machine, the first day first.

    Parameters
    ----------
    soon : how long before its last day an examination is due soon.
    decisions : the company's own intervals; one that has passed makes an examination due, not the
        machine unusable.
    """
    # statutes go by the calendar; the water has no say in them
    duty = stated_duty(machine, catalogue, hardness_dh=0.0)
    upkeep = MachineUpkeep(machine, catalogue, duty, decisions)
    by_law = {
        (task.rule, task.fitted_part): task.latest
        for task, _ in MachineUpkeep(machine, catalogue, duty, ()).statutory_tasks()
    }
    items = [
        StatutoryItem(
            machine=task.machine,
            site=task.site,
            rule=task.rule,
            fitted_part=task.fitted_part,
            due_on=task.latest,
            standing=_standing(
                task.latest,
                by_law[task.rule, task.fitted_part],
                certificate,
                today=today,
                soon=soon,
            ),
            certificate=certificate,
            because=task.because,
        )
        for task, certificate in upkeep.statutory_tasks()
    ]
    return tuple(sorted(items, key=lambda item: (item.due_on, item.rule, item.fitted_part or "")))


def _standing(
    due_on: date, by_law: date, certificate: Certificate | None, *, today: date, soon: timedelta
) -> Standing:
    refused = certificate is not None and certificate.valid_until is None
    if refused or by_law < today:
        return Standing.RUN_OUT
    return Standing.SOON if due_on <= today + soon else Standing.IN_FORCE
