"""The cheapest way to cut an ordered row into groups of neighbours.

Dynamic programme over the last cut: H. M. Wagner and T. M. Whitin, "Dynamic version of the economic
lot size model", Management Science 5(1), 1958; for groups of maintenance work R. E. Wildeman,
R. Dekker and A. C. J. M. Smit, "A dynamic policy for grouping maintenance activities", European
Journal of Operational Research 99, 1997.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouping:
    """Groups as half-open index ranges ``(first, end)`` in order, and what they cost together."""

    groups: tuple[tuple[int, int], ...]
    cost: float


def cheapest_groups(count: int, costs_ending_at: Callable[[int], Iterator[float]]) -> Grouping:
    """Return the cheapest grouping of ``count`` things in a row into groups of neighbours.

    Parameters
    ----------
    costs_ending_at
        For ``end`` from 1 to ``count``: the costs of the groups ``(end - 1, end)``,
        ``(end - 2, end)`` and so on. It may stop early where longer groups are not allowed; every
        group of one must have a cost.
    """
    best = [0.0] + [inf] * count
    cut = [0] * (count + 1)
    for end in range(1, count + 1):
        for length, cost in enumerate(costs_ending_at(end), start=1):
            total = best[end - length] + cost
            if total < best[end]:
                best[end], cut[end] = total, end - length
    groups = []
    end = count
    while end > 0:
        groups.append((cut[end], end))
        end = cut[end]
    return Grouping(groups=tuple(reversed(groups)), cost=best[count])
