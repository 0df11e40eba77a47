"""How much of the time a machine could be used, by what kept it from it.

The three availabilities of the NASA Systems Engineering Handbook (SP-2016-6105, section on
reliability, maintainability and availability): of the design alone, with planned work, and as it
was lived, waiting for the technician included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.errors import InvalidInput


def inherent_availability(*, mean_to_failure: float, mean_to_repair: float) -> float:
    """Return the share of time up when only repairs count: MTTF / (MTTF + MTTR)."""
    return _share(mean_to_failure, mean_to_repair)


def achieved_availability(*, mean_to_maintenance: float, mean_maintenance: float) -> float:
    """Return the same with planned work: MTTMA / (MTTMA + MMT)."""
    return _share(mean_to_maintenance, mean_maintenance)


def operational_availability(
    *, mean_to_maintenance: float, mean_maintenance: float, mean_delay: float
) -> float:
    """Return the same with waiting for people and parts: MTTMA / (MTTMA + MMT + MLDT)."""
    return _share(mean_to_maintenance, mean_maintenance + mean_delay)


def _share(up: float, down: float) -> float:
    if not (up > 0 and down >= 0):
        raise InvalidInput(f"mean times must be > 0 up and >= 0 down, got {up} and {down}")
    return up / (up + down)


@dataclass(frozen=True, slots=True, kw_only=True)
class Downtime:
    """One time a machine could not be used, in hours.

    ``active_hours`` were worked on it, ``delay_hours`` waited for that; ``estimated`` says that
    nobody wrote down when it began and ended.
    """

    planned: bool
    active_hours: float
    delay_hours: float
    estimated: bool

    def __post_init__(self) -> None:
        if not (self.active_hours >= 0 and self.delay_hours >= 0):
            raise InvalidInput(
                f"hours must be >= 0, got {self.active_hours} worked and {self.delay_hours} waited"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """How available a machine was while it was watched, times in hours.

    The mean times are None without anything to take the mean of; an availability is then 1.
    """

    watched_hours: float
    failures: int
    planned: int
    estimated: int
    down_hours: float
    mean_to_failure: float | None
    mean_to_repair: float | None
    mean_to_maintenance: float | None
    mean_maintenance: float | None
    mean_delay: float | None
    inherent: float
    achieved: float
    operational: float

    @property
    def because(self) -> str:
        """The figures in plain words, and how far they rest on estimates."""
        said = (
            f"Usable {self.operational:.1%} of the time: down {self.down_hours:.0f} of "
            f"{self.watched_hours:.0f} hours, {_times(self.failures, 'failure')} and "
            f"{_times(self.planned, 'planned stop')}."
        )
        if self.estimated:
            said += f" The times of {self.estimated} of them are estimated, not recorded."
        return said


def _times(count: int, name: str) -> str:
    return f"{count} {name}{'' if count == 1 else 's'}"


def availability(downtimes: Sequence[Downtime], watched_hours: float) -> Availability:
    """Return how available a machine was.

    Parameters
    ----------
    watched_hours
        All hours in which its failures and work were written down, nights too; more than it was
        down.
    """
    failures = [each for each in downtimes if not each.planned]
    active = sum(each.active_hours for each in downtimes)
    delay = sum(each.delay_hours for each in downtimes)
    up = watched_hours - active - delay
    if not up > 0:
        raise InvalidInput(
            f"a machine down for {active + delay:g} hours must be watched for longer, "
            f"got {watched_hours:g}"
        )
    to_failure = up / len(failures) if failures else None
    to_repair = sum(f.active_hours for f in failures) / len(failures) if failures else None
    to_maintenance = up / len(downtimes) if downtimes else None
    maintenance = active / len(downtimes) if downtimes else None
    mean_delay = delay / len(downtimes) if downtimes else None
    inherent = achieved = operational = 1.0
    if to_failure is not None and to_repair is not None:
        inherent = inherent_availability(mean_to_failure=to_failure, mean_to_repair=to_repair)
    if to_maintenance is not None and maintenance is not None and mean_delay is not None:
        achieved = achieved_availability(
            mean_to_maintenance=to_maintenance, mean_maintenance=maintenance
        )
        operational = operational_availability(
            mean_to_maintenance=to_maintenance, mean_maintenance=maintenance, mean_delay=mean_delay
        )
    return Availability(
        watched_hours=watched_hours,
        failures=len(failures),
        planned=len(downtimes) - len(failures),
        estimated=sum(each.estimated for each in downtimes),
        down_hours=active + delay,
        mean_to_failure=to_failure,
        mean_to_repair=to_repair,
        mean_to_maintenance=to_maintenance,
        mean_maintenance=maintenance,
        mean_delay=mean_delay,
        inherent=inherent,
        achieved=achieved,
        operational=operational,
    )
