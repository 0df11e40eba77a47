"""The planner beside general solvers: the same problem files, the same seconds, one table.

    python -m tests.benchmarks.peers S1.json.gz M1.json.gz --seconds 10 --seeds 3

PyVRP, OR-Tools and VROOM must be installed by hand (see README.md); those that are not are
passed over. A peer's answer is taken as who makes which visits in which order. It is timed
anew with breaks; where that fails, visits are taken out, the cheapest to leave out first; at
the end whatever is missing is put in by cheapest insertion. So a peer is never worse off than
what it answered. Every plan must pass the checker.
"""

import argparse
import importlib
import importlib.util
import multiprocessing
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.queues import Queue
from pathlib import Path
from queue import Empty
from statistics import mean

from scheduler.routing.bound import lower_bound
from scheduler.routing.cheapest_insertion import cheapest_insertion, completed
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Seconds, solve
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.problem_file import read_problem
from scheduler.routing.timing import timetable

PATIENCE_SECONDS = 120
"""How much longer than asked a peer may take before it is stopped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peer:
    """A solver from outside.

    Attributes
    ----------
    name
        As shown in the table.
    package
        What must be importable.
    module
        Where its `rounds(problem, seconds, seed)` stands.
    has_seed
        Whether another seed gives another answer.
    """

    name: str
    package: str
    module: str
    has_seed: bool


PEERS = (
    Peer(name="PyVRP", package="pyvrp", module="tests.benchmarks.peer_pyvrp", has_seed=True),
    Peer(
        name="OR-Tools routing",
        package="ortools",
        module="tests.benchmarks.peer_ortools",
        has_seed=False,
    ),
    Peer(name="VROOM", package="vroom", module="tests.benchmarks.peer_vroom", has_seed=False),
)


def answer(peer: Peer, problem: Problem, seconds: float, seed: int) -> dict[str, list[str]] | None:
    """Let a peer work in a process of its own; None when it gives no answer in time."""
    context = multiprocessing.get_context("spawn")
    queue: Queue[dict[str, list[str]]] = context.Queue()
    process = context.Process(target=_work, args=(peer.module, problem, seconds, seed, queue))
    process.start()
    deadline = time.monotonic() + seconds + PATIENCE_SECONDS
    found = None
    while found is None and time.monotonic() < deadline:
        try:
            found = queue.get(timeout=0.2)
        except Empty:
            if not process.is_alive():
                break
    process.kill()
    process.join()
    return found


def _work(
    module: str, problem: Problem, seconds: float, seed: int, queue: "Queue[dict[str, list[str]]]"
) -> None:
    rounds: Callable[[Problem, float, int], dict[str, list[str]]] = importlib.import_module(
        module
    ).rounds
    queue.put(rounds(problem, seconds, seed))


def repaired(problem: Problem, answered: dict[str, list[str]]) -> Plan:
    """Make a sound plan of a peer's rounds."""
    by_id = {visit.id: visit for visit in problem.visits}
    kept: dict[str, list[Visit]] = {}
    for shift in problem.shifts:
        order = [by_id[name] for name in answered.get(shift.id, [])]
        order = [visit for visit in order if visit.pinned is None or visit.pinned.shift == shift.id]
        pins = [
            visit
            for visit in problem.visits
            if visit.pinned is not None and visit.pinned.shift == shift.id
        ]
        if not all(visit in order for visit in pins):
            order = [visit for visit in order if visit.pinned is None] + pins
        kept[shift.id] = _thinned(problem, shift, order)
    return completed(problem, kept)


def _thinned(problem: Problem, shift: Shift, order: list[Visit]) -> list[Visit]:
    """Take out visits until the round can be timed, as little leave-out cost as it takes."""
    if not order or timetable(problem, shift, order) is not None:
        return order
    movable = sorted(
        (visit for visit in order if visit.pinned is None), key=lambda visit: visit.leave_out_cost
    )
    if not movable:
        return sorted(order, key=lambda visit: visit.pinned.start if visit.pinned else 0)
    for gone in movable:
        shorter = [visit for visit in order if visit is not gone]
        if shorter and timetable(problem, shift, shorter) is not None:
            return shorter
    return _thinned(problem, shift, [visit for visit in order if visit is not movable[0]])


def run(path: Path, seconds: float, seeds: int) -> list[tuple[str, str, str]]:
    """Return one row for each solver: name, mean cost, seconds it took."""
    problem = read_problem(path)
    rows = []

    def add(name: str, plans: list[Plan], took: float) -> None:
        for plan in plans:
            violations = check(problem, plan)
            if violations:
                raise AssertionError(f"{name} on {path.name}: {violations[0].detail}")
        cost = f"{mean(plan.cost.total for plan in plans):.0f}" if plans else "no plan"
        rows.append((name, cost, f"{took:.1f}"))

    begun = time.perf_counter()
    add("cheapest insertion", [cheapest_insertion(problem)], time.perf_counter() - begun)
    for peer in PEERS:
        if importlib.util.find_spec(peer.package) is None:
            rows.append((peer.name, "not installed", ""))
            continue
        plans = []
        begun = time.perf_counter()
        turns = range(1, seeds + 1 if peer.has_seed else 2)
        for seed in turns:
            answered = answer(peer, problem, seconds, seed)
            if answered:
                plans.append(repaired(problem, answered))
        add(peer.name, plans, (time.perf_counter() - begun) / len(turns))
    begun = time.perf_counter()
    own = [solve(problem, stop=Seconds(seconds), seed=seed) for seed in range(1, seeds + 1)]
    add("Steamround", own, (time.perf_counter() - begun) / seeds)
    rows.append(("(no plan costs less than)", str(lower_bound(problem)), ""))
    return rows


def main() -> None:
    """Run everything and print the table."""
    parser = argparse.ArgumentParser(description="Compare solvers on planning problems.")
    parser.add_argument("problems", nargs="+", type=Path)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args()
    solve(read_problem(options.problems[0]), stop=Iterations(1), seed=1)  # compile before timing
    print("| problem | solver | mean cost | seconds |\n|---|---|---:|---:|")
    for path in options.problems:
        for name, cost, took in run(path, options.seconds, options.seeds):
            print(f"| {path.name.split('.')[0]} | {name} | {cost} | {took} |", flush=True)


if __name__ == "__main__":
    main()
