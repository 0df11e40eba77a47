"""What share of parts is still good at each age, taking nothing for granted about the law.

Kaplan and Meier's product limit, *J. Amer. Statist. Assoc.* 53 (1958) 457-481, with Greenwood's
variance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

from scipy.special import ndtri

from scheduler.wear.lives import Life


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalStep:
    """The curve from one failure age to the next.

    ``low`` and ``high`` are limits on the log-log scale, so they stay within 0 and 1.
    """

    age: float
    at_risk: int
    failures: int
    survival: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalCurve:
    """The share still good at each age: 1 before the first step, flat between steps."""

    steps: tuple[SurvivalStep, ...]
    censored_ages: tuple[float, ...]
    """Where lives were cut short, for the marks on a drawing; ascending."""

    def survival_at(self, age: float) -> float:
        """Return the share still good just after ``age``."""
        share = 1.0
        for step in self.steps:
            if step.age > age:
                break
            share = step.survival
        return share

    @property
    def median(self) -> float | None:
        """The age by which half have failed, None when fewer did."""
        return next((step.age for step in self.steps if step.survival <= 0.5), None)


def kaplan_meier(lives: Sequence[Life], *, confidence: float = 0.95) -> SurvivalCurve:
    """Return the survival curve of lives, right-censored and left-truncated ones included.

    A life cut short at the age of a failure counts as at risk of it.
    """
    quantile = float(ndtri((1 + confidence) / 2))
    survival, greenwood = 1.0, 0.0
    steps: list[SurvivalStep] = []
    for age in sorted({life.age for life in lives if life.failed}):
        at_risk = sum(life.known_from < age <= life.age for life in lives)
        failures = sum(life.failed and life.age == age for life in lives)
        survival *= 1 - failures / at_risk
        if survival > 0:
            greenwood += failures / (at_risk * (at_risk - failures))
            reach = quantile * sqrt(greenwood) / -log(survival)
            low, high = survival ** exp(reach), survival ** exp(-reach)
        else:
            low = high = 0.0
        steps.append(
            SurvivalStep(
                age=age,
                at_risk=at_risk,
                failures=failures,
                survival=survival,
                low=low,
                high=high,
            )
        )
    censored = sorted(life.age for life in lives if not life.failed)
    return SurvivalCurve(steps=tuple(steps), censored_ages=tuple(censored))
