"""Lot sizes that have been published, through the same dynamic programme that groups visits.

A period is a due date, its demand what each day of earliness costs, the order cost one visit.
"""

from collections.abc import Iterator, Sequence

import pytest

from scheduler.grouping import Grouping, cheapest_groups


def lot_sizes(demand: Sequence[float], order: Sequence[float], holding: float) -> Grouping:
    """Order for a run of periods in its first one; what is kept costs ``holding`` a period."""

    def costs(end: int) -> Iterator[float]:
        held = 0.0
        units = 0.0
        for first in range(end - 1, -1, -1):
            held += holding * units  # everything later in the run is kept one period longer
            units += demand[first]
            yield order[first] + held

    return cheapest_groups(len(demand), costs)


def test_four_periods_of_snyder_and_shen() -> None:
    # L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory", example 3.9, as
    # printed in the documentation of the stockpyl package: fixed cost 500, holding cost 2,
    # demand 90, 120, 80, 70: cost 1380, orders of 210 and 150 in periods 1 and 3.
    assert lot_sizes([90, 120, 80, 70], [500] * 4, 2) == Grouping(
        groups=((0, 2), (2, 4)), cost=1380.0
    )


def test_twelve_months_of_wagner_and_whitin() -> None:
    # H. M. Wagner and T. M. Whitin, Management Science 5(1), 1958, the article's own example:
    # least cost 864, orders in months 1, 3, 5, 8, 10 and 11. From memory.
    result = lot_sizes(
        [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56],
        [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114],
        1,
    )
    assert result.cost == pytest.approx(864)
    assert [first + 1 for first, _ in result.groups] == [1, 3, 5, 8, 10, 11]
