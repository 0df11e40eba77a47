"""Counter readings to a rate of use and a forecast, each with a spread.

Readings are typed in by people from counters that get reset and replaced. A reading that does not
fit the others is reported and not used; where two or more in a row carry on from a new level, the
counter was reset. The rate is the median slope within the runs between resets (Theil and Sen). Its
interval is Student's, from how the use from one reading to the next scatters: Sen's own interval
takes readings to err independently, but a counter adds up its days, and on simulated counters that
interval held the true rate less than half as often as it should.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import combinations, pairwise
from math import inf, isfinite, sqrt

import numpy as np
from scipy.special import stdtrit

from scheduler.errors import InvalidInput
from scheduler.machines import MeterReading
from scheduler.seasons import EVEN, PaceOfPeriod, Season

# the numbers below are common practice, no source
_ODD_COST, _RESET_COST = 1.0, 1.5  # one reading off the line is an error, two are a reset
_MOST_TIMES_STATED = 6.0  # above that a jump is not trade but a slip of the pen
_MOST_TIMES_TYPICAL = 10.0  # the same when nothing is stated
_FEWEST_DAYS = 14
_STATED_LOW, _STATED_HIGH = 0.6, 1.6  # what owners state is rarely right
_FEW_STEPS, _FEW_SPREAD = 4, 0.2


class Basis(StrEnum):
    """Where a rate comes from."""

    MEASURED = "measured"
    STATED = "stated"  # too few good readings: the drinks a day the site stated


@dataclass(frozen=True, slots=True, kw_only=True)
class OddReading:
    """A reading that was not used, and why."""

    reading: MeterReading
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """When a usage limit is reached; None means not in this century at that rate."""

    earliest: datetime | None
    expected: datetime | None
    latest: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """What a counter's readings say about use.

    Attributes
    ----------
    per_day, low, high
        Use on an average day of the year, and the interval it lies in.
    basis
        Whether it was measured or only stated.
    used
        The readings the rate rests on, in order.
    odd
        The readings left out, in order.
    resets
        The first reading after each reset or replacement of the counter.
    season, season_days, totals
        The season, its clock at every used reading, and the use since the first of them.
    """

    per_day: float
    low: float
    high: float
    basis: Basis
    used: tuple[MeterReading, ...]
    odd: tuple[OddReading, ...]
    resets: tuple[MeterReading, ...]
    season: Season
    season_days: tuple[float, ...]
    totals: tuple[float, ...]

    def used_between(self, start: datetime, end: datetime) -> float:
        """Return the use from ``start`` to ``end``: as read where read, else at the rate."""
        return self._total_at(self.season.days_at(end)) - self._total_at(self.season.days_at(start))

    def forecast(self, since: datetime, limit: float) -> Forecast:
        """Return when ``limit`` more will have been used after ``since``.

        What the readings cover is taken as read; only what lies beyond the last one spreads.
        """
        if not limit >= 0:
            raise InvalidInput(f"limit must be >= 0, got {limit}")
        start = self.season.days_at(since)
        return Forecast(
            earliest=self._reached(start, limit, self.high),
            expected=self._reached(start, limit, self.per_day),
            latest=self._reached(start, limit, self.low),
        )

    def paces(self) -> tuple[PaceOfPeriod, ...]:
        """Return how busy each period between two readings was, for :func:`fit_season`.

        Of a counter read over a whole year; a part of one would pass for the whole.
        """
        if not self.per_day > 0:
            return ()
        return tuple(
            PaceOfPeriod(
                start=before.taken_at,
                end=after.taken_at,
                pace=(after.value - before.value)
                / ((after.taken_at - before.taken_at) / timedelta(days=1))
                / self.per_day,
            )
            for before, after in pairwise(self.used)
            if after not in self.resets
        )

    def _total_at(self, season_day: float) -> float:
        """Return the running total on the season's clock; at the rate outside the readings."""
        if not self.totals:
            return self.per_day * season_day
        inside = min(max(season_day, self.season_days[0]), self.season_days[-1])
        read = float(np.interp(inside, self.season_days, self.totals))
        return read + self.per_day * (season_day - inside)

    def _reached(self, start: float, limit: float, per_day: float) -> datetime | None:
        known = [day for day in (*self.season_days, start) if day >= start]
        known.sort()
        totals = [self._total_at(day) for day in known]
        target = totals[0] + limit
        if target <= totals[-1]:
            return self.season.instant_at(float(np.interp(target, totals, known)))
        if not per_day > 0:
            return None
        return self.season.instant_at(known[-1] + (target - totals[-1]) / per_day)


def usage(
    readings: Sequence[MeterReading],
    *,
    stated_per_day: float = 0.0,
    season: Season = EVEN,
    confidence: float = 0.8,
) -> Usage:
    """Return the rate of use behind the readings of one counter.

    Parameters
    ----------
    readings
        Of one counter, in any order.
    stated_per_day
        What the site stated, in the counter's unit, averaged over all days of the year; 0 when
        nothing is known. The rate when the readings are too few or cover less than two weeks.
    season
        The site's trade over the year.
    confidence
        Of the interval ``low`` to ``high``.

    Raises
    ------
    InvalidInput
        When the readings are of different counters or an argument is out of range.
    """
    if len({reading.counter for reading in readings}) > 1:
        raise InvalidInput(f"readings of one counter are needed, got {sorted(readings, key=str)}")
    if not (stated_per_day >= 0 and 0 < confidence < 1):
        raise InvalidInput(
            "stated_per_day must be >= 0 and confidence in 0..1, "
            f"got {stated_per_day} and {confidence}"
        )
    in_order = sorted(readings, key=lambda reading: reading.taken_at)
    sound, odd = _impossible_left_out(in_order)
    runs, misfits = _runs(sound, _most_per_day(sound, stated_per_day))
    used = tuple(reading for run in runs for reading in run)
    resets = tuple(run[0] for run in runs[1:])
    per_day, low, high, basis = _rate(runs, stated_per_day, season, confidence)
    season_days = tuple(season.days_at(reading.taken_at) for reading in used)
    totals = [0.0] * len(used)
    for n in range(1, len(used)):
        totals[n] = totals[n - 1] + (
            per_day * (season_days[n] - season_days[n - 1])  # nobody counted across a reset
            if used[n] in resets
            else used[n].value - used[n - 1].value
        )
    return Usage(
        per_day=per_day,
        low=low,
        high=high,
        basis=basis,
        used=used,
        odd=tuple(sorted(odd + misfits, key=lambda odd: odd.reading.taken_at)),
        resets=resets,
        season=season,
        season_days=season_days,
        totals=tuple(totals),
    )


def _impossible_left_out(
    in_order: Sequence[MeterReading],
) -> tuple[list[MeterReading], list[OddReading]]:
    sound: list[MeterReading] = []
    odd: list[OddReading] = []
    for reading in in_order:
        if not (isfinite(reading.value) and reading.value >= 0):
            odd.append(OddReading(reading=reading, why=f"{reading.value} is no counter value"))
        elif sound and sound[-1].taken_at == reading.taken_at:
            why = f"second reading of the moment, the first said {sound[-1].value:.10g}"
            odd.append(OddReading(reading=reading, why=why))
        else:
            sound.append(reading)
    return sound, odd


def _days_between(before: MeterReading, after: MeterReading) -> float:
    return (after.taken_at - before.taken_at) / timedelta(days=1)


def _most_per_day(readings: Sequence[MeterReading], stated_per_day: float) -> float:
    """Return the rate above which a step cannot be trade."""
    if stated_per_day > 0:
        return _MOST_TIMES_STATED * stated_per_day
    rises = [
        (b.value - a.value) / _days_between(a, b)
        for a, b in pairwise(readings)
        if b.value > a.value
    ]
    return _MOST_TIMES_TYPICAL * float(np.median(rises)) if rises else inf


def _runs(
    readings: Sequence[MeterReading], most_per_day: float
) -> tuple[list[list[MeterReading]], list[OddReading]]:
    """Split readings into runs between resets, leaving out as few as possible.

    The cheapest explanation wins: a reading left out costs 1, a reset 1.5 (dynamic programme over
    the last reading that was used).
    """
    if not readings:
        return [], []

    def fits(before: MeterReading, after: MeterReading) -> bool:
        rise = after.value - before.value
        # a day at least, so that two readings of one visit may differ by its test drinks
        return 0 <= rise <= most_per_day * max(1.0, _days_between(before, after))

    count = len(readings)
    cost = [_ODD_COST * n for n in range(count)]  # with this one as the first that is used
    previous: list[int | None] = [None] * count
    for after in range(count):
        for before in range(after):
            step = 0.0 if fits(readings[before], readings[after]) else _RESET_COST
            total = cost[before] + _ODD_COST * (after - before - 1) + step
            if total < cost[after]:
                cost[after], previous[after] = total, before
    last: int | None = min(range(count), key=lambda n: cost[n] + _ODD_COST * (count - 1 - n))

    kept: list[int] = []
    while last is not None:
        kept.append(last)
        last = previous[last]
    kept.reverse()
    runs = [[readings[kept[0]]]]
    for before, after in pairwise(kept):
        if fits(readings[before], readings[after]):
            runs[-1].append(readings[after])
        else:
            runs.append([readings[after]])
    odd = [
        OddReading(reading=readings[n], why=_why_odd(readings, n, kept))
        for n in sorted(set(range(count)) - set(kept))
    ]
    return runs, odd


def _why_odd(readings: Sequence[MeterReading], n: int, kept: Sequence[int]) -> str:
    value = readings[n].value
    earlier = [readings[k] for k in kept if k < n]
    if earlier and value < earlier[-1].value:
        return (
            f"{value:.10g} is below the {earlier[-1].value:.10g} read before: "
            "mistyped, or the counter was reset"
        )
    return f"{value:.10g} does not fit the readings around it: mistyped?"


def _rate(
    runs: Sequence[Sequence[MeterReading]],
    stated_per_day: float,
    season: Season,
    confidence: float,
) -> tuple[float, float, float, Basis]:
    """Return the median slope within runs, its interval and where they come from."""
    slopes: list[float] = []
    steps: list[tuple[float, float]] = []  # season days and use from one reading to the next
    for run in runs:
        points = [(season.days_at(reading.taken_at), reading.value) for reading in run]
        for (day, value), (later_day, later_value) in combinations(points, 2):
            if later_day > day:
                slopes.append((later_value - value) / (later_day - day))
        steps += [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points) if b[0] > a[0]]
    days = sum(step_days for step_days, _ in steps)
    if days < _FEWEST_DAYS:
        low, high = _STATED_LOW * stated_per_day, _STATED_HIGH * stated_per_day
        return stated_per_day, low, high, Basis.STATED
    per_day = float(np.median(slopes))
    spread = _FEW_SPREAD * per_day if len(steps) < _FEW_STEPS else 0.0
    if len(steps) > 1:
        # the use of a step varies in proportion to its length
        scatter = sum((use - per_day * step_days) ** 2 / step_days for step_days, use in steps)
        freedom = len(steps) - 1
        quantile = float(stdtrit(freedom, (1 + confidence) / 2))
        spread = max(spread, quantile * sqrt(scatter / freedom / days))
    return per_day, max(0.0, per_day - spread), per_day + spread, Basis.MEASURED
