"""The planner beside general solvers: the same problem files, the same seconds, one table.

    python -m tests.benchmarks.peers S1.json.gz M1.json.gz --fresh 5 --results peers.jsonl

PyVRP, OR-Tools and VROOM must be installed by hand (see README.md); the table says which are not.
`--fresh 5` adds five invented problems of each size (101 to 105 of `crew`).  Every answer is
noted in the results file at once, and a run begun anew goes on where it was stopped.

A peer's answer is taken as who makes which visits in which order. It is timed anew with breaks;
where that fails, visits are taken out, the cheapest to leave out first; at the end whatever is
missing is put in by cheapest insertion. So a peer is never worse off than what it answered. Every
plan must pass the checker.
"""

import argparse
import importlib
import importlib.util
import json
import multiprocessing
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import partial
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
from tests.benchmarks.crew import SIZES, crew_problem

OWN = "Steamround"
CHEAPEST = "cheapest insertion"
BOUND = "(no plan costs less than)"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one solver did with one problem.

    Attributes
    ----------
    problem, solver, seed, seconds
        What was asked.
    cost
        Total cost of the plan, None without one.
    took
        Seconds, a peer's start-up included.
    remark
        Why there is no plan.
    """

    problem: str
    solver: str
    seed: int
    seconds: float
    cost: int | None
    took: float
    remark: str = ""

    @property
    def asked(self) -> tuple[str, str, int, float]:
        """What tells results apart."""
        return self.problem, self.solver, self.seed, self.seconds


def answer(
    peer: Peer, problem: Problem, seconds: float, seed: int, patience: float
) -> dict[str, list[str]] | str:
    """Let a peer work in a process of its own; return its rounds, or why there are none."""
    if importlib.util.find_spec(peer.package) is None:
        return "not installed"
    context = multiprocessing.get_context("spawn")
    queue: Queue[dict[str, list[str]] | str] = context.Queue()
    process = context.Process(target=_work, args=(peer.module, problem, seconds, seed, queue))
    process.start()
    deadline = time.monotonic() + seconds + patience
    found: dict[str, list[str]] | str = f"no plan after {seconds + patience:g} s"
    while time.monotonic() < deadline:
        alive = process.is_alive()
        try:
            found = queue.get(timeout=0.2) or "no plan"
            break
        except Empty:
            if not alive:
                found = f"ended with code {process.exitcode}"
                break
    process.kill()
    process.join()
    return found


def _work(
    module: str,
    problem: Problem,
    seconds: float,
    seed: int,
    queue: "Queue[dict[str, list[str]] | str]",
) -> None:
    try:
        rounds: Callable[[Problem, float, int], dict[str, list[str]]] = importlib.import_module(
            module
        ).rounds
        queue.put(rounds(problem, seconds, seed))
    except Exception as error:  # whatever a peer does, the others shall be measured
        queue.put(f"failed: {error}")


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


def run(
    name: str,
    problem: Problem,
    seconds: float,
    seeds: int,
    patience: float,
    known: set[tuple[str, str, int, float]],
) -> Iterator[Result]:
    """Let everyone work on a problem; what is known already is not asked again."""

    def measured(solver: str, seed: int, work: Callable[[], Plan | str]) -> Iterator[Result]:
        if (name, solver, seed, seconds) in known:
            return
        begun = time.perf_counter()
        plan = work()
        took = round(time.perf_counter() - begun, 1)
        cost, remark = None, ""
        if isinstance(plan, str):
            remark = plan
        else:
            cost = plan.cost.total
            violations = check(problem, plan)
            if violations:
                raise AssertionError(f"{solver} on {name}: {violations[0].detail}")
        yield Result(
            problem=name,
            solver=solver,
            seed=seed,
            seconds=seconds,
            cost=cost,
            took=took,
            remark=remark,
        )

    yield from measured(CHEAPEST, 1, partial(cheapest_insertion, problem))
    for seed in range(1, seeds + 1):
        for peer in PEERS:
            if seed == 1 or peer.has_seed:
                work = partial(_plan_of, peer, problem, seconds, seed, patience)
                yield from measured(peer.name, seed, work)
        yield from measured(OWN, seed, partial(solve, problem, stop=Seconds(seconds), seed=seed))
    if (name, BOUND, 1, seconds) not in known:
        bound = lower_bound(problem)
        yield Result(problem=name, solver=BOUND, seed=1, seconds=seconds, cost=bound, took=0.0)


def _plan_of(
    peer: Peer, problem: Problem, seconds: float, seed: int, patience: float
) -> Plan | str:
    found = answer(peer, problem, seconds, seed, patience)
    return found if isinstance(found, str) else repaired(problem, found)


def print_table(results: list[Result]) -> None:
    """Print the mean cost of each solver on each problem, and how the planner compares."""
    solvers = (CHEAPEST, *(peer.name for peer in PEERS), OWN, BOUND)
    print("| problem | " + " | ".join(solvers) + " | ratio to the best peer |")
    print("|---|" + "---:|" * (len(solvers) + 1))
    ratios: dict[str, list[float]] = {}
    for name in dict.fromkeys(result.problem for result in results):
        costs: dict[str, float] = {}
        cells = []
        for solver in solvers:
            own = [one for one in results if (one.problem, one.solver) == (name, solver)]
            found = [one.cost for one in own if one.cost is not None]
            if found:
                costs[solver] = mean(found)
                took = max(one.took for one in own)
                cells.append(f"{costs[solver]:.0f}" + (f" ({took:.0f} s)" if took else ""))
            else:
                cells.append(own[0].remark if own else "")
        peers = [costs[peer.name] for peer in PEERS if peer.name in costs]
        ratio = ""
        if peers and OWN in costs:
            ratios.setdefault(name[0], []).append(costs[OWN] / min(peers))
            ratio = f"{ratios[name[0]][-1]:.3f}"
        print(f"| {name} | " + " | ".join(cells) + f" | {ratio} |")
    for size, several in ratios.items():
        print(
            f"{size}: mean ratio {mean(several):.3f}, highest {max(several):.3f}, of {len(several)}"
        )


def main() -> None:
    """Run everything that has not been run yet and print the table."""
    parser = argparse.ArgumentParser(description="Compare solvers on planning problems.")
    parser.add_argument("problems", nargs="*", type=Path, help="files, named by their size first")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--seeds", type=int, default=3, help="searches of each problem")
    parser.add_argument("--fresh", type=int, default=0, help="invented problems of each size")
    parser.add_argument("--sizes", default="SML", help="of the invented problems")
    parser.add_argument("--patience", type=float, default=60.0, help="seconds a peer may be late")
    parser.add_argument("--results", type=Path, help="where answers are noted, one per line")
    options = parser.parse_args()
    results: list[Result] = []
    if options.results is not None and options.results.exists():
        lines = options.results.read_text(encoding="utf-8").splitlines()
        results = [Result(**json.loads(line)) for line in lines]
    known = {result.asked for result in results}
    solve(crew_problem(SIZES["S"], 1), stop=Iterations(1), seed=1)  # compile before timing
    files = [(path.name.split(".")[0], path) for path in options.problems]
    fresh = [
        (f"{size}-{number}", None)
        for size in options.sizes
        for number in range(101, 101 + options.fresh)
    ]
    for name, path in [*files, *fresh]:
        if path is None:
            problem = crew_problem(SIZES[name[0]], int(name[2:]))
        else:
            problem = read_problem(path)
        for result in run(name, problem, options.seconds, options.seeds, options.patience, known):
            results.append(result)
            print(f"{result.problem} {result.solver} {result.cost or result.remark}", flush=True)
            if options.results is not None:
                with options.results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(result)) + "\n")
    print_table(results)


if __name__ == "__main__":
    main()
