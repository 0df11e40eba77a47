"""The search for a good plan: ruin and recreate over technician-days, under simulated annealing.

    solve(problem, stop=Seconds(5), seed=1) -> Plan

The search itself is compiled (`kernel`); numba and the compiled code are loaded on first use,
which takes up to half a minute once and a fraction of a second ever after.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from scheduler.routing.linked import PARTS, search_in_parts
from scheduler.routing.loading import load_kernel
from scheduler.routing.params import Params
from scheduler.routing.plan import BreakTaken, Call, LeftOut, Plan, Stop, cost_of
from scheduler.routing.problem import Problem
from scheduler.routing.timing import timetable
from scheduler.routing.turns import Clock, search_in_turns

if TYPE_CHECKING:
    from scheduler.routing.kernel.layout import Rules, Search, World
    from scheduler.routing.rounds_seen import RoundsSeen

_CHUNK_SECONDS = 0.05  # how long the search runs between two looks at the clock and the caller
_FIRST_CHUNK = 20
_LOOK_SHARE = 0.02  # of the time, after which the pace tells whether to search in turns
_SEED_BITS = 40  # apart, for the seeds of parts are neighbours
_DEFAULT_PARAMS = Params()


@dataclass(frozen=True, slots=True)
class Iterations:
    """Stop after a number of iterations, >= 0: the same plan every time."""

    count: int

    def __post_init__(self) -> None:
        if self.count < 0:
            raise ValueError(f"count must be >= 0, got {self.count}")


@dataclass(frozen=True, slots=True)
class Seconds:
    """Stop after some seconds, >= 0, counted from the call without the time to compile."""

    seconds: float

    def __post_init__(self) -> None:
        if not self.seconds >= 0:
            raise ValueError(f"seconds must be >= 0, got {self.seconds}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    iterations
        Done so far, by each of the searches; 0 when the first plan stands.
    seconds
        Since the search began.
    cost
        Total cost of the best plan so far, in minutes of travel equivalent.
    """

    iterations: int
    seconds: float
    cost: int


def solve(
    problem: Problem,
    *,
    stop: Iterations | Seconds,
    seed: int,
    params: Params = _DEFAULT_PARAMS,
    start_from: Plan | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    should_cancel: Callable[[], bool] | None = None,
    threads: int = 1,
) -> Plan:
    """Plan as well as the time allows.

    Parameters
    ----------
    problem
        What to plan.
    stop
        When to stop; with `Iterations` the same arguments give the same plan.
    seed
        Starts the random numbers; any whole number.
    params
        How the search behaves.
    start_from
        A plan to improve. Stops that no longer fit are planned anew.
    on_progress
        Called when the first plan stands and some twenty times a second after that.
    should_cancel
        Asked as often; once it says yes, the best plan so far is returned.
    threads
        How many searches run at once, >= 1, each for the time or the iterations of `stop` and with
        a seed of its own; the best plan counts.

    Returns
    -------
    Plan
        Keeps every rule of the problem; its left-out visits carry no reasons yet.
    """
    if threads < 1:
        raise ValueError(f"threads must be >= 1, got {threads}")
    if problem.is_linked():
        return _solve_linked(
            problem,
            stop,
            seed,
            params,
            start_from,
            on_progress,
            should_cancel or (lambda: False),
            threads,
        )
    load_kernel()
    begun = time.perf_counter()
    n_visits = len(problem.visits)
    call_off = should_cancel or (lambda: False)
    if isinstance(stop, Iterations) and params.is_long(stop.count, n_visits):
        return _solve_in_turns(
            problem, stop, seed, params, start_from, on_progress, call_off, threads, begun, None
        )
    runs = _runs(problem, seed, params, start_from, threads, frozenset(), begun)
    look_at = _LOOK_SHARE * stop.seconds if isinstance(stop, Seconds) else None
    for best in _go_on(runs, stop):
        if on_progress is not None:
            on_progress(best)
        if call_off():
            break
        if look_at is not None and best.seconds > look_at:
            if params.is_long(best.iterations / _LOOK_SHARE, n_visits):
                return _solve_in_turns(
                    problem,
                    stop,
                    seed,
                    params,
                    start_from,
                    on_progress,
                    call_off,
                    threads,
                    begun,
                    _best_plan(problem, runs),
                )
            look_at = None
    return _best_plan(problem, runs)


def _solve_in_turns(
    problem: Problem,
    stop: Iterations | Seconds,
    seed: int,
    params: Params,
    start_from: Plan | None,
    on_progress: Callable[[Progress], None] | None,
    should_cancel: Callable[[], bool],
    threads: int,
    begun: float,
    known: Plan | None,
) -> Plan:
    """Search in turns, and report on all of them as on one search."""
    done, cancelled = 0, False
    cheapest = None if known is None else known.cost.total

    def progress() -> float:
        if isinstance(stop, Iterations):
            return done / max(1, stop.count)
        return (time.perf_counter() - begun) / max(1e-9, stop.seconds)

    def is_over() -> bool:
        return cancelled or progress() >= 1

    def seconds_left() -> float | None:
        if isinstance(stop, Iterations):
            return None
        return max(0.0, stop.seconds - (time.perf_counter() - begun))

    def turn(
        *,
        number: int,
        iterations: int,
        start_from: Plan | None,
        closed: frozenset[str],
        seen: "RoundsSeen",
    ) -> Plan:
        nonlocal done, cheapest, cancelled
        if isinstance(stop, Iterations):
            iterations = min(iterations, stop.count - done)
        before = done
        heat = params if number == 0 else replace(params, hottest_when_warm=params.hottest)
        runs = _runs(problem, seed + number, heat, start_from, threads, closed, begun)
        note_every = params.note_per_visit * max(1, len(problem.visits))
        for best in _go_on(runs, Iterations(iterations), note_every):
            for run in runs:
                if run.progress().iterations % note_every == 0:
                    seen.note(run.world, run.search)
            done = before + best.iterations
            cheapest = best.cost if cheapest is None else min(cheapest, best.cost)
            if on_progress is not None:
                on_progress(replace(best, iterations=done, cost=cheapest))
            cancelled = cancelled or should_cancel()
            if is_over():
                break
        return _best_plan(problem, runs)

    return search_in_turns(
        problem,
        seed=seed,
        params=params,
        start_from=start_from,
        known=known,
        turn=turn,
        clock=Clock(progress=progress, seconds_left=seconds_left, is_over=is_over),
    )


def _solve_linked(
    problem: Problem,
    stop: Iterations | Seconds,
    seed: int,
    params: Params,
    start_from: Plan | None,
    on_progress: Callable[[Progress], None] | None,
    should_cancel: Callable[[], bool],
    threads: int,
) -> Plan:
    """Search in parts, between which visits that hang together are placed anew."""
    load_kernel()
    begun = time.perf_counter()

    def search(part_problem: Problem, *, part: int, start_from: Plan, params: Params) -> Plan:
        missing = {visit.id for visit in part_problem.visits}
        left_out = sum(v.leave_out_cost for v in problem.visits if v.id not in missing)
        earlier = stop.count * part // PARTS if isinstance(stop, Iterations) else 0

        def report(at: Progress) -> None:
            if on_progress is not None:
                on_progress(
                    Progress(
                        iterations=earlier + at.iterations,
                        seconds=time.perf_counter() - begun,
                        cost=at.cost + left_out,
                    )
                )

        share: Iterations | Seconds
        if isinstance(stop, Iterations):
            share = Iterations(stop.count * (part + 1) // PARTS - earlier)
        else:
            left = stop.seconds - (time.perf_counter() - begun)
            share = Seconds(max(left, 0.0) / (PARTS - part))
        return solve(
            part_problem,
            stop=share,
            seed=seed + part,
            params=params,
            start_from=start_from,
            on_progress=report,
            should_cancel=should_cancel,
            threads=threads,
        )

    return search_in_parts(problem, start_from, params, search, should_cancel)


class _Run:
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


def _runs(
    problem: Problem,
    seed: int,
    params: Params,
    start_from: Plan | None,
    threads: int,
    closed: frozenset[str],
    begun: float,
) -> list[_Run]:
    """Return searches at their first plan, which holds no chance and is the same for all."""
    from scheduler.routing.flattening import flatten, has_homes, new_search

    world = flatten(problem, start_from, params.neighbours, closed)
    params = replace(params, homing_share=params.homing_share * has_homes(world))
    n_visits, warm = len(problem.visits), start_from is not None
    runs: list[_Run] = []
    for number in range(threads):
        search = new_search(problem, world, seed + (number << _SEED_BITS))
        if runs:
            _go_on_from(runs[0].search, search)
        runs.append(_Run(world, search, lambda left: _rules(params, n_visits, left, warm), begun))
    return runs


def _go_on(
    runs: Sequence[_Run], stop: Iterations | Seconds, pause_every: int = 0
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


def _best_plan(problem: Problem, runs: Sequence[_Run]) -> Plan:
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
        stops.extend(
            Stop(visit=visit.id, shift=shift.id, start=start)
            for visit, start in zip(order, times.starts, strict=True)
        )
        if times.break_start is not None:
            breaks.append(BreakTaken(shift=shift.id, start=times.break_start))
        if call_before is not None:
            calls.append(Call(shift=shift.id, before=order[call_before].id))
    planned = {stop.visit for stop in stops}
    return Plan(
        stops=tuple(stops),
        breaks=tuple(breaks),
        left_out=tuple(
            LeftOut(visit=visit.id) for visit in problem.visits if visit.id not in planned
        ),
        cost=cost_of(problem, stops, breaks=breaks, calls=calls),
        calls=tuple(calls),
    )
