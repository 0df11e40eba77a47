"""The rounds a search came across, and the best plan that can be put together from them.

Every plan seen on the way is made of rounds, and a good round is often found in a plan that is
otherwise poor. Which rounds to take, so that every visit is made once and every shift drives one,
is a set partitioning problem: the linear relaxation prices the visits, a round dearer than its
prices by more than the relaxation leaves to gain can be in no better plan, and what remains is
searched by diving (`partition`).

Source: B. A. Foster, D. M. Ryan, "An integer programming approach to the vehicle scheduling
problem", Operational Research Quarterly 27 (1976) 367-384.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array

from scheduler.routing.kernel import layout
from scheduler.routing.kernel.layout import Search, World
from scheduler.routing.partition import Columns, cheapest_choice
from scheduler.routing.problem import Problem

_MOST_ROUNDS = 2_500
"""Dived into at most, the most promising first."""

_MOST_KEPT = 50_000
"""So that neither memory nor the relaxation grows for hours."""

_MOST_RELAXATIONS = 60
"""Solved for one plan: a count and not a time, so that the outcome is always the same."""


@dataclass(frozen=True, slots=True)
class Round:
    """Visits made on a shift, in order, by their numbers in the problem, and what that costs."""

    shift: int
    visits: tuple[int, ...]
    cost: int


def rounds_of(world: World, search: Search) -> list[Round]:
    """Return the rounds of a search's current plan."""
    rows, nodes = search.rows, search.nodes
    found = []
    for row in np.flatnonzero(rows[:, layout.LENGTH]).tolist():
        begin = int(rows[row, layout.BASE]) + 1
        own = nodes[begin : begin + int(rows[row, layout.LENGTH])]
        visits = own[:, layout.VISIT].tolist()
        cost = int(rows[row, layout.ROUND_COST])
        cost += int(world.options[own[:, layout.OPTION], layout.OPTION_COST].sum())
        found.append(Round(row, tuple(visits), cost))
    return found


class RoundsSeen:
    """Of each shift and its visits the cheapest round seen; the longest not seen are forgotten."""

    def __init__(self, problem: Problem) -> None:
        optional = [at for at, visit in enumerate(problem.visits) if visit.pinned is None]
        self._optional = np.array(optional, dtype=np.int64)
        self._leave_out = np.array(
            [problem.visits[at].leave_out_cost for at in optional], dtype=np.float64
        )
        self._n_visits = len(problem.visits)
        self._n_shifts = len(problem.shifts)
        self._cheapest: dict[tuple[int, frozenset[int]], Round] = {}

    def add(self, rounds: Iterable[Round]) -> None:
        """Take down rounds, of a shift and its visits the cheapest."""
        for one in rounds:
            key = (one.shift, frozenset(one.visits))
            known = self._cheapest.pop(key, one)
            self._cheapest[key] = one if one.cost < known.cost else known
        for key in list(self._cheapest)[: max(0, len(self._cheapest) - _MOST_KEPT)]:
            del self._cheapest[key]

    def put_together(
        self, cost: int, seconds_left: Callable[[], float] = lambda: math.inf
    ) -> list[Round] | None:
        """Return the rounds of a plan cheaper than some cost, as cheap as could be found.

        Parameters
        ----------
        cost
            To be beaten, in minutes of travel equivalent.
        seconds_left
            Asked now and then; ends it at 0. Without, it takes as long as it takes, with the same
            outcome always.

        Returns
        -------
        list[Round] | None
            None if no such plan was found. That sites allow one technician at a time is not looked
            at; who takes the rounds over has to.
        """
        rounds = list(self._cheapest.values())
        if not rounds:
            return None
        chosen = cheapest_choice(
            self._columns(rounds),
            cost,
            most_columns=_MOST_ROUNDS,
            most_relaxations=_MOST_RELAXATIONS,
            seconds_left=seconds_left,
        )
        return None if chosen is None else [rounds[at] for at in chosen if at < len(rounds)]

    def _columns(self, rounds: list[Round]) -> Columns:
        """Return the rounds as columns, and behind them one for each visit that may be left out."""
        lengths = [len(one.visits) for one in rounds]
        n_visits, n_columns = self._n_visits, len(rounds) + self._optional.size
        return Columns(
            costs=np.concatenate([[one.cost for one in rounds], self._leave_out]),
            cover=_ones(
                [*(visit for one in rounds for visit in one.visits), *self._optional.tolist()],
                np.concatenate(
                    [np.repeat(np.arange(len(rounds)), lengths), np.arange(len(rounds), n_columns)]
                ),
                (n_visits, n_columns),
            ),
            use=_ones(
                [one.shift for one in rounds],
                np.arange(len(rounds)),
                (self._n_shifts, n_columns),
            ),
        )


def _ones(rows: list[int], columns: NDArray[np.int64], shape: tuple[int, int]) -> csc_array:
    return csc_array((np.ones(len(rows)), (rows, columns)), shape=shape)
