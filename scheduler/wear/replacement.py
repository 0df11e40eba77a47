"""Whether to replace a part before it fails, at which age, and whether to do it today.

Age replacement: Barlow and Proschan, *Mathematical Theory of Reliability*, Wiley 1965, chapter 4.
The long-run cost per unit of age under "replace at age T or at failure" is

    (planned * survival(T) + failure * (1 - survival(T))) / mean_until(T)

and its minimum, for a rising hazard, is where
hazard(T) * mean_until(T) - (1 - survival(T)) = planned / (failure - planned).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Protocol

from scipy.optimize import brentq

from scheduler.errors import InvalidInput
from scheduler.wear.weibull import Weibull

WORTH_WHILE = 0.05
"""The least share of cost that planned replacement must save (common practice, no source)."""


class LifeLaw(Protocol):
    """Any law of life: a fitted one, or a step curve."""

    def survival(self, age: float) -> float:
        """Return the probability of lasting beyond ``age``."""
        ...

    def mean_until(self, age: float) -> float:
        """Return the integral of survival from 0 to ``age``."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementCosts:
    """What one replacement costs, in minor units of money.

    Attributes
    ----------
    planned_minor
        At a planned visit: the part, the hands-on minutes and its share of the visit.
    failure_minor
        At a failure: the part, the emergency visit, the café's loss while down, other damage.
    """

    planned_minor: float
    failure_minor: float

    def __post_init__(self) -> None:
        if not (self.planned_minor > 0 and self.failure_minor > 0):
            raise InvalidInput(
                "costs must be > 0, "
                f"got planned {self.planned_minor} and failure {self.failure_minor}"
            )


def cost_rate(law: LifeLaw, costs: ReplacementCosts, age: float) -> float:
    """Return the long-run cost per unit of age when replaced at ``age`` or at failure."""
    survival = law.survival(age)
    per_cycle = costs.planned_minor * survival + costs.failure_minor * (1 - survival)
    return per_cycle / law.mean_until(age)


def best_age(law: Weibull, costs: ReplacementCosts) -> float | None:
    """Return the age of least cost; None when running until failure is never beaten.

    That is so when the hazard does not rise (shape <= 1) or a failure costs no more than a planned
    replacement.
    """
    if law.shape <= 1 or costs.failure_minor <= costs.planned_minor:
        return None
    target = costs.planned_minor / (costs.failure_minor - costs.planned_minor)

    def excess(age: float) -> float:
        return law.hazard(age) * law.mean_until(age) - (1 - law.survival(age)) - target

    # beyond this age hardly a part is left; what a later replacement saves is nothing
    last = law.quantile(1 - 1e-12)
    if excess(last) < 0:
        return None
    return float(brentq(excess, 0.0, last, xtol=1e-10 * law.scale, rtol=1e-14))


class Verdict(StrEnum):
    """What to do with a part type."""

    REPLACE_AT_AGE = "replace_at_age"
    RUN_UNTIL_FAILURE = "run_until_failure"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementAdvice:
    """When to replace a part, with the numbers behind it.

    Attributes
    ----------
    age
        At which to replace it; None with ``RUN_UNTIL_FAILURE``.
    cost_rate, cost_rate_run_until_failure
        Long-run cost per unit of age with the advice and without any planned replacement.
    fails_before
        Share of parts that fail before that age all the same (1 when run until failure).
    limited
        Whether a limit of law or maker decided the age.
    """

    verdict: Verdict
    age: float | None
    cost_rate: float
    cost_rate_run_until_failure: float
    fails_before: float
    limited: bool
    because: str

    @property
    def saving_share(self) -> float:
        """Share of the cost of running until failure that the advice saves; < 0 for a limit."""
        return 1 - self.cost_rate / self.cost_rate_run_until_failure


def advise_replacement(
    law: Weibull,
    costs: ReplacementCosts,
    *,
    limit_age: float | None = None,
    unit: str = "days",
) -> ReplacementAdvice:
    """Return the best age to replace a part, or to run it until it fails.

    Parameters
    ----------
    limit_age
        The age by which law or maker want it replaced. It always wins over an older age.
    unit
        Of age, for the sentence.
    """
    without = costs.failure_minor / law.mean
    age = best_age(law, costs)
    if age is not None and 1 - cost_rate(law, costs, age) / without < WORTH_WHILE:
        age = None
    limited = limit_age is not None and (age is None or limit_age < age)
    if limited:
        age = limit_age
    if age is None:
        return ReplacementAdvice(
            verdict=Verdict.RUN_UNTIL_FAILURE,
            age=None,
            cost_rate=without,
            cost_rate_run_until_failure=without,
            fails_before=1.0,
            limited=False,
            because=_why_run(law, costs),
        )
    rate = cost_rate(law, costs, age)
    fails_before = 1 - law.survival(age)
    if limited:
        reason = "law or maker ask for it, whatever it saves"
    else:
        reason = f"it costs {1 - rate / without:.0%} less than running until it fails"
    return ReplacementAdvice(
        verdict=Verdict.REPLACE_AT_AGE,
        age=age,
        cost_rate=rate,
        cost_rate_run_until_failure=without,
        fails_before=fails_before,
        limited=limited,
        because=f"Replace at {age:.0f} {unit}: {reason}; {fails_before:.0%} fail before then.",
    )


def _why_run(law: Weibull, costs: ReplacementCosts) -> str:
    if costs.failure_minor <= costs.planned_minor:
        return "Run until it fails: a failure costs no more than a planned replacement."
    if law.shape <= 1:
        return "Run until it fails: an old one is no likelier to fail than a new one."
    return f"Run until it fails: replacing early would save less than {WORTH_WHILE:.0%}."


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayAdvice:
    """Whether to change a part now or leave it till the next visit.

    Attributes
    ----------
    change
        The verdict: change it today.
    fails_before_next
        Probability that it fails before the next visit if left.
    cost_of_leaving_minor
        What leaving it costs more (or, below 0, saves) on average: the risk of a failure against
        the life that changing it today would throw away.
    """

    change: bool
    fails_before_next: float
    cost_of_leaving_minor: float
    limited: bool
    because: str


def change_today(
    law: Weibull,
    costs: ReplacementCosts,
    *,
    age: float,
    until_next_visit: float,
    today_minor: float,
    limit_age: float | None = None,
) -> TodayAdvice:
    """Return whether to change a part now that somebody is here.

    Leaving it puts the whole chain of later replacements off by the time it still lasts, which is
    worth that time at the long-run cost rate; changing it avoids failures before the next visit.

    Parameters
    ----------
    age
        Of the part now.
    until_next_visit
        In the unit of age, > 0.
    today_minor
        Changing it today or at the next visit: the part and the minutes, no share of the visit,
        which takes place anyway.
    limit_age
        The age by which law or maker want it replaced: changed today if the next visit is later.
    """
    if not (age >= 0 and until_next_visit > 0 and today_minor > 0):
        raise InvalidInput(
            "age must be >= 0, until_next_visit and today_minor > 0, "
            f"got {age}, {until_next_visit} and {today_minor}"
        )
    best = best_age(law, costs)
    long_run = cost_rate(law, costs, best) if best else costs.failure_minor / law.mean
    fails = law.fails_within(age, until_next_visit)
    # the mean time it still serves before it fails or the next visit comes
    serves = (law.mean_until(age + until_next_visit) - law.mean_until(age)) / law.survival(age)
    leaving = fails * costs.failure_minor + (1 - fails) * today_minor - long_run * serves
    extra = leaving - today_minor
    limited = limit_age is not None and age + until_next_visit > limit_age
    change = limited or extra > 0
    share = "less than 1%" if fails < 0.01 else f"{fails:.0%}"
    chance = f"a chance of {share} that it fails before the next visit"
    if limited:
        because = f"Change it today: by the next visit it would be past its limit; {chance}."
    elif change:
        because = f"Change it today: {chance} costs more than the life it still has in it."
    else:
        because = f"Leave it: {chance} costs less than the life that would be thrown away."
    return TodayAdvice(
        change=change,
        fails_before_next=fails,
        cost_of_leaving_minor=extra,
        limited=limited,
        because=because,
    )


def minimal_repair_age(law: Weibull, *, overhaul_minor: float, repair_minor: float) -> float:
    """Return the best age to overhaul something whose failures are only patched up till then.

    Each repair leaves it as old as it was, so failures come at the hazard of ``law``; infinite when
    that does not rise. Barlow and Hunter, *Operations Research* 8 (1960) 90-100.
    """
    if law.shape <= 1:
        return inf
    ratio = overhaul_minor / (repair_minor * (law.shape - 1))
    return float(law.scale * ratio ** (1 / law.shape))
