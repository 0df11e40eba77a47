"""Running the compiled search: chunk by chunk, several at once, from arrays to a plan."""

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from scheduler.routing.loading import load_kernel
from scheduler.routing.params import Params
from scheduler.routing.plan import BreakTaken, Call, Plan, Stop, plan_of
from scheduler.routing.problem import Problem
from scheduler.routing.stopping import Iterations, Progress, Seconds
from scheduler.routing.timing import timetable

if TYPE_CHECKING:
    from scheduler.routing.kernel.layout import Rules, Search, World

_CHUNK_SECONDS = 0.05  # how long the search runs between two looks at the clock and the caller
_FIRST_CHUNK = 20
_SEED_BITS = 40  # apart, for the seeds of parts and turns are neighbours


class Run:
    """One search and its clock; made with its first plan."""

    def __init__(
        self,
        world: "World",
        search: "Search",
        rules: Callable[[int], "Rules"],
        begun: float,
    ) -> None:
        from scheduler.routing.kernel.layout import ABSENT

        self.world = world
        self.search = search
        self._advance = load_kernel()
        self._begun = begun
        self._iterations = 0
        self._per_second = 0.0
        self._advance(world, search, rules(0), 0, 0.0, 1.0)
        self._rules = rules(int(search.tally[ABSENT]))

    def progress(self) -> Progress:
        from scheduler.routing.kernel.layout import BEST

        return Progress(
            iterations=self._iterations,
            seconds=time.perf_counter() - self._begun,
            cost=int(self.search.tally[BEST]),
        )

    def is_over(self, stop: Iterations | Seconds) -> bool:
        if isinstance(stop, Iterations):
            return self._iterations >= stop.count
        return time.perf_counter() - self._begun >= stop.seconds

    def go_on(self, stop: Iterations | Seconds, pause_every: int) -> None:
        """Run for about a chunk's time, but not past the end nor the next pause."""
        before = time.perf_counter()
        count = max(1, int(self._per_second * _CHUNK_SECONDS)) if self._iterations else _FIRST_CHUNK
        if pause_every:
            count = min(count, pause_every - self._iterations % pause_every)
        if isinstance(stop, Iterations):
            count = min(count, stop.count - self._iterations)
            offset, planned = float(self._iterations), float(stop.count)
        else:
            left = stop.seconds - (before - self._begun)
            rate = self._per_second or _FIRST_CHUNK / _CHUNK_SECONDS
            count = max(1, min(count, int(rate * left)))
            offset, planned = (stop.seconds - left) * rate, stop.seconds * rate
        with np.errstate(over="ignore"):  # the random numbers wrap around, seen only without jit
            self._advance(self.world, self.search, self._rules, count, offset, planned)
        self._iterations += count
        self._per_second = count / max(time.perf_counter() - before, 1e-6)


def begin_runs(
    problem: Problem,
    seed: int,
    params: Params,
    start_from: Plan | None,
    threads: int,
    closed: frozenset[str],
    begun: float,
) -> list[Run]:
    """Return searches at their first plan, which holds no chance and is the same for all."""
    from scheduler.routing.flattening import flatten, has_homes, new_search

    world = flatten(problem, start_from, params.neighbours, closed)
    params = replace(params, homing_share=params.homing_share * has_homes(world))
    n_visits, warm = len(problem.visits), start_from is not None
    runs: list[Run] = []
    for number in range(threads):
        search = new_search(problem, world, seed + (number << _SEED_BITS))
        if runs:
            _go_on_from(runs[0].search, search)
        runs.append(Run(world, search, lambda left: _rules(params, n_visits, left, warm), begun))
    return runs


def go_on(
    runs: Sequence[Run], stop: Iterations | Seconds, pause_every: int = 0
) -> Iterator[Progress]:
    """Let searches run at once; tell of the best of them, and of the iterations of the slowest.

    Whoever listens may stop at any time. With `pause_every`, all are told of after each multiple of
    so many iterations.
    """
    with ThreadPoolExecutor(len(runs)) as pool:
        for_all = map if len(runs) == 1 else pool.map
        while True:
            told = [run.progress() for run in runs]
            best = min(told, key=lambda one: one.cost)
            yield replace(best, iterations=min(one.iterations for one in told))
            if all(run.is_over(stop) for run in runs):
                return
            list(for_all(lambda run: run.go_on(stop, pause_every), runs))


def best_plan(problem: Problem, runs: Sequence[Run]) -> Plan:
    from scheduler.routing.flattening import best_calls, best_rows

    best = min(runs, key=lambda run: run.progress().cost).search
    return _plan(problem, best_rows(best), best_calls(best))


def _go_on_from(other: "Search", search: "Search") -> None:
    """Let a search go on from where another is, by its own chance."""
    for own, theirs in zip(search, other, strict=True):
        if own is not search.chance:
            own[...] = theirs


def _rules(params: Params, n_visits: int, n_left_out: int, warm: bool) -> "Rules":
    from scheduler.routing.kernel.layout import Rules

    return Rules(
        hottest=float(params.first_temperature(n_visits, n_left_out, warm)),
        coldest=float(params.coldest),
        mean_removed=float(params.mean_removed(n_visits)),
        longest_string=int(params.longest_string),
        split_share=float(params.split_share),
        regret_share=float(params.regret_share(n_visits)),
        swap_share=float(params.swap_share),
        absent_limit=int(params.absent_limit),
        full_scan_share=float(params.full_scan_share),
        blinking_share=float(params.blinking_share),
        reluctance=float(params.reluctance),
        homing_share=float(params.homing_share),
    )


def _plan(problem: Problem, rows: list[list[int]], positions: list[int]) -> Plan:
    stops: list[Stop] = []
    breaks: list[BreakTaken] = []
    calls: list[Call] = []
    for shift, row, position in zip(problem.shifts, rows, positions, strict=True):
        if not row:
            continue
        order = [problem.visits[at] for at in row]
        call_before = position - 1 if position else None
        times = timetable(problem, shift, order, call_before)
        assert times is not None, f"the search planned an impossible round for shift {shift.id}"
        stops += times.stops(shift, order)
        breaks += times.breaks(shift)
        if call_before is not None:
            calls.append(Call(shift=shift.id, before=order[call_before].id))
    return plan_of(problem, stops, breaks=breaks, calls=calls)
