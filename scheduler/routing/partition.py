"""Set partitioning by diving: the cheapest columns that cover every row exactly once.

The relaxation of a problem of rounds is nearly whole: what it takes entirely is taken, then the
most of the fractions, and what is left is relaxed again, until all is whole. Whatever a column so
taken might have kept away is looked at later, where the relaxation promises most first. A few
dozen relaxations find what a general solver of whole numbers finds in many times as long.

Source: D. M. Ryan, B. A. Foster, "An integer programming approach to scheduling", in A. Wren (ed.),
Computer Scheduling of Public Transport (1981) 269-280, for how near to whole such relaxations are.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csc_array

_WHOLE = 1e-6
"""What is nearer than this to a whole number counts as one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What to choose from.

    Attributes
    ----------
    costs
        Whole numbers, of shape (columns,).
    cover
        1 where a column covers a row that must be covered once; of shape (rows, columns).
    use
        1 where a column uses a row that may be used once; of shape (others, columns).
    """

    costs: NDArray[np.float64]
    cover: csc_array
    use: csc_array


@dataclass(frozen=True, slots=True, kw_only=True)
class _Open:
    """Part of the problem: some columns are taken, and which are left to choose from."""

    taken: tuple[int, ...]
    cost: float
    left: NDArray[np.int64]
    uncovered: NDArray[np.bool_]
    unused: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Relaxed:
    """The relaxation of an open part; `above` is what a column costs more than its rows' prices."""

    bound: float
    shares: NDArray[np.float64]
    above: NDArray[np.float64]


def cheapest_partition(
    columns: Columns, below: int, most_relaxations: int, is_over: Callable[[], bool]
) -> list[int] | None:
    """Choose columns that cost less than `below`, as little as could be found.

    Parameters
    ----------
    columns
        What to choose from.
    below
        A cost to be beaten.
    most_relaxations
        When to give up looking for better, >= 1: a count and not a time, so that the outcome is
        always the same.
    is_over
        Asked before each relaxation; ends the search early.

    Returns
    -------
    list[int] | None
        The numbers of the columns; None if no such choice was found.
    """
    n_rows, n_columns = columns.cover.shape
    part: _Open | None = _Open(
        taken=(),
        cost=0.0,
        left=np.arange(n_columns),
        uncovered=np.ones(n_rows, dtype=np.bool_),
        unused=np.ones(columns.use.shape[0], dtype=np.bool_),
    )
    waiting: list[tuple[float, int, _Open]] = []
    chosen: list[int] | None = None
    count = 0
    while count < most_relaxations and not is_over():
        if part is None:
            if not waiting or waiting[0][0] > below - 1 + _WHOLE:
                break
            part = heapq.heappop(waiting)[2]
        count += 1
        relaxed = _relaxed(columns, part)
        if relaxed is None or relaxed.bound > below - 1 + _WHOLE:
            part = None
            continue
        whole = relaxed.shares > 1 - _WHOLE
        broken = np.flatnonzero((relaxed.shares > _WHOLE) & ~whole)
        if not broken.size:
            chosen, below = [*part.taken, *part.left[whole].tolist()], round(relaxed.bound)
            part = None
            continue
        most = int(broken[np.argmax(relaxed.shares[broken])])
        may_help = relaxed.above <= below - 1 - relaxed.bound + _WHOLE
        without = may_help.copy()
        without[most] = False
        heapq.heappush(waiting, (relaxed.bound, count, _narrowed(part, without)))
        part = _taking(columns, part, [*part.left[whole].tolist(), int(part.left[most])], may_help)
    return chosen


def _relaxed(columns: Columns, part: _Open) -> _Relaxed | None:
    """Solve the relaxation; None where what is left cannot cover the rows."""
    if not part.uncovered.any():
        nothing = np.zeros(part.left.size)
        return _Relaxed(bound=part.cost, shares=nothing, above=nothing)
    if not part.left.size:
        return None
    costs = columns.costs[part.left]
    cover = columns.cover[:, part.left][part.uncovered]
    use = columns.use[:, part.left][part.unused]
    found = linprog(
        costs,
        A_eq=cover,
        b_eq=np.ones(cover.shape[0]),
        A_ub=use,
        b_ub=np.ones(use.shape[0]),
        bounds=(0, None),
        method="highs-ds",
    )
    if found.status != 0:
        return None
    above = costs - cover.T @ found.eqlin.marginals - use.T @ found.ineqlin.marginals
    return _Relaxed(bound=part.cost + found.fun, shares=found.x, above=above)


def _narrowed(part: _Open, left: NDArray[np.bool_]) -> _Open:
    return _Open(
        taken=part.taken,
        cost=part.cost,
        left=part.left[left],
        uncovered=part.uncovered,
        unused=part.unused,
    )


def _taking(columns: Columns, part: _Open, more: list[int], left: NDArray[np.bool_]) -> _Open:
    """Take more columns; those that need the same rows are left no longer."""
    covered = columns.cover[:, more].sum(axis=1) > 0
    used = columns.use[:, more].sum(axis=1) > 0
    stands_in_way = columns.cover[:, part.left].T @ covered + columns.use[:, part.left].T @ used
    return _Open(
        taken=(*part.taken, *more),
        cost=part.cost + float(columns.costs[more].sum()),
        left=part.left[left & (stands_in_way == 0)],
        uncovered=part.uncovered & ~covered,
        unused=part.unused & ~used,
    )
