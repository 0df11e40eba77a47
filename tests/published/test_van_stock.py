"""The newsvendor against the published example."""

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from scheduler.van_stock import (
    PoissonDemand,
    critical_ratio,
    expected_cost,
    newsvendor_pieces,
)


def test_poisson_newsvendor_of_snyder_and_shen() -> None:
    # L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", example 4.3 with a
    # Poisson demand, as printed in the documentation of the stockpyl package: holding cost 0.18,
    # shortage cost 0.70, mean 50: stock 56, cost 1.797235.
    assert newsvendor_pieces(50, 0.70, 0.18) == 56
    assert expected_cost(56, PoissonDemand(50), 0.70, 0.18) == pytest.approx(1.797235, abs=1e-6)


def test_small_poisson_newsvendor_of_stockpyl() -> None:
    # The same documentation: holding cost 1, shortage cost 4, mean 6: stock 8, cost 3.570107.
    assert newsvendor_pieces(6, 4, 1) == 8
    assert expected_cost(8, PoissonDemand(6), 4, 1) == pytest.approx(3.570107, abs=1e-6)


class NormalDemand:
    """Fifty on average, eight either way."""

    mean = 50.0

    def left_over(self, stock: float) -> float:
        return float(quad(norm(50, 8).cdf, -100, stock)[0])


def test_normal_newsvendor_of_snyder_and_shen() -> None:
    # The same book, example 4.3 itself: demand normal with mean 50 and deviation 8: stock 56.6040,
    # cost 1.99761. The critical ratio and the cost are ours, the normal law is scipy's.
    stock = norm(50, 8).ppf(critical_ratio(0.70, 0.18))
    assert stock == pytest.approx(56.6040, abs=5e-5)
    cost = expected_cost(stock, NormalDemand(), 0.70, 0.18)
    assert cost == pytest.approx(1.99761, abs=5e-6)


def test_expected_shortages_of_a_unit_poisson_demand() -> None:
    # Mean shortage of a Poisson demand of mean 1 at a stock of 0, 1, 2, 3 (any table of the
    # Poisson loss function): 1, .3679, .1036, .0233.
    losses = [expected_cost(pieces, PoissonDemand(1.0), 1.0, 0.0) for pieces in range(4)]
    assert losses == pytest.approx([1.0, 0.3679, 0.1036, 0.0233], abs=5e-5)
