"""How a site's trade swells and shrinks over the year, as a clock that runs at its pace.

A seasonal site is handled by changing time, not the sums: on the season's clock a busy day counts
for more than a day, and use grows evenly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from math import floor, fsum, inf

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from scheduler.errors import InvalidInput

_YEAR_ZERO, _YEARS = 1990, 120
_EPOCH = datetime(_YEAR_ZERO, 1, 1, tzinfo=UTC)
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Trade by calendar month, January first, as multiples of the average month."""

    by_month: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.by_month) != 12 or not all(factor >= 0 for factor in self.by_month):
            raise InvalidInput(f"a season needs 12 factors >= 0, got {self.by_month}")
        if abs(fsum(self.by_month) - 12) > 1e-6:
            raise InvalidInput(f"the factors of a season must average 1, got {self.by_month}")

    @classmethod
    def of(cls, weights: tuple[float, ...]) -> Season:
        """Return the season with the proportions of 12 weights, not all 0."""
        total = fsum(weights)
        if not total > 0:
            raise InvalidInput(f"the weights of a season must not all be 0, got {weights}")
        return cls(by_month=tuple(12 * weight / total for weight in weights))

    def days_at(self, instant: datetime) -> float:
        """Return the days that have passed on the season's clock, up to an instant (UTC)."""
        days, season_days = _clock(self)
        return float(np.interp((instant - _EPOCH) / _DAY, days, season_days))

    @property
    def contrast(self) -> float:
        """How many times as busy the busiest month is as the quietest; infinite if that is shut."""
        quietest = min(self.by_month)
        return max(self.by_month) / quietest if quietest else inf

    def day_after(self, start: date, season_days: float) -> date:
        """Return the day so many days later on the season's clock, rounded down.

        Where the clock does not reach, the pace is taken to be that of the average day.
        """
        if self != EVEN and start.year >= _YEAR_ZERO:
            begun = self.days_at(datetime.combine(start, time(), UTC))
            reached = self.instant_at(begun + season_days)
            if reached is not None:
                return reached.date()
        return start + timedelta(days=floor(season_days))

    def instant_at(self, season_days: float) -> datetime | None:
        """Return the instant the season's clock shows a number of days; None beyond 2109."""
        days, clock_days = _clock(self)
        if season_days >= clock_days[-1]:
            return None
        return _EPOCH + float(np.interp(season_days, clock_days, days)) * _DAY


EVEN = Season(by_month=(1.0,) * 12)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaceOfPeriod:
    """How busy a period was: 1 is the average day of the year, 2 twice as busy."""

    start: datetime
    end: datetime
    pace: float

    def __post_init__(self) -> None:
        if not (self.start < self.end and self.pace >= 0):
            raise InvalidInput(
                "a period needs start < end and pace >= 0, "
                f"got {self.start}, {self.end} and {self.pace}"
            )


# how far the paces of single days scatter (trade of slow and busy weeks included), and how far
# months may differ before anything is known: common practice, no source
_DAY_SCATTER, _MONTH_SCATTER = 1.5, 0.5


def fit_season(periods: Sequence[PaceOfPeriod]) -> Season:
    """Return the season behind the paces of periods of any length, of one site or of several alike.

    The months are unmixed by non-negative least squares. Where little is known a month stays near
    the average, so with no periods at all the season is even.
    """
    rows = [np.eye(12) / _MONTH_SCATTER]
    wanted = [np.full(12, 1 / _MONTH_SCATTER)]
    for period in periods:
        days = _days_by_month(period.start, period.end)
        scatter = _DAY_SCATTER * np.sqrt(days.sum())
        rows.append(days[np.newaxis, :] / scatter)
        wanted.append(np.array([period.pace * days.sum() / scatter]))
    factors, _ = nnls(np.concatenate(rows), np.concatenate(wanted))
    return Season.of(tuple(float(factor) for factor in factors))


def _days_by_month(start: datetime, end: datetime) -> NDArray[np.float64]:
    """Return how many days of each calendar month lie between two instants."""
    days, _ = _clock(EVEN)
    first, last = (start - _EPOCH) / _DAY, (end - _EPOCH) / _DAY
    inside = np.clip(days[1:], first, last) - np.clip(days[:-1], first, last)
    padded = np.concatenate([inside, np.zeros(-len(inside) % 12)])
    by_month: NDArray[np.float64] = padded.reshape(-1, 12).sum(axis=0)
    return by_month


@lru_cache(maxsize=4096)
def _clock(season: Season) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return real days and season days at every start of a month."""
    months = np.arange(f"{_YEAR_ZERO}-01", f"{_YEAR_ZERO + _YEARS}-02", dtype="datetime64[M]")
    starts = months.astype("datetime64[D]").astype(np.float64)
    days = starts - starts[0]
    pace = np.resize(np.array(season.by_month), len(days) - 1)
    return days, np.concatenate([[0.0], np.cumsum(np.diff(days) * pace)])
