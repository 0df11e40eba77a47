"""How long parts lasted: from fitting and removal dates to lives, most of them cut short."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from scheduler.errors import InvalidInput


class End(StrEnum):
    """How a life ended; only a failure tells how long the part would have lasted."""

    FAILED = "failed"
    REPLACED = "replaced"  # before it failed
    RUNNING = "running"  # not ended yet


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One part's life.

    Attributes
    ----------
    age
        At its end, or now: days, or drinks, the same unit for all lives that are compared; > 0.
    end
        How it ended. Replaced and running are right-censored: it would have lasted longer.
    known_from
        The age at which our records begin. A part that failed before would never have been seen,
        so the life only speaks for ages from here on (left truncation).
    """

    age: float
    end: End
    known_from: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.known_from < self.age:
            raise InvalidInput(
                "a life needs 0 <= known_from < age, "
                f"got known_from {self.known_from} and age {self.age}"
            )

    @property
    def failed(self) -> bool:
        """Whether it ended by failing."""
        return self.end is End.FAILED


def life_in_days(
    *,
    fitted_on: date,
    removed_on: date | None,
    failed: bool,
    today: date,
    records_begin: date | None = None,
) -> Life | None:
    """Return the life of a fitted part in days, None when it says nothing yet.

    A part says nothing when it was fitted today, or removed before the records begin. One removed
    on the day it was fitted counts half a day.

    Parameters
    ----------
    removed_on
        None while it is still running.
    failed
        Whether it was removed because it had failed.
    records_begin
        The first day on which a failure of this part would have been written down; None when it
        has been watched from its fitting.

    Raises
    ------
    InvalidInput
        When the dates contradict each other.
    """
    end_on = today if removed_on is None else removed_on
    if end_on < fitted_on:
        raise InvalidInput(f"a part fitted on {fitted_on} cannot end on {end_on}")
    if removed_on is not None and removed_on > today:
        raise InvalidInput(f"a part cannot be removed on {removed_on}, after today, {today}")
    if failed and removed_on is None:
        raise InvalidInput(f"the part fitted on {fitted_on} failed but was not removed")
    end = End.RUNNING if removed_on is None else End.FAILED if failed else End.REPLACED
    age = (end_on - fitted_on).days or (0.5 if removed_on else 0.0)
    known_from = max(0, (records_begin - fitted_on).days) if records_begin else 0
    return Life(age=age, end=end, known_from=known_from) if known_from < age else None
