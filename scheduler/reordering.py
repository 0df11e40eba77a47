"""When the workshop orders a part again, and how many.

The policy of two levels: as soon as what lies there and is on its way together is down to s, order
up to S. With a fixed cost for each order it is the best policy there is (H. Scarf, in *Mathematical
Methods in the Social Sciences*, Stanford 1960); the levels are found exactly, as by Y.-S. Zheng and
A. Federgruen, *Operations Research* 39 (1991) 654-665, for a Poisson demand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from math import ceil, exp, expm1

import numpy as np
from numpy.typing import NDArray

from scheduler.catalogue import Catalogue
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.van_stock import PoissonDemand, expected_cost, newsvendor_pieces

_DAYS_PER_YEAR = 365.25
_FEWEST_A_YEAR = 0.5
"""A part asked for less often than every other year is bought when it is needed (practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderPolicy:
    """What ordering costs. Defaults are common practice, no source.

    Attributes
    ----------
    order_minor : fixed cost of an order line: writing, freight, booking in; >= 0.
    carrying_share : cost of carrying a part for a year over its price, > 0.
    shortage_week_minor : what it costs to wait a week for one missing piece, > 0.
    review_days : days between two looks at the shelves, > 0.
    """

    order_minor: float = 600.0
    carrying_share: float = 0.25
    shortage_week_minor: float = 9000.0
    review_days: float = 7.0

    def __post_init__(self) -> None:
        if not self.order_minor >= 0:
            raise InvalidInput(f"order_minor must be >= 0, got {self.order_minor}")
        for name in ("carrying_share", "shortage_week_minor", "review_days"):
            if not getattr(self, name) > 0:
                raise InvalidInput(f"{name} must be > 0, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Once stock and orders on their way are down to ``reorder_at``, order up to ``order_up_to``.

    ``cost`` is the long-run cost of a period: orders, stock and shortages.
    """

    reorder_at: int
    order_up_to: int
    cost: float


def reorder_levels(
    *,
    mean: float,
    order_cost: float,
    holding_cost: float,
    shortage_cost: float,
    lead_periods: int = 0,
) -> Levels:
    """Return the levels of least long-run cost for a Poisson demand.

    Parameters
    ----------
    mean
        Pieces asked for in a period, > 0.
    order_cost
        Of an order of any size, >= 0.
    holding_cost, shortage_cost
        Of a piece for each period it lies there, and for each period somebody waits for it; > 0.
    lead_periods
        Periods from an order to its arrival, at the beginning of a period.
    """
    if not (mean > 0 and order_cost >= 0 and lead_periods >= 0):
        raise InvalidInput(
            "mean must be > 0, order_cost and lead_periods >= 0, "
            f"got {mean}, {order_cost} and {lead_periods}"
        )
    during = PoissonDemand(mean * (lead_periods + 1))
    between_orders = _Course(mean)

    @cache
    def period(level: int) -> float:
        return expected_cost(level, during, shortage_cost, holding_cost)

    def average(low: int, up_to: int) -> float:
        """Cost of a period when an order brings stock up to ``up_to`` as soon as it is ``low``."""
        seen = between_orders.periods(up_to - low)
        costs = [period(up_to - gone) for gone in range(up_to - low)]
        return (order_cost + float(np.dot(seen, costs))) / float(seen.sum())

    up_to = newsvendor_pieces(during.mean, shortage_cost, holding_cost)
    low = up_to - 1
    while average(low, up_to) > period(low):
        low -= 1
    cost = average(low, up_to)
    higher = up_to + 1
    while period(higher) <= cost:  # no higher level can be better
        if average(low, higher) < cost:
            up_to = higher
            while average(low, up_to) <= period(low + 1):
                low += 1
            cost = average(low, up_to)
        higher += 1
    return Levels(reorder_at=low, order_up_to=up_to, cost=cost)


class _Course:
    """How many periods each number of pieces stays gone, from one order to the next."""

    def __init__(self, mean: float) -> None:
        self._mean = mean
        self._periods = [1 / -expm1(-mean)]
        self._chances: list[float] = [exp(-mean)]

    def periods(self, count: int) -> NDArray[np.float64]:
        """Return the mean number of periods with 0, 1, ... ``count - 1`` pieces gone."""
        for gone in range(len(self._periods), count):
            self._chances.append(self._chances[-1] * self._mean / gone)
            earlier = np.dot(self._chances[1:], self._periods[::-1])
            self._periods.append(float(earlier) * self._periods[0])
        return np.array(self._periods[:count])


@dataclass(frozen=True, slots=True, kw_only=True)
class Reorder:
    """One part in the workshop: its levels, and what to order today.

    ``in_stock`` is None where the workshop was never counted; then nothing is said of today.
    """

    part_type: str
    demand_a_year: float
    lead_days: int
    reorder_at: int
    order_up_to: int
    cost_a_year_minor: float
    in_stock: int | None
    order_now: int


def reorders(
    demand_a_year: Mapping[str, float],
    workshop: Mapping[str, int] | None,
    catalogue: Catalogue,
    policy: OrderPolicy,
) -> tuple[Reorder, ...]:
    """Return the levels of every part worth keeping, what has to be ordered now first.

    Parameters
    ----------
    demand_a_year
        Part type -> pieces; those asked for hardly ever are left out.
    workshop
        Pieces counted there; what is on order already is not known and has to be taken off.

    Raises
    ------
    UnknownReference
        When a part is not in the catalogue.
    """
    years = policy.review_days / _DAYS_PER_YEAR
    found = []
    for part, demand in sorted(demand_a_year.items()):
        if part not in catalogue.part_types:
            raise UnknownReference("part type", part, catalogue.part_types)
        if demand < _FEWEST_A_YEAR:
            continue
        known = catalogue.part_types[part]
        levels = reorder_levels(
            mean=demand * years,
            order_cost=policy.order_minor,
            holding_cost=max(1, known.price_minor) * policy.carrying_share * years,
            shortage_cost=policy.shortage_week_minor * policy.review_days / 7,
            lead_periods=ceil(known.lead_days / policy.review_days),
        )
        in_stock = None if workshop is None else workshop.get(part, 0)
        short = in_stock is not None and in_stock <= levels.reorder_at
        found.append(
            Reorder(
                part_type=part,
                demand_a_year=demand,
                lead_days=known.lead_days,
                reorder_at=levels.reorder_at,
                order_up_to=levels.order_up_to,
                cost_a_year_minor=levels.cost / years,
                in_stock=in_stock,
                order_now=levels.order_up_to - in_stock if short and in_stock is not None else 0,
            )
        )
    return tuple(sorted(found, key=lambda each: (each.order_now == 0, each.part_type)))
