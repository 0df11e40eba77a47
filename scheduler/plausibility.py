"""Whether a value can be meant: what an instrument can show, and how far a counter can have come.

A value that cannot be meant is refused, with a guess at what went wrong. One that can be meant but
is far out of range is not refused: it is judged (``scheduler.readings``), and may stop the machine.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from scheduler.catalogue import Catalogue, Counter, SetPoint
from scheduler.errors import InvalidInput
from scheduler.machines import Build, MeterReading

# the numbers below are common practice, no source
_DRINKS_PER_GROUP: Final = 2 * 60 * 24
"""Two drinks a minute round the clock: a group cannot do more in a day, pouring doubles only."""
_GROUPS: Final = 4
"""The largest machine there is stands behind a grinder or a filter."""
_OLDEST: Final = timedelta(days=40 * 365)
_NEAR: Final = 0.1
"""A guess counts when it comes this near to the range, as a share of its upper end."""

_ELSEWHERE: Mapping[str, Mapping[str, Callable[[float], float]]] = {
    "bar": {"psi": lambda x: x * 0.0689476, "kPa": lambda x: x / 100, "MPa": lambda x: x * 10},
    "°C": {"°F": lambda x: (x - 32) / 1.8, "K": lambda x: x - 273.15},
    "°dH": {"mg/L CaCO3": lambda x: x / 17.848, "°fH": lambda x: x / 1.7848},
    "megohm": {"kilohm": lambda x: x / 1000, "ohm": lambda x: x / 1e6},
    "ohm": {"milliohm": lambda x: x / 1000},
    "s": {"ms": lambda x: x / 1000},
}
"""Unit of a set-point -> units a value may have been read in by mistake, and the way back."""


def check_possible(value: float, set_point: SetPoint) -> None:
    """Refuse a value that no instrument shows in this unit.

    Raises
    ------
    InvalidInput
        With what may have happened: another unit, a point lost.
    """
    low, high = set_point.possible_low, set_point.possible_high
    if (low is None or value >= low) and (high is None or value <= high):
        return
    side, end = ("at most", high) if high is not None and value > high else ("at least", low)
    unit = set_point.unit
    guesses = "".join(f" {guess}" for guess in _guesses(value, set_point))
    raise InvalidInput(
        f"{set_point.name} can be {side} {end:g} {unit}, got {value:g} {unit}:{guesses} read it "
        f"again, and write {end:g} where the instrument is beyond its own range"
    )


def _guesses(value: float, set_point: SetPoint) -> Iterator[str]:
    margin = _NEAR * abs(set_point.high)
    unit = set_point.unit

    def fits(guess: float) -> bool:
        return set_point.low - margin <= guess <= set_point.high + margin

    for other, back in _ELSEWHERE.get(unit, {}).items():
        if fits(back(value)):
            yield f"{value:g} {other} would be {back(value):.3g} {unit};"
    if fits(value / 10):
        yield f"with the point in its place it would be {value / 10:.3g} {unit};"


def most_per_day(build: Build, counter: Counter, catalogue: Catalogue) -> float | None:
    """Return the most a counter can rise in a day; None where the catalogue does not say."""
    drinks = _DRINKS_PER_GROUP * (build.groups or _GROUPS)
    return next((drinks * u.amount for u in catalogue.use_per_drink if u.counter is counter), None)


def check_counter(
    reading: MeterReading,
    build: Build,
    catalogue: Catalogue,
    *,
    before: Sequence[MeterReading] = (),
    after: MeterReading | None = None,
) -> None:
    """Refuse a reading that the machine cannot have reached, or left again.

    A reading below the one before is not refused: counters are reset and replaced. But where such
    a drop is followed by a reading that carries on from before it, the low one was mistyped, and
    does not stand in the way of the right ones.

    Parameters
    ----------
    before, after : the readings of the same counter next to it in time, where there are any; the
        last two before it, the older first.

    Raises
    ------
    InvalidInput
        With the most the counter can show.
    """
    most = most_per_day(build, reading.counter, catalogue)
    if most is None:
        return
    oldest = most * (_OLDEST / timedelta(days=1))
    if reading.value > oldest:
        raise InvalidInput(
            f"{reading.counter} can be {oldest:.0f} at most after forty years, got "
            f"{reading.value:.10g}: a digit too many?"
        )
    last = before[-1] if before else None
    if len(before) > 1 and before[-1].value < before[-2].value <= reading.value:
        last = before[-2] if _within(before[-2], reading, most) else last
    for earlier, later in ((last, reading), (reading, after)):
        if earlier is None or later is None:
            continue
        if not _within(earlier, later, most):
            raise InvalidInput(
                f"{reading.counter} rose from {earlier.value:.10g} on {_day(earlier.taken_at)} to "
                f"{later.value:.10g} on {_day(later.taken_at)}: the machine can do {most:.0f} a "
                "day; a digit too many, or the counter of another machine?"
            )


def _within(earlier: MeterReading, later: MeterReading, most: float) -> bool:
    days = max(1.0, (later.taken_at - earlier.taken_at) / timedelta(days=1))
    return later.value - earlier.value <= most * days


def _day(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d}"
