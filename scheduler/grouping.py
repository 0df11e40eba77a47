"""The cheapest way to put things into groups when the cost of every group is known.

Two ways, both compiled: neighbours in a row by the dynamic programme over the last cut
(H. M. Wagner and T. M. Whitin, "Dynamic version of the economic lot size model", Management Science
5(1), 1958; for maintenance R. E. Wildeman, R. Dekker and A. C. J. M. Smit, "A dynamic policy for
grouping maintenance activities", European Journal of Operational Research 99, 1997); any subsets by
the dynamic programme over sets, exact and only for a few things. Importing this imports numba.
"""

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.kernel.compiling import compiled

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@compiled
def cheapest_cut(count: int, costs: Floats, best: Floats, cut: Integers) -> float:
    """Cut a row of ``count`` things into groups of neighbours.

    Parameters
    ----------
    costs
        ``costs[first, end]`` of the group from ``first`` to before ``end``; infinite where it is
        not allowed. Shape ``(count, count + 1)`` at least.
    best, cut
        Room for ``count + 1`` values. Afterwards the last group starts at ``cut[count]``, the one
        before at ``cut[cut[count]]`` and so on down to 0.

    Returns
    -------
    The cost of all groups together.
    """
    best[0] = 0.0
    for end in range(1, count + 1):
        best[end] = np.inf
        cut[end] = end - 1
        for first in range(end - 1, -1, -1):
            total = best[first] + costs[first, end]
            if total < best[end]:
                best[end] = total
                cut[end] = first
    return float(best[count])


@compiled
def cheapest_partition(count: int, costs: Floats, best: Floats, last: Integers) -> float:
    """Put ``count`` things into any groups; sets are bit masks.

    Parameters
    ----------
    costs
        ``costs[set]`` of each group, infinite where it is not allowed.
    best, last
        Room for ``2 ** count`` values. Afterwards ``last[everything]`` is one group,
        ``last[everything without it]`` the next and so on.

    Returns
    -------
    The cost of all groups together.
    """
    best[0] = 0.0
    for whole in range(1, 1 << count):
        # The group that holds the lowest of the set, so that each partition is met once.
        lowest = whole & -whole
        rest = whole ^ lowest
        best[whole] = np.inf
        last[whole] = lowest
        others = rest
        while True:
            group = others | lowest
            total = costs[group] + best[whole ^ group]
            if total < best[whole]:
                best[whole] = total
                last[whole] = group
            if others == 0:
                break
            others = (others - 1) & rest
    return float(best[(1 << count) - 1])
