"""Whether a machine that is repaired again and again is getting worse, and when to give it up.

The power-law process of Crow (MIL-HDBK-189): by age t a machine has failed scale * t ** shape times
on average; shape above 1 means failures come ever faster. The test is Crow's chi-square of shape 1.
Economic life is the number of years with the least equivalent annual cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import fsum, log

from scipy.optimize import brentq
from scipy.stats import chi2

from scheduler.errors import InvalidInput, TooFewFailures

_SURE = 0.1  # a trend is spoken of when chance would show it less often (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureRecord:
    """The ages at which one machine failed, watched from new to ``watched_until``.

    ``ends_with_failure`` says that watching stopped at the last failure (failure truncated), not
    at an age that was fixed beforehand.
    """

    failure_ages: tuple[float, ...]
    watched_until: float
    ends_with_failure: bool = False

    def __post_init__(self) -> None:
        ages = self.failure_ages
        if list(ages) != sorted(ages) or (
            ages and not 0 < ages[0] <= ages[-1] <= self.watched_until
        ):
            raise InvalidInput(
                "failure ages must ascend from above 0 to watched_until, "
                f"got {ages} and {self.watched_until}"
            )
        if self.ends_with_failure and (not ages or ages[-1] != self.watched_until):
            raise InvalidInput(
                f"watching ended at {self.watched_until}, which is not the last failure of {ages}"
            )


class Trend(StrEnum):
    """What the failures of a machine say."""

    WORSE = "worse"
    STEADY = "steady"
    BETTER = "better"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLawFit:
    """A power-law process fitted to machines.

    Attributes
    ----------
    shape, scale
        Mean failures by age t: scale * t ** shape.
    shape_low, shape_high
        Confidence limits of the shape.
    trend_p_value
        How often chance alone would show so strong a trend, either way.
    """

    shape: float
    scale: float
    shape_low: float
    shape_high: float
    failures: int
    trend: Trend
    trend_p_value: float
    because: str

    def failure_rate(self, age: float) -> float:
        """Return the failures per unit of age, at ``age``."""
        return float(self.scale * self.shape * age ** (self.shape - 1))

    def expected_failures(self, age: float, further: float) -> float:
        """Return the mean number of failures between ``age`` and ``age + further``."""
        return float(self.scale * ((age + further) ** self.shape - age**self.shape))


def fit_power_law(machines: Sequence[FailureRecord], *, confidence: float = 0.9) -> PowerLawFit:
    """Fit one power law to the failures of one machine, or of several of a kind, by likelihood.

    Raises
    ------
    TooFewFailures
        With fewer than two failures in all (three where watching ended with the failure).
    """
    ages = [age for machine in machines for age in machine.failure_ages]
    ends = [machine.watched_until for machine in machines]
    count = len(ages)
    # of a record that ends with a failure, that failure says nothing about the shape
    telling = count - sum(machine.ends_with_failure for machine in machines)
    if telling < 2:
        raise TooFewFailures(count)
    longest = max(ends)
    log_ages = fsum(log(age / longest) for age in ages)

    def slope(shape: float) -> float:
        powers = [(end / longest) ** shape for end in ends]
        logs = [log(end / longest) for end in ends]
        weighted = fsum(p * q for p, q in zip(powers, logs, strict=True)) / fsum(powers)
        return count / shape + log_ages - count * weighted

    shape = float(brentq(slope, 1e-6, 1e6, xtol=1e-13, rtol=1e-13))
    scale = count / fsum(end**shape for end in ends)
    # 2 * telling * (true shape) / (fitted shape) is chi-square with 2 * telling degrees of freedom,
    # up to the factor telling / count for the failures that say nothing
    freedom = 2 * telling
    steady = 2 * count / shape
    tail = (1 - confidence) / 2
    p_value = 2 * min(float(chi2.cdf(steady, freedom)), float(chi2.sf(steady, freedom)))
    trend = Trend.STEADY
    if p_value < _SURE:
        trend = Trend.WORSE if shape > 1 else Trend.BETTER
    return PowerLawFit(
        shape=shape,
        scale=scale,
        shape_low=shape * float(chi2.ppf(tail, freedom)) / (2 * count),
        shape_high=shape * float(chi2.ppf(1 - tail, freedom)) / (2 * count),
        failures=count,
        trend=trend,
        trend_p_value=min(1.0, p_value),
        because=_because(trend, shape, count, min(1.0, p_value)),
    )


def _because(trend: Trend, shape: float, failures: int, p_value: float) -> str:
    verdict = {
        Trend.WORSE: "Getting worse: failures come ever faster",
        Trend.STEADY: "No clear trend: failures come at a steady pace as far as can be told",
        Trend.BETTER: "Getting better: failures come ever more slowly",
    }[trend]
    return f"{verdict} ({failures} failures, shape {shape:.2f}, p = {p_value:.2f})."


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureCount:
    """Failures counted between the previous count (or new) and ``until``."""

    until: float
    failures: int


def fit_power_law_to_counts(counts: Sequence[FailureCount]) -> tuple[float, float]:
    """Return shape and scale fitted to failures counted per period, ages not known.

    Raises
    ------
    InvalidInput
        When the periods do not ascend from above 0.
    TooFewFailures
        With failures in fewer than two periods.
    """
    ends = [count.until for count in counts]
    starts = [0.0, *ends[:-1]]
    if any(not start < end for start, end in zip(starts, ends, strict=True)):
        raise InvalidInput(f"the ends of periods must ascend from above 0, got {ends}")
    total = sum(count.failures for count in counts)
    if sum(count.failures > 0 for count in counts) < 2:
        raise TooFewFailures(total)
    last = ends[-1]

    def slope(shape: float) -> float:
        terms = []
        for start, count in zip(starts, counts, strict=True):
            end_power = (count.until / last) ** shape
            start_power = (start / last) ** shape
            start_term = start_power * log(start / last) if start else 0.0
            difference = end_power * log(count.until / last) - start_term
            terms.append(count.failures * difference / (end_power - start_power))
        return fsum(terms)

    shape = float(brentq(slope, 1e-3, 50.0, xtol=1e-13, rtol=1e-13))
    return shape, total / last**shape


@dataclass(frozen=True, slots=True, kw_only=True)
class EconomicLife:
    """The equivalent annual cost of keeping a machine 1, 2, ... years, and the cheapest."""

    annual_cost_minor: tuple[float, ...]
    because: str

    @property
    def years(self) -> int:
        """The number of years with the least annual cost, the fewest where several tie."""
        return self.annual_cost_minor.index(min(self.annual_cost_minor)) + 1


def economic_life(
    *,
    price_minor: float,
    resale_minor: Sequence[float],
    upkeep_minor: Sequence[float],
    interest: float,
) -> EconomicLife:
    """Return the economic life of a machine.

    Parameters
    ----------
    price_minor
        Of a new one, today.
    resale_minor, upkeep_minor
        By year from the first: its worth at the end of the year, and what the year costs (paid at
        its end): repairs, parts, visits, lost sales.
    interest
        Per year, as a share; 0.1 is 10 %.
    """
    if not resale_minor or len(resale_minor) != len(upkeep_minor) or not interest >= 0:
        raise InvalidInput(
            "as many resale values as years of upkeep are needed, at least one, and interest >= 0; "
            f"got {len(resale_minor)}, {len(upkeep_minor)} and {interest}"
        )
    spent, annuity = price_minor, 0.0
    annual: list[float] = []
    for year, (resale, upkeep) in enumerate(zip(resale_minor, upkeep_minor, strict=True), start=1):
        discount = (1 + interest) ** -year
        spent += upkeep * discount
        annuity += discount
        annual.append((spent - resale * discount) / annuity)
    best = annual.index(min(annual)) + 1
    if best < len(annual):
        sentence = f"Cheapest when kept {best} years; each further year costs more than a new one."
    else:
        sentence = f"Still getting cheaper to keep after {best} years, the last that is known."
    return EconomicLife(annual_cost_minor=tuple(annual), because=sentence)
