"""The rounds a search came across, and the best plan that can be put together from them.

Every plan seen on the way is made of rounds, and a good round is often found in a plan that is
otherwise poor. Which rounds to take, so that every visit is made once and every shift drives one,
is a set partitioning problem: the linear relaxation prices the visits, a round dearer than its
prices by more than the relaxation leaves to gain can be in no better plan, and what remains is
searched by diving (`partition`).

Source: B. A. Foster, D. M. Ryan, "An integer programming approach to the vehicle scheduling
problem", Operational Research Quarterly 27 (1976) 367-384.
"""

import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csc_array, hstack, identity

from scheduler.routing.kernel import layout
from scheduler.routing.kernel.layout import Search, World
from scheduler.routing.partition import Columns, cheapest_partition
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
    """Of each shift and set of visits the cheapest round seen so far, the first ones forgotten."""

    def __init__(self, problem: Problem) -> None:
        self._leave_out = np.array(
            [visit.leave_out_cost for visit in problem.visits], dtype=np.float64
        )
        self._n_shifts = len(problem.shifts)
        self._cheapest: dict[tuple[int, frozenset[int]], Round] = {}

    def add(self, rounds: Iterable[Round]) -> None:
        """Take down rounds, those that are the first or the cheapest of a shift and its visits."""
        for one in rounds:
            key = (one.shift, frozenset(one.visits))
            known = self._cheapest.get(key)
            if known is None or one.cost < known.cost:
                self._cheapest[key] = one
        for key in list(self._cheapest)[: max(0, len(self._cheapest) - _MOST_KEPT)]:
            del self._cheapest[key]

    def put_together(self, cost: int, seconds: float | None = None) -> list[Round] | None:
        """Return the rounds of a plan cheaper than some cost, as cheap as could be found.

        Parameters
        ----------
        cost
            To be beaten, in minutes of travel equivalent.
        seconds
            Most time to take, >= 0; None for as long as it takes, with the same outcome always.

        Returns
        -------
        list[Round] | None
            None if no such plan was found. That sites allow one technician at a time is not looked
            at; who takes the rounds over has to.
        """
        rounds = list(self._cheapest.values())
        if not rounds:
            return None
        begun = time.perf_counter()
        costs = np.concatenate([[one.cost for one in rounds], self._leave_out])
        cover, use = self._incidence(rounds)
        relaxed = linprog(
            costs,
            A_eq=cover,
            b_eq=np.ones(cover.shape[0]),
            A_ub=use,
            b_ub=np.ones(use.shape[0]),
            bounds=(0, None),
            method="highs",
            options={} if seconds is None else {"time_limit": seconds},
        )
        if relaxed.status != 0 or relaxed.fun > cost - 1:
            return None
        above = costs - cover.T @ relaxed.eqlin.marginals - use.T @ relaxed.ineqlin.marginals
        order = np.argsort(above, kind="stable")
        taken = np.sort(order[: min(_MOST_ROUNDS, int(np.sum(above <= cost - 1 - relaxed.fun)))])
        if not taken.size:  # all that the relaxation uses is above by a rounding error
            return None
        columns = Columns(costs=costs[taken], cover=cover[:, taken], use=use[:, taken])
        chosen = cheapest_partition(
            columns,
            cost,
            _MOST_RELAXATIONS,
            lambda: seconds is not None and time.perf_counter() - begun > seconds,
        )
        if chosen is None:
            return None
        return [rounds[at] for at in taken[chosen].tolist() if at < len(rounds)]

    def _incidence(self, rounds: list[Round]) -> tuple[csc_array, csc_array]:
        """Return which visits each round makes, or leaves out alone, and which shift it uses."""
        lengths = [len(one.visits) for one in rounds]
        makes = _ones(
            [visit for one in rounds for visit in one.visits],
            np.repeat(np.arange(len(rounds)), lengths),
            (self._leave_out.size, len(rounds)),
        )
        uses = _ones(
            [one.shift for one in rounds],
            np.arange(len(rounds)),
            (self._n_shifts, len(rounds) + self._leave_out.size),
        )
        return csc_array(hstack([makes, identity(self._leave_out.size)])), uses


def _ones(rows: list[int], columns: NDArray[np.int64], shape: tuple[int, int]) -> csc_array:
    return csc_array((np.ones(len(rows)), (rows, columns)), shape=shape)
