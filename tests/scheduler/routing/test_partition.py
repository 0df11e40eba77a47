"""Set partitioning by diving, against a solver of whole numbers: HiGHS, by way of scipy."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csc_array

from scheduler.routing.partition import Columns, cheapest_partition

MANY = 100_000


@st.composite
def choices(draw: st.DrawFn) -> Columns:
    """Columns of up to seven rows to cover and four to use, and one alone for each row."""
    n_rows, n_others = draw(st.integers(1, 7)), draw(st.integers(1, 4))
    n_columns = draw(st.integers(0, 25))
    rows = st.sets(st.integers(0, n_rows - 1), min_size=1, max_size=4)
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
    chosen = cheapest_partition(columns, best + 1, MANY, lambda: False)
    assert chosen is not None
    assert cost_of(columns, chosen) == best
    assert cheapest_partition(columns, best, MANY, lambda: False) is None


@settings(max_examples=100, deadline=None)
@given(columns=choices(), most=st.integers(1, 4))
def test_broken_off_it_is_a_choice_or_none(columns: Columns, most: int) -> None:
    below = round(columns.costs.sum()) + 1
    chosen = cheapest_partition(columns, below, most, lambda: False)
    assert chosen is None or optimum(columns) <= cost_of(columns, chosen) < below


def test_rows_nobody_covers_make_it_impossible() -> None:
    nothing = Columns(
        costs=np.array([3.0]), cover=csc_array([[1.0], [0.0]]), use=csc_array([[1.0]])
    )
    assert cheapest_partition(nothing, 100, MANY, lambda: False) is None


def test_it_stops_when_told() -> None:
    one = Columns(costs=np.array([3.0]), cover=csc_array([[1.0]]), use=csc_array([[1.0]]))
    asked = iter([False, True])
    assert cheapest_partition(one, 100, MANY, lambda: next(asked)) == [0]
    assert cheapest_partition(one, 100, MANY, lambda: True) is None


def test_a_third_choice_is_found_though_the_relaxation_is_broken() -> None:
    """Three rows, pairs of them for 10 each: the relaxation takes half of every pair (15)."""
    pairs = np.array([[1, 1, 0], [1, 0, 1], [0, 1, 1]])
    columns = Columns(
        costs=np.array([10.0, 10.0, 10.0, 9.0, 8.0, 7.0]),
        cover=csc_array(np.hstack([pairs, np.identity(3)])),
        use=csc_array(np.ones((1, 6)) * [1, 1, 1, 0, 0, 0]),
    )
    chosen = cheapest_partition(columns, 100, MANY, lambda: False)
    assert chosen is not None
    assert cost_of(columns, chosen) == 17
