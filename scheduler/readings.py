"""A measured value against the right limit for the machine: verdict, drift and what to do.

A machine is read as found and as left. As found tells how it was doing; as left is what the
technician answers for, so a value left outside its range always makes follow-up work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from itertools import pairwise
from statistics import median

from scheduler.catalogue import Catalogue, SetPoint
from scheduler.errors import InvalidInput
from scheduler.machines import Build
from scheduler.water import HardnessUnit, convert_hardness

_DAYS_PER_MONTH = 365.25 / 12
_OF_HARDNESS = tuple(HardnessUnit)


class Stage(StrEnum):
    """When in a visit a value was read."""

    AS_FOUND = "as_found"
    AS_LEFT = "as_left"


class Verdict(StrEnum):
    """What a value means."""

    OK = "ok"
    ADJUST = "adjust"
    STOP_AND_MAKE_SAFE = "stop_and_make_safe"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A value as measured on one machine."""

    set_point: str
    value: float
    unit: str
    stage: Stage
    taken_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A reading with its verdict and a sentence that says why."""

    reading: Reading
    verdict: Verdict
    because: str

    @property
    def needs_follow_up(self) -> bool:
        """Whether it has to become work: left outside its range, or to be stopped at any time."""
        if self.verdict is Verdict.STOP_AND_MAKE_SAFE:
            return True
        return self.verdict is Verdict.ADJUST and self.reading.stage is Stage.AS_LEFT


def set_points_for(build: Build, catalogue: Catalogue) -> tuple[SetPoint, ...]:
    """Return the set-points that apply to a build, in the order of the catalogue."""
    return tuple(point for point in catalogue.set_points.values() if build.suits(point.applies_to))


def judge(reading: Reading, set_point: SetPoint) -> Judgement:
    """Return the verdict on a reading, with the reading in the set-point's unit.

    A hardness may have been read in any unit of hardness. The limits are inside the range.

    Raises
    ------
    InvalidInput
        When the reading is of another set-point, in another unit or not a number.
    """
    if reading.set_point != set_point.id:
        raise InvalidInput(f"a reading of {reading.set_point} is no {set_point.id}")
    reading = _in_unit_of(set_point, reading)
    value, unit = reading.value, set_point.unit
    wanted = f"{set_point.low:g} to {set_point.high:g} {unit}"
    said = f"{set_point.name} {value:g} {unit}"
    if value != value:
        raise InvalidInput(f"{set_point.name} must be a number, got {value}")
    if set_point.stop_above is not None and value > set_point.stop_above:
        verdict, because = (
            Verdict.STOP_AND_MAKE_SAFE,
            f"{said} is above {set_point.stop_above:g} {unit}: switch off and make safe.",
        )
    elif set_point.stop_below is not None and value < set_point.stop_below:
        verdict, because = (
            Verdict.STOP_AND_MAKE_SAFE,
            f"{said} is below {set_point.stop_below:g} {unit}: switch off and make safe.",
        )
    elif value > set_point.high:
        verdict, because = Verdict.ADJUST, f"{said} is too high: {wanted}."
    elif value < set_point.low:
        verdict, because = Verdict.ADJUST, f"{said} is too low: {wanted}."
    else:
        verdict, because = Verdict.OK, f"{said} is right: {wanted}."
    return Judgement(reading=reading, verdict=verdict, because=because)


def _in_unit_of(set_point: SetPoint, reading: Reading) -> Reading:
    """Return a reading in the unit of its set-point; only a hardness may come in another."""
    if reading.unit == set_point.unit:
        return reading
    if set_point.unit not in _OF_HARDNESS:
        units = set_point.unit
    elif reading.unit not in _OF_HARDNESS:
        units = f"{set_point.unit} or another of {', '.join(_OF_HARDNESS)}"
    else:
        read, wanted = HardnessUnit(reading.unit), HardnessUnit(set_point.unit)
        value = convert_hardness(reading.value, read, wanted)
        return replace(reading, value=value, unit=set_point.unit)
    raise InvalidInput(f"{set_point.name} is read in {units}, got {reading.value} {reading.unit}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How a value moves between visits.

    Attributes
    ----------
    per_month
        In the set-point's unit.
    leaves_on
        The day the value left at the last visit reaches a limit at that pace; None when it does
        not move, or was left outside already.
    """

    per_month: float
    leaves_on: date | None
    because: str


def drift(readings: Sequence[Reading], set_point: SetPoint) -> Drift | None:
    """Return the drift of one set-point on one machine, None before it was read twice.

    What counts is how far it moved from one visit (as left, or as found where nothing was changed)
    to the next (as found); the median of these, so that one odd value does not make a drift.
    """
    visits: dict[date, dict[Stage, float]] = {}
    for reading in sorted(readings, key=lambda reading: reading.taken_on):
        judge(reading, set_point)
        visits.setdefault(reading.taken_on, {})[reading.stage] = reading.value
    moves = [
        (found[Stage.AS_FOUND] - _left(left)) / ((found_on - left_on).days / _DAYS_PER_MONTH)
        for (left_on, left), (found_on, found) in pairwise(visits.items())
        if Stage.AS_FOUND in found
    ]
    if not moves:
        return None
    per_month = median(moves)
    last_on, last = list(visits.items())[-1]
    now = _left(last)
    leaves_on = None
    if per_month and set_point.low <= now <= set_point.high:
        limit = set_point.high if per_month > 0 else set_point.low
        days = (limit - now) / per_month * _DAYS_PER_MONTH
        if last_on.toordinal() + days < date.max.toordinal():
            leaves_on = date.fromordinal(last_on.toordinal() + int(days))
    because = f"{set_point.name} moves by {per_month:+.2g} {set_point.unit} a month"
    because += f" and leaves its range about {leaves_on}." if leaves_on else "."
    return Drift(per_month=per_month, leaves_on=leaves_on, because=because)


def _left(visit: dict[Stage, float]) -> float:
    return visit.get(Stage.AS_LEFT, visit.get(Stage.AS_FOUND, 0.0))
