"""The search for a good plan: ruin and recreate over technician-days, under simulated annealing.

    solve(problem, stop=Seconds(5), seed=1) -> Plan

The search itself is compiled (`kernel`); numba and the compiled code are loaded on first use,
which takes up to half a minute once and a fraction of a second ever after.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from scheduler.routing.linked import PARTS, search_in_parts
from scheduler.routing.loading import load_kernel
from scheduler.routing.params import Params
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem
from scheduler.routing.running import begin_runs, best_plan, go_on
from scheduler.routing.stopping import Iterations, Progress, Seconds

if TYPE_CHECKING:
    from scheduler.routing.rounds_seen import Round, RoundsSeen

__all__ = ["Iterations", "Progress", "Seconds", "solve"]

_LOOK_SHARE = 0.02  # of the time, after which the pace tells whether to search in turns
_DEFAULT_PARAMS = Params()


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
    load_kernel()
    wish = _Wish(
        problem=problem,
        stop=stop,
        seed=seed,
        params=params,
        start_from=start_from,
        tell=on_progress or (lambda at: None),
        is_called_off=should_cancel or (lambda: False),
        threads=threads,
        begun=time.perf_counter(),
    )
    if problem.is_linked():
        return _in_parts(wish)
    n_visits = len(problem.visits)
    if isinstance(stop, Iterations) and params.is_long(stop.count, n_visits):
        return _in_turns(wish, 0, None)
    runs = begin_runs(problem, seed, params, start_from, threads, frozenset(), wish.begun)
    is_to_look = True
    for best in go_on(runs, stop):
        wish.tell(best)
        if wish.is_called_off():
            break
        if is_to_look and isinstance(stop, Seconds) and best.seconds > _LOOK_SHARE * stop.seconds:
            if params.is_long(best.iterations * stop.seconds / best.seconds, n_visits):
                return _in_turns(wish, best.iterations, best_plan(problem, runs))
            is_to_look = False
    return best_plan(problem, runs)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wish:
    """What `solve` was asked for, and when."""

    problem: Problem
    stop: Iterations | Seconds
    seed: int
    params: Params
    start_from: Plan | None
    tell: Callable[[Progress], None]
    is_called_off: Callable[[], bool]
    threads: int
    begun: float

    def seconds(self) -> float:
        """Return how long ago it was asked for."""
        return time.perf_counter() - self.begun


def _in_turns(wish: _Wish, done: int, known: Plan | None) -> Plan:
    """Search in turns, and tell of all of them, and of what was done before, as of one search."""
    from scheduler.routing.kernel.layout import NOWHERE
    from scheduler.routing.rounds_seen import rounds_of
    from scheduler.routing.turns import Clock, search_in_turns

    problem, stop = wish.problem, wish.stop
    note_every = wish.params.note_per_visit * max(1, len(problem.visits))
    is_called_off = False
    cheapest = NOWHERE if known is None else known.cost.total

    def progress() -> float:
        if isinstance(stop, Iterations):
            return done / max(1, stop.count)
        return wish.seconds() / max(1e-9, stop.seconds)

    def is_over() -> bool:
        return is_called_off or progress() >= 1

    def seconds_left() -> float | None:
        return None if isinstance(stop, Iterations) else max(0.0, stop.seconds - wish.seconds())

    def tell() -> None:
        nonlocal is_called_off
        if not is_called_off:
            wish.tell(Progress(iterations=done, seconds=wish.seconds(), cost=cheapest))
            is_called_off = wish.is_called_off()

    def turn(
        *,
        number: int,
        iterations: int,
        start_from: Plan | None,
        closed: frozenset[str],
        seen: "RoundsSeen",
    ) -> Plan:
        nonlocal done, cheapest
        if isinstance(stop, Iterations):
            iterations = min(iterations, stop.count - done)
        before, params = done, wish.params
        if number > 0:
            params = replace(params, hottest_when_warm=params.hottest)
        seed = wish.seed + number
        runs = begin_runs(problem, seed, params, start_from, wish.threads, closed, wish.begun)
        noted: list[dict[int, list[Round]]] = [{} for _ in runs]
        for best in go_on(runs, Iterations(iterations), note_every):
            for run, own in zip(runs, noted, strict=True):
                at = run.progress().iterations
                if at % note_every == 0 and at not in own:
                    own[at] = rounds_of(run.world, run.search)
            done = before + best.iterations
            cheapest = min(cheapest, best.cost)
            tell()
            if is_over():
                break
        for own in noted:  # run by run, whichever was faster
            seen.add(one for rounds in own.values() for one in rounds)
        return best_plan(problem, runs)

    return search_in_turns(
        problem,
        seed=wish.seed,
        params=wish.params,
        start_from=wish.start_from,
        known=known,
        turn=turn,
        clock=Clock(progress=progress, seconds_left=seconds_left, is_over=is_over, tell=tell),
    )


def _in_parts(wish: _Wish) -> Plan:
    """Search in parts, between which visits that hang together are placed anew."""
    stop = wish.stop

    def search(part_problem: Problem, *, part: int, start_from: Plan, params: Params) -> Plan:
        missing = {visit.id for visit in part_problem.visits}
        left_out = sum(v.leave_out_cost for v in wish.problem.visits if v.id not in missing)
        earlier = stop.count * part // PARTS if isinstance(stop, Iterations) else 0
        share: Iterations | Seconds
        if isinstance(stop, Iterations):
            share = Iterations(stop.count * (part + 1) // PARTS - earlier)
        else:
            share = Seconds(max(stop.seconds - wish.seconds(), 0.0) / (PARTS - part))
        return solve(
            part_problem,
            stop=share,
            seed=wish.seed + part,
            params=params,
            start_from=start_from,
            on_progress=lambda at: wish.tell(
                Progress(
                    iterations=earlier + at.iterations,
                    seconds=wish.seconds(),
                    cost=at.cost + left_out,
                )
            ),
            should_cancel=wish.is_called_off,
            threads=wish.threads,
        )

    return search_in_parts(wish.problem, wish.start_from, wish.params, search, wish.is_called_off)
