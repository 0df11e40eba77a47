"""Whether a machine that is repaired again and again is getting worse, and when to give it up.

The power-law process of Crow (MIL-HDBK-189): by age t a machine has failed scale * t ** shape times
on average; shape above 1 means failures come ever faster. The test is Crow's chi-square of shape 1,
or the likelihood ratio where machines were not watched from new. Economic life is the number of
years with the least equivalent annual cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import exp, fsum, log, sqrt

from scipy.optimize import brentq
from scipy.special import chdtr, chdtrc, gammaincinv, ndtri

from scheduler.errors import InvalidInput, TooFewFailures

_SURE = 0.1  # a trend is spoken of when chance would show it less often (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureRecord:
    """The ages at which one machine failed while it was watched, from new unless said otherwise.

    ``ends_with_failure`` says that watching stopped at the last failure (failure truncated), not
    at an age that was fixed beforehand.
    """

    failure_ages: tuple[float, ...]
    watched_until: float
    watched_from: float = 0.0
    ends_with_failure: bool = False

    def __post_init__(self) -> None:
        ages = self.failure_ages
        if not 0 <= self.watched_from < self.watched_until:
            raise InvalidInput(
                "a machine is watched from an age >= 0 to a later one, "
                f"got {self.watched_from} and {self.watched_until}"
            )
        if list(ages) != sorted(ages) or (
            ages and not self.watched_from < ages[0] <= ages[-1] <= self.watched_until
        ):
            raise InvalidInput(
                f"failure ages must ascend from above {self.watched_from:g} to watched_until, "
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
    count = len(ages)
    # of a record that ends with a failure, that failure says nothing about the shape
    telling = count - sum(machine.ends_with_failure for machine in machines)
    if telling < 2:
        raise TooFewFailures(count)
    likelihood = _PowerLaw(machines)
    shape = float(brentq(likelihood.slope, 1e-6, 1e3, xtol=1e-13, rtol=1e-13))
    scale = count / likelihood.exposure(shape)
    tail = (1 - confidence) / 2
    if any(machine.watched_from for machine in machines):
        p_value = float(chdtrc(1, max(0.0, 2 * (likelihood(shape) - likelihood(1.0)))))
        reach = exp(float(ndtri(1 - tail)) * likelihood.spread(shape))
        low, high = shape / reach, shape * reach
    else:
        # 2 * telling * (true shape) / (fitted shape) is chi-square with 2 * telling degrees of
        # freedom, up to the factor telling / count for the failures that say nothing; half of that
        # is gamma with shape telling
        freedom = 2 * telling
        steady = 2 * count / shape
        p_value = 2 * min(float(chdtr(freedom, steady)), float(chdtrc(freedom, steady)))
        low, high = (
            shape * float(gammaincinv(telling, share)) / count for share in (tail, 1 - tail)
        )
    trend = Trend.STEADY
    if p_value < _SURE:
        trend = Trend.WORSE if shape > 1 else Trend.BETTER
    return PowerLawFit(
        shape=shape,
        scale=scale,
        shape_low=low,
        shape_high=high,
        failures=count,
        trend=trend,
        trend_p_value=min(1.0, p_value),
        because=_because(trend, shape, count, min(1.0, p_value)),
    )


class _PowerLaw:
    """The logarithm of the likelihood of failures, by the shape, at the best scale for it."""

    def __init__(self, machines: Sequence[FailureRecord]) -> None:
        self._spans = [(machine.watched_from, machine.watched_until) for machine in machines]
        self._longest = max(end for _, end in self._spans)
        # ages as shares of the longest, so that no power of them overflows
        self._logs = [log(age / self._longest) for m in machines for age in m.failure_ages]

    def exposure(self, shape: float) -> float:
        """Return the failures expected in all at scale 1."""
        return fsum(end**shape - begin**shape for begin, end in self._spans)

    def __call__(self, shape: float) -> float:
        count = len(self._logs)
        relative = self.exposure(shape) / self._longest**shape
        return count * (log(shape) - log(relative)) + (shape - 1) * fsum(self._logs)

    def slope(self, shape: float) -> float:
        weights, weighted = 0.0, 0.0
        for begin, end in self._spans:
            for age, sign in ((end, 1.0), (begin, -1.0)):
                if age:
                    power = sign * (age / self._longest) ** shape
                    weights += power
                    weighted += power * log(age / self._longest)
        count = len(self._logs)
        return count / shape + fsum(self._logs) - count * weighted / weights

    def spread(self, shape: float) -> float:
        """Return the standard deviation of the logarithm of the shape."""
        step = 1e-4 * shape
        curvature = (self.slope(shape + step) - self.slope(shape - step)) / (2 * step)
        return 1 / (shape * sqrt(-curvature))


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
    starts = [0.0, *ends][: len(ends)]
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
