"""Lot sizes that have been published, through the same dynamic programme that groups visits.

A period is a due date, its demand what each day of earliness costs, the order cost one visit.
"""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from scheduler.grouping import cheapest_cut as plain_cut
from scheduler.routing.kernel.compiling import compiled_entry
from tests.scheduler.test_grouping import set_partitions

cheapest_cut = compiled_entry(plain_cut, None)


def lot_sizes(
    demand: Sequence[float], order: Sequence[float], holding: float
) -> tuple[float, list[int]]:
    """The least cost, and the periods (from 1) in which to order for a run of periods."""
    count = len(demand)
    costs = np.full((count, count + 1), np.inf)
    for first in range(count):
        for end in range(first + 1, count + 1):
            kept = sum((period - first) * demand[period] for period in range(first, end))
            costs[first, end] = order[first] + holding * kept
    cut = np.zeros(count + 1, np.int64)
    cost = cheapest_cut(count, costs, np.zeros(count + 1), cut)
    periods = []
    end = count
    while end > 0:
        end = int(cut[end])
        periods.append(end + 1)
    return cost, periods[::-1]


def test_four_periods_of_snyder_and_shen() -> None:
    # L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", example 3.9, as
    # printed in the documentation of the stockpyl package: fixed cost 500, holding cost 2,
    # demand 90, 120, 80, 70: cost 1380, orders of 210 and 150 in periods 1 and 3.
    assert lot_sizes([90, 120, 80, 70], [500] * 4, 2) == (1380.0, [1, 3])


def test_twelve_months_of_wagner_and_whitin() -> None:
    # H. M. Wagner and T. M. Whitin, Management Science 5(1), 1958, the article's own example:
    # least cost 864, orders in months 1, 3, 5, 8, 10 and 11. From memory.
    cost, months = lot_sizes(
        [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56],
        [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114],
        1,
    )
    assert cost == pytest.approx(864)
    assert months == [1, 3, 5, 8, 10, 11]


@pytest.mark.parametrize("seed", range(12))
def test_neighbours_are_enough_for_the_form_of_wildeman(seed: int) -> None:
    # R. E. Wildeman, R. Dekker and A. C. J. M. Smit, European Journal of Operational Research 99,
    # 1997 (method from memory; its own example is not reproduced, the tables could not be had):
    # jobs with tentative days x_i; moving one by d days costs h_i(d), here w_i d^2 when later and
    # w_i d^2 / 2 when earlier; a group of k saves k - 1 set-ups. Over 12 random cases of 7 jobs the
    # cut into neighbours is as cheap as the best of all 877 partitions (computed: gap 0.0000).
    draw = np.random.default_rng(seed)
    count, set_up = 7, 40.0
    days = np.sort(draw.uniform(0, 60, count))
    weights = draw.uniform(0.05, 1.0, count)

    def cost(group: Sequence[int]) -> float:
        members = list(group)

        def moved(day: float) -> float:
            late = day - days[members]
            return float((weights[members] * late**2 * np.where(late < 0, 0.5, 1.0)).sum())

        best = minimize_scalar(
            moved, bounds=(days.min(), days.max()), method="bounded", options={"xatol": 1e-9}
        )
        return set_up + float(best.fun)

    costs = np.full((count, count + 1), np.inf)
    for first in range(count):
        for end in range(first + 1, count + 1):
            costs[first, end] = cost(range(first, end))
    found = cheapest_cut(count, costs, np.zeros(count + 1), np.zeros(count + 1, np.int64))
    known: dict[tuple[int, ...], float] = {}
    best = min(
        sum(
            known.setdefault(tuple(group), known.get(tuple(group)) or cost(group)) for group in each
        )
        for each in set_partitions(list(range(count)))
    )
    assert found == pytest.approx(best, abs=5e-5)
    assert found < count * set_up  # some do share
