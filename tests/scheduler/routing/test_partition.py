"""Set partitioning by diving, against a solver of whole numbers: HiGHS, by way of scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csc_array

from scheduler.routing.partition import Columns, cheapest_choice

MANY = 100_000


@st.composite
def choices(draw: st.DrawFn) -> Columns:
    """Columns of up to nine rows to cover and four to use, and one alone for each row."""
    n_rows, n_others = draw(st.integers(1, 9)), draw(st.integers(1, 4))
    n_columns = draw(st.integers(0, 30))
    rows = st.sets(st.integers(0, n_rows - 1), min_size=1, max_size=3)
    cover = np.zeros((n_rows, n_columns))
    use = np.zeros((n_others, n_columns))
    for column in range(n_columns):
        cover[list(draw(rows)), column] = 1
        use[draw(st.integers(0, n_others - 1)), column] = 1
    costs = draw(st.lists(st.integers(0, 60), min_size=n_columns, max_size=n_columns))
    alone = draw(st.lists(st.integers(0, 60), min_size=n_rows, max_size=n_rows))
    return Columns(
        costs=np.array([*costs, *alone], dtype=np.float64),
        cover=csc_array(np.hstack([cover, np.identity(n_rows)])),
        use=csc_array(np.hstack([use, np.zeros((n_others, n_rows))])),
    )


def patiently(columns: Columns, below: int) -> list[int] | None:
    return cheapest_choice(columns, below, most_columns=MANY, most_relaxations=MANY)


def optimum(columns: Columns) -> int:
    solved = milp(
        columns.costs,
        constraints=[LinearConstraint(columns.cover, 1, 1), LinearConstraint(columns.use, 0, 1)],
        integrality=np.ones(columns.costs.size),
        bounds=Bounds(0, 1),
    )
    return round(solved.fun)


def cost_of(columns: Columns, chosen: list[int]) -> int:
    """Return what a choice costs, having made sure that it is one."""
    assert (columns.cover[:, chosen].sum(axis=1) == 1).all()
    assert (columns.use[:, chosen].sum(axis=1) <= 1).all()
    return round(columns.costs[chosen].sum())


@settings(max_examples=200, deadline=None)
@given(columns=choices())
def test_with_patience_it_is_the_optimum(columns: Columns) -> None:
    best = optimum(columns)
    for below in (best + 1, round(columns.costs.sum()) + 1):
        chosen = patiently(columns, below)
        assert chosen is not None
        assert cost_of(columns, chosen) == best
    assert patiently(columns, best) is None


@settings(max_examples=100, deadline=None)
@given(columns=choices(), relaxations=st.integers(1, 4), most=st.integers(1, 9))
def test_broken_off_it_is_a_choice_or_none(columns: Columns, relaxations: int, most: int) -> None:
    below = round(columns.costs.sum()) + 1
    chosen = cheapest_choice(columns, below, most_columns=most, most_relaxations=relaxations)
    assert chosen is None or optimum(columns) <= cost_of(columns, chosen) < below


def test_rows_nobody_covers_make_it_impossible() -> None:
    nothing = Columns(
        costs=np.array([3.0]), cover=csc_array([[1.0], [0.0]]), use=csc_array([[1.0]])
    )
    assert patiently(nothing, 100) is None


def test_it_ends_when_the_time_is_over() -> None:
    one = Columns(costs=np.array([3.0]), cover=csc_array([[1.0]]), use=csc_array([[1.0]]))
    left = iter([20.0, 0.0])
    found = cheapest_choice(
        one, 100, most_columns=9, most_relaxations=9, seconds_left=lambda: next(left)
    )
    assert found == [0]
    assert (
        cheapest_choice(one, 100, most_columns=9, most_relaxations=9, seconds_left=lambda: 0.0)
        is None
    )


@pytest.mark.parametrize(
    ("members", "costs", "best"),
    [
        # the relaxation takes half of each pair (15)
        ([{0, 1}, {0, 2}, {1, 2}, {0}, {1}, {2}], [10, 10, 10, 9, 8, 7], 17),
        # it takes {0} whole, which stands in the way of the optimum
        (
            [{1, 2}, {1, 3}, {2, 3}, {0}, {1}, {2}, {3}, {0, 3}],
            [10] * 3 + [1] + [100] * 3 + [12],
            22,
        ),
    ],
)
def test_the_optimum_is_found_though_the_relaxation_points_elsewhere(
    members: list[set[int]], costs: list[int], best: int
) -> None:
    cover = np.array([[row in one for one in members] for row in range(max(map(max, members)) + 1)])
    columns = Columns(
        costs=np.array(costs, dtype=np.float64),
        cover=csc_array(cover.astype(np.float64)),
        use=csc_array(np.zeros((1, len(members)))),
    )
    chosen = patiently(columns, MANY)
    assert chosen is not None
    assert cost_of(columns, chosen) == best
