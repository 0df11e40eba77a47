"""Reordering in lots against the published example."""

import pytest

from scheduler.reordering import Levels, reorder_levels


def test_two_levels_of_snyder_and_shen() -> None:
    # L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", example 4.7, as printed
    # in the documentation of the stockpyl package: holding cost 1, shortage cost 4, order cost 5,
    # Poisson demand of mean 6: order at 4 up to 10, cost 8.034112 a period
    levels = reorder_levels(mean=6, order_cost=5, holding_cost=1, shortage_cost=4)
    assert (levels.reorder_at, levels.order_up_to) == (4, 10)
    assert levels.cost == pytest.approx(8.034112, abs=5e-7)


def test_without_an_order_cost_it_is_the_newsvendor() -> None:
    # the same documentation, example 4.3 with small numbers: stock 8, cost 3.570107
    levels = reorder_levels(mean=6, order_cost=0, holding_cost=1, shortage_cost=4)
    assert levels == Levels(reorder_at=7, order_up_to=8, cost=pytest.approx(3.570107, abs=5e-7))
