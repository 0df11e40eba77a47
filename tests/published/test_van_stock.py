"""The newsvendor against the published example."""

import pytest

from scheduler.van_stock import expected_cost, newsvendor_pieces


def test_poisson_newsvendor_of_snyder_and_shen() -> None:
    # L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", example 4.3 with a
    # Poisson demand, as printed in the documentation of the stockpyl package: holding cost 0.18,
    # shortage cost 0.70, mean 50: stock 56, cost 1.797235.
    assert newsvendor_pieces(50, 0.70, 0.18) == 56
    assert expected_cost(56, 50, 0.70, 0.18) == pytest.approx(1.797235, abs=1e-6)


def test_small_poisson_newsvendor_of_stockpyl() -> None:
    # The same documentation: holding cost 1, shortage cost 4, mean 6: stock 8, cost 3.570107.
    assert newsvendor_pieces(6, 4, 1) == 8
    assert expected_cost(8, 6, 4, 1) == pytest.approx(3.570107, abs=1e-6)
