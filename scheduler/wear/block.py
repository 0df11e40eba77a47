"""Renewing all parts of a kind at the same visit every so often, whatever the age of each.

Block replacement: a part that fails in between is renewed at once, and again with all the others.
The long-run cost per unit of time of doing it every T is

    (planned + failure * renewals(T)) / T,

where renewals(T) is the mean number of failures within T of a part renewed at each of them: the
renewal function. Barlow and Proschan, *Mathematical Theory of Reliability*, Wiley 1965, chapter 4;
the renewal function by the midpoint rule of M. Xie, *Communications in Statistics: Simulation* 18
(1989) 281-293.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidInput
from scheduler.money import money
from scheduler.wear.replacement import LifeLaw, ReplacementAdvice, ReplacementCosts, best_age
from scheduler.wear.weibull import Weibull

_STEPS = 400


def renewals(law: LifeLaw, until: float, *, steps: int = _STEPS) -> NDArray[np.float64]:
    """Return the mean number of failures by each of ``steps`` evenly spaced times up to ``until``.

    Each failed part is renewed at once. Shape ``(steps + 1,)``, from 0 at time 0.
    """
    if not (until > 0 and steps >= 1):
        raise InvalidInput(f"until must be > 0 and steps >= 1, got {until} and {steps}")
    step = until / steps
    at = np.array([1 - law.survival(n * step) for n in range(steps + 1)])
    between = np.array([1 - law.survival((n + 0.5) * step) for n in range(steps)])
    found = np.zeros(steps + 1)
    for n in range(1, steps + 1):
        grown = np.diff(found[:n]) @ between[n - 1 : 0 : -1]
        found[n] = (at[n] + grown - between[0] * found[n - 1]) / (1 - between[0])
    return found


def block_cost_rate(law: LifeLaw, costs: ReplacementCosts, interval: float) -> float:
    """Return the long-run cost per unit of time when all are renewed every ``interval``."""
    failures = float(renewals(law, interval)[-1])
    return (costs.planned_minor + costs.failure_minor * failures) / interval


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockAdvice:
    """Renewing all at the same visit, against renewing each at its own age.

    Attributes
    ----------
    interval
        Between such visits.
    cost_rate
        Per part and unit of time.
    dearer_share
        How much more than the advice for each part by itself, as a share of that; < 0 for less.
    breaks_even_minor
        What one part's renewal must cost less at a shared visit than by itself for both to cost
        the same.
    failures
        Failures of one part between two such visits, on average.
    """

    interval: float
    cost_rate: float
    dearer_share: float
    breaks_even_minor: float
    failures: float
    because: str


def advise_block(
    law: Weibull,
    costs: ReplacementCosts,
    alone: ReplacementAdvice,
    *,
    limit_age: float | None = None,
    unit: str = "days",
    currency: str = "",
) -> BlockAdvice | None:
    """Return the best interval at which to renew all at once; None when that never pays.

    Parameters
    ----------
    alone
        The advice for each part by itself, at the same costs.
    limit_age
        The age by which law or maker want them renewed: the interval is no longer.
    unit, currency
        Of age and of the costs, for the sentence.
    """
    if limit_age is None and best_age(law, costs) is None:
        return None
    longest = min(2 * law.mean, limit_age or 2 * law.mean)
    failures = renewals(law, longest)[1:]
    times = longest * np.arange(1, len(failures) + 1) / len(failures)
    rates = (costs.planned_minor + costs.failure_minor * failures) / times
    best = int(np.argmin(rates))
    if limit_age is None and best == len(rates) - 1:
        return None
    interval, rate = float(times[best]), float(rates[best])
    saving = (rate - alone.cost_rate) * interval
    return BlockAdvice(
        interval=interval,
        cost_rate=rate,
        dearer_share=rate / alone.cost_rate - 1,
        breaks_even_minor=saving,
        failures=float(failures[best]),
        because=_because(interval, rate, alone, money(saving, currency), unit),
    )


def _because(interval: float, rate: float, alone: ReplacementAdvice, saving: str, unit: str) -> str:
    other = "running each until it fails" if alone.age is None else "each at its own age"
    said = f"All at the same visit every {interval:.0f} {unit}"
    dearer = rate / alone.cost_rate - 1
    if dearer <= 0:
        return f"{said}: {-dearer:.0%} cheaper than {other}."
    return (
        f"{said}: {dearer:.1%} dearer than {other}, since young ones are renewed with the old; it "
        f"pays where sharing the visit saves more than {saving} a part."
    )
