"""What a change of the catalogue or of a decision would do to the dates of the work to come."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from scheduler.upkeep import DueTask


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedDate:
    """A piece of work and the day it is aimed at before and after; None where it is not due."""

    machine: str
    rule: str
    fitted_part: str | None
    before: date | None
    after: date | None

    @property
    def first_felt(self) -> date:
        """The earlier of its two days."""
        return min(day for day in (self.before, self.after) if day is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class DueChanges:
    """Every due date that a change moves, what is felt first at the front."""

    moved: tuple[MovedDate, ...]

    @property
    def earlier(self) -> int:
        """How much work is aimed at an earlier day, or becomes due at all."""
        return sum(
            each.after is not None and (each.before is None or each.after < each.before)
            for each in self.moved
        )

    @property
    def later(self) -> int:
        """How much work is aimed at a later day, or at none any more."""
        return len(self.moved) - self.earlier

    @property
    def first_effect_on(self) -> date | None:
        """The first day on which the change is felt; None when nothing moves."""
        return self.moved[0].first_felt if self.moved else None

    @property
    def because(self) -> str:
        """The whole in one sentence."""
        if not self.moved:
            return "This change moves no due date."
        dates = "date" if len(self.moved) == 1 else "dates"
        return (
            f"This change moves {len(self.moved)} due {dates}, {self.earlier} earlier and "
            f"{self.later} later; first effect on {self.first_effect_on}."
        )


def due_changes(before: Iterable[DueTask], after: Iterable[DueTask]) -> DueChanges:
    """Return which target days differ between two lists of the same machines' next tasks.

    Tasks are paired by machine, part and rule, of which each list holds one at most.
    """
    old, new = (
        {(t.machine, t.fitted_part, t.rule): t.target for t in tasks} for tasks in (before, after)
    )
    moved = [
        MovedDate(machine=machine, rule=rule, fitted_part=part, before=was, after=will)
        for machine, part, rule in old.keys() | new.keys()
        if (was := old.get((machine, part, rule))) != (will := new.get((machine, part, rule)))
    ]
    moved.sort(key=lambda each: (each.first_felt, each.machine, each.rule, each.fitted_part or ""))
    return DueChanges(moved=tuple(moved))
