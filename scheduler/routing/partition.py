"""Set partitioning by diving: the cheapest columns that cover every row exactly once.

The relaxation of a problem of rounds is nearly whole. So of the fractions in it the largest is
taken, and what is left is relaxed again, until all is whole; what not taking it would have given
is looked at later, where the relaxation promises most first. A few dozen relaxations find what a
general solver of whole numbers takes several times as long for.

Source: D. M. Ryan, B. A. Foster, "An integer programming approach to scheduling", in A. Wren (ed.),
Computer Scheduling of Public Transport (1981) 269-280, for how near to whole such relaxations are.
"""

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csc_array

_WHOLE = 1e-6
"""A share that is nearer than this to a whole number counts as one."""

_SLACK = 0.01
"""Relaxations are so exact at least: costs are whole numbers, so nothing is lost by it."""


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
    left: NDArray[np.int64]
    uncovered: NDArray[np.bool_]
    unused: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Relaxed:
    """The relaxation of an open part; `above` is what a column costs more than its rows' prices."""

    bound: float
    shares: NDArray[np.float64]
    above: NDArray[np.float64]


def cheapest_choice(
    columns: Columns,
    below: int,
    *,
    most_columns: int,
    most_relaxations: int,
    seconds_left: Callable[[], float] = lambda: math.inf,
) -> list[int] | None:
    """Choose columns that cost less than `below`, as little as could be found.

    Parameters
    ----------
    columns
        What to choose from.
    below
        A cost to be beaten.
    most_columns
        How many to go on with after a relaxation, the most promising first, >= 1. Without more
        than so many, and with enough relaxations, the outcome is the optimum.
    most_relaxations
        When to give up looking for better, >= 1: a count and not a time, so that the outcome is
        always the same.
    seconds_left
        Asked before each relaxation, which takes no longer; ends the search at 0.

    Returns
    -------
    list[int] | None
        The numbers of the columns; None if no such choice was found.
    """
    n_rows, n_columns = columns.cover.shape
    part: _Open | None = _Open(
        taken=(),
        left=np.arange(n_columns),
        uncovered=np.ones(n_rows, dtype=np.bool_),
        unused=np.ones(columns.use.shape[0], dtype=np.bool_),
    )
    waiting: list[tuple[float, int, _Open]] = []
    chosen: list[int] | None = None
    count = 0
    while count < most_relaxations and (seconds := seconds_left()) > 0:
        if part is None:
            if not waiting or waiting[0][0] > below - 1 + _SLACK:
                break
            part = heapq.heappop(waiting)[2]
        count += 1
        relaxed = _relaxed(columns, part, seconds)
        if relaxed is None or relaxed.bound > below - 1 + _SLACK:
            part = None
            continue
        broken = np.flatnonzero((relaxed.shares > _WHOLE) & (relaxed.shares < 1 - _WHOLE))
        if not broken.size:
            chosen = [*part.taken, *part.left[relaxed.shares > 0.5].tolist()]
            below = round(columns.costs[chosen].sum())
            part = None
            continue
        most = int(broken[np.argmax(relaxed.shares[broken])])
        order = np.argsort(relaxed.above, kind="stable")[:most_columns]
        may_help = np.zeros(part.left.size, dtype=np.bool_)
        may_help[order[relaxed.above[order] <= below - 1 - relaxed.bound + _SLACK]] = True
        may_help[most] = False
        without = replace(part, left=part.left[may_help])
        heapq.heappush(waiting, (relaxed.bound, count, without))
        part = _taking(columns, without, int(part.left[most]))
    return chosen


def _relaxed(columns: Columns, part: _Open, seconds: float) -> _Relaxed | None:
    """Solve the relaxation; None where what is left cannot cover the rows, or not in that time."""
    cost = float(columns.costs[list(part.taken)].sum())
    if not part.uncovered.any():
        nothing = np.zeros(part.left.size)
        return _Relaxed(bound=cost, shares=nothing, above=nothing)
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
        options={} if seconds == math.inf else {"time_limit": seconds},
    )
    if found.status != 0:
        return None
    above = costs - cover.T @ found.eqlin.marginals - use.T @ found.ineqlin.marginals
    return _Relaxed(bound=cost + found.fun, shares=found.x, above=above)


def _taking(columns: Columns, part: _Open, column: int) -> _Open:
    """Take a column; those that need one of its rows are left no longer."""
    covers, uses = columns.cover[:, [column]], columns.use[:, [column]]
    in_the_way = columns.cover[:, part.left].T @ covers + columns.use[:, part.left].T @ uses
    return _Open(
        taken=(*part.taken, column),
        left=part.left[in_the_way.toarray().ravel() == 0],
        uncovered=part.uncovered & (covers.toarray().ravel() == 0),
        unused=part.unused & (uses.toarray().ravel() == 0),
    )
