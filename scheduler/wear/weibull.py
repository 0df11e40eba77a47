"""The Weibull law of life, and fitting it to lives of which most were cut short.

Maximum likelihood with right censoring and left truncation. With few failures a weak prior takes
part, and without any the shape is the prior's altogether; the result says so. Confidence limits
are normal on the logarithms (observed information); whether parts age at all is the likelihood-
ratio test of shape 1. Meeker and Escobar, *Statistical Methods for Reliability Data*, Wiley 1998,
chapters 8 and 14.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize
from scipy.special import chdtrc, gamma, gammainc, ndtri

from scheduler.errors import InvalidInput, TooFewFailures
from scheduler.wear.lives import Life

FEWEST_FAILURES = 10
"""With fewer, the shape is so uncertain that a prior has to help (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """Survival to age t with probability exp(-(t / scale) ** shape).

    ``shape`` below 1: early failures; 1: age does not matter; above 1: wear-out. ``scale`` is the
    age by which 63.2 % have failed.
    """

    shape: float
    scale: float

    def __post_init__(self) -> None:
        if not (0 < self.shape < inf and 0 < self.scale < inf):
            raise InvalidInput(
                f"shape and scale must be > 0, got shape {self.shape} and scale {self.scale}"
            )

    def survival(self, age: float) -> float:
        """Return the probability of lasting beyond ``age``."""
        return exp(-((age / self.scale) ** self.shape))

    def hazard(self, age: float) -> float:
        """Return the failure rate at ``age``, given survival to it; infinite at 0 for shape < 1."""
        if age == 0:
            return inf if self.shape < 1 else (1 / self.scale if self.shape == 1 else 0.0)
        return float(self.shape / self.scale * (age / self.scale) ** (self.shape - 1))

    def fails_within(self, age: float, further: float) -> float:
        """Return the probability that a part good at ``age`` fails within ``further``."""
        begun, done = ((x / self.scale) ** self.shape for x in (age, age + further))
        return 1 - exp(begun - done)

    def mean_until(self, age: float) -> float:
        """Return the mean of life cut off at ``age``: the integral of survival from 0."""
        whole = self.scale * gamma(1 + 1 / self.shape)
        return float(whole * gammainc(1 / self.shape, (age / self.scale) ** self.shape))

    @property
    def mean(self) -> float:
        """The mean life."""
        return float(self.scale * gamma(1 + 1 / self.shape))

    @property
    def standard_deviation(self) -> float:
        """The standard deviation of life."""
        first, second = (gamma(1 + n / self.shape) for n in (1, 2))
        return float(self.scale * sqrt(second - first**2))

    def quantile(self, share: float) -> float:
        """Return the age by which a share of all have failed, 0 <= share < 1."""
        return float(self.scale * (-np.log1p(-share)) ** (1 / self.shape))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is thought of a part type before its own failures speak.

    The spreads are standard deviations of the natural logarithm: 0.5 says "within a factor of e
    with 95 %", which a dozen failures outweigh.
    """

    law: Weibull
    shape_spread: float = 0.5
    scale_spread: float = 0.7

    def __post_init__(self) -> None:
        if not (self.shape_spread > 0 and self.scale_spread > 0):
            raise InvalidInput(
                "the spreads of a prior must be > 0, "
                f"got {self.shape_spread} and {self.scale_spread}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """A confidence interval."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WeibullFit:
    """A law fitted to lives, and how far it can be trusted.

    Attributes
    ----------
    shape, scale
        Confidence limits.
    log_likelihood
        Of the lives at the fitted law, the prior left out.
    ageing_p_value
        Of the likelihood-ratio test of shape 1: the chance of lives as telling as these if age
        did not matter. None without a failure.
    prior
        The prior that took part, None when the lives spoke alone.
    """

    law: Weibull
    shape: Limits
    scale: Limits
    failures: int
    censored: int
    log_likelihood: float
    ageing_p_value: float | None
    prior: Prior | None
    because: str

    @property
    def akaike(self) -> float:
        """Akaike's criterion, for comparing laws fitted to the same lives."""
        return 2 * 2 - 2 * self.log_likelihood


def fit_weibull(
    lives: Sequence[Life],
    prior: Prior | None = None,
    *,
    confidence: float = 0.95,
    unit: str = "days",
) -> WeibullFit:
    """Fit a Weibull law to lives.

    Parameters
    ----------
    lives
        In one unit.
    prior
        Takes part only with fewer than ``FEWEST_FAILURES`` failures.
    confidence
        Of the limits.
    unit
        Of the lives, for the sentence.

    Raises
    ------
    TooFewFailures
        When the lives alone do not determine a law (fewer than two different failure ages, as a
        rule) and there is no prior.
    """
    failures = sum(life.failed for life in lives)
    helped = prior if failures < FEWEST_FAILURES else None
    likelihood = _Likelihood(lives)
    if helped is None:
        logs = likelihood.maximum()
    elif failures:
        logs = likelihood.maximum_with(helped)
    else:
        logs = likelihood.maximum_of_scale(helped)
    information = -likelihood.second_derivatives(logs)
    if not failures:
        information[0, :] = information[:, 0] = 0.0
    if helped is not None:
        information += np.diag([helped.shape_spread**-2, helped.scale_spread**-2])
    spreads = np.sqrt(np.diag(np.linalg.inv(information)))
    quantile = float(ndtri((1 + confidence) / 2))
    shape, scale = (
        Limits(low=exp(value - quantile * spread), high=exp(value + quantile * spread))
        for value, spread in zip(logs, spreads, strict=True)
    )
    law = Weibull(shape=exp(logs[0]), scale=exp(logs[1]))
    return WeibullFit(
        law=law,
        shape=shape,
        scale=scale,
        failures=failures,
        censored=len(lives) - failures,
        log_likelihood=likelihood.value(logs),
        ageing_p_value=likelihood.ageing_p_value(),
        prior=helped,
        because=_because(law, shape, failures, len(lives) - failures, helped, unit),
    )


class _Likelihood:
    """The logarithm of the likelihood of lives, in ln shape and ln scale."""

    def __init__(self, lives: Sequence[Life]) -> None:
        self.failed_ages = np.array([life.age for life in lives if life.failed])
        # each life adds its hazard up to its age and takes off what came before it was watched
        self.ages = np.array(
            [life.age for life in lives] + [life.known_from for life in lives if life.known_from]
        )
        self.signs = np.array([1.0] * len(lives) + [-1.0] * (len(self.ages) - len(lives)))

    def value(self, logs: NDArray[np.float64]) -> float:
        log_shape, log_scale = logs
        shape = exp(log_shape)
        hazards = np.exp(shape * (np.log(self.ages) - log_scale))
        log_failed = np.log(self.failed_ages)
        densities = log_shape - log_failed + shape * (log_failed - log_scale)
        return float(densities.sum() - (self.signs * hazards).sum())

    def first_derivatives(self, logs: NDArray[np.float64]) -> NDArray[np.float64]:
        shape = exp(logs[0])
        reached = shape * (np.log(self.ages) - logs[1])
        hazards = self.signs * np.exp(reached)
        failed = shape * (np.log(self.failed_ages) - logs[1])
        return np.array(
            [
                (1 + failed).sum() - (hazards * reached).sum(),
                shape * (hazards.sum() - len(failed)),
            ]
        )

    def second_derivatives(self, logs: NDArray[np.float64]) -> NDArray[np.float64]:
        shape = exp(logs[0])
        reached = shape * (np.log(self.ages) - logs[1])
        hazards = self.signs * np.exp(reached)
        failed = shape * (np.log(self.failed_ages) - logs[1])
        in_shape = failed.sum() - (hazards * (reached + reached**2)).sum()
        in_both = shape * ((hazards * (1 + reached)).sum() - len(failed))
        in_scale = -(shape**2) * hazards.sum()
        return np.array([[in_shape, in_both], [in_both, in_scale]])

    def maximum(self) -> NDArray[np.float64]:
        """Return the maximum by its profile: for a shape the best scale is known outright."""
        count = len(self.failed_ages)
        if not count:
            raise TooFewFailures(0)
        log_ages = np.log(self.ages / self.ages.max())
        mean_log_failed = float(np.log(self.failed_ages / self.ages.max()).mean())

        def slope(shape: float) -> float:
            weights = self.signs * np.exp(shape * log_ages)
            mean_log = float((weights * log_ages).sum() / weights.sum())
            return 1 / shape + mean_log_failed - mean_log

        low, high = 1e-3, 1e3
        if not (slope(low) > 0 > slope(high)):
            raise TooFewFailures(count)
        shape = float(brentq(slope, low, high, xtol=1e-13, rtol=1e-13))
        exposure = float((self.signs * np.exp(shape * log_ages)).sum())
        log_scale = log(self.ages.max()) + log(exposure / count) / shape
        return np.array([log(shape), log_scale])

    def maximum_with(self, prior: Prior) -> NDArray[np.float64]:
        """Return the maximum of the likelihood times a normal prior on the logarithms."""
        centre = np.array([log(prior.law.shape), log(prior.law.scale)])
        weights = np.array([prior.shape_spread**-2, prior.scale_spread**-2])
        found = minimize(
            lambda logs: -self.value(logs) + (weights * (logs - centre) ** 2).sum() / 2,
            centre,
            jac=lambda logs: -self.first_derivatives(logs) + weights * (logs - centre),
            hess=lambda logs: -self.second_derivatives(logs) + np.diag(weights),
            method="trust-exact",
            options={"gtol": 1e-9},
        )
        logs: NDArray[np.float64] = found.x
        return logs

    def maximum_of_scale(self, prior: Prior) -> NDArray[np.float64]:
        """Return the same at the prior's shape, of which lives without a failure tell nothing."""
        log_shape, centre = log(prior.law.shape), log(prior.law.scale)

        def slope(log_scale: float) -> float:
            in_scale = self.first_derivatives(np.array([log_shape, log_scale]))[1]
            return float(in_scale) - (log_scale - centre) / prior.scale_spread**2

        # survivors can only lengthen the assumed life
        longest = max([centre, *np.log(self.ages)]) + 20
        return np.array([log_shape, brentq(slope, centre - 1e-9, longest, xtol=1e-12)])

    def ageing_p_value(self) -> float | None:
        count = len(self.failed_ages)
        if not count:
            return None
        exposure = float((self.signs * self.ages).sum())
        without_age = np.array([0.0, log(exposure / count)])
        try:
            best = self.value(self.maximum())
        except TooFewFailures:
            return 1.0
        return float(chdtrc(1, max(0.0, 2 * (best - self.value(without_age)))))


def _because(
    law: Weibull, shape: Limits, failures: int, censored: int, prior: Prior | None, unit: str
) -> str:
    if failures == 0:
        ageing = "none has failed yet"
    elif prior is not None:
        ageing = "too few have failed to tell whether it wears out"
    elif shape.low > 1:
        ageing = "it wears out"
    elif shape.high < 1:
        ageing = "it fails early or not at all"
    else:
        ageing = "whether it wears out is not certain"
    source = f"{failures} failures and {censored} lives cut short"
    if prior is not None:
        source += f"; an assumed shape of {prior.law.shape:g} and scale of {prior.law.scale:g} help"
    return (
        f"Shape {law.shape:.2f} ({shape.low:.2f} to {shape.high:.2f}), mean life {law.mean:.0f} "
        f"{unit}: {ageing} ({source})."
    )
