"""One search over everything, or region by region: the same problem, the same seconds, one table.

    python -m tests.benchmarks.regions --technicians 240 --seconds 20 60 --size 30

A line per way of cutting: one search; regions that never meet (one pass); regions cut anew in
each further pass. All of them run in one process and are given the same seconds in all. The
difference between one pass and several is what the borders cost. On a busy machine give
``--iterations`` instead, and compare by the CPU seconds they took.
"""

import argparse
import multiprocessing
import time
from multiprocessing.connection import Connection

from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Seconds, solve
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem
from scheduler.routing.regions import Part, plan_by_regions
from tests.benchmarks.growth import grown_problem, most_megabytes, table_line

COLUMNS = ("way", "bound", "CPU s", "cost", "travel", "left out", "most, MB", "violations")


Stop = Seconds | Iterations


def shared(stop: Stop, share: float) -> Stop:
    """Return a share of what a search may use."""
    if isinstance(stop, Iterations):
        return Iterations(round(stop.count * share))
    return Seconds(stop.seconds * share)


def by_regions(problem: Problem, stop: Stop, size: int, passes: int, seed: int) -> Plan:
    """Plan region by region in this process; the passes share what they may use evenly."""

    def search(part: Part) -> Plan:
        return solve(
            part.problem,
            stop=shared(stop, part.share / passes),
            seed=part.seed,
            start_from=part.start_from,
        )

    return plan_by_regions(
        problem, search, most_technicians=size, passes=passes, seed=seed, run_all=map
    )


def _send(
    connection: Connection, technicians: int, stop: Stop, size: int, passes: int, seed: int
) -> None:
    solve(grown_problem(2, 1), stop=Iterations(1), seed=1)  # loads the compiled planner
    problem = grown_problem(technicians, seed)
    begun = time.process_time()
    if passes:
        plan = by_regions(problem, stop, size, passes, seed)
    else:
        plan = solve(problem, stop=stop, seed=seed)
    took = time.process_time() - begun
    most = most_megabytes()
    way = f"regions of {size}, {passes} passes" if passes else "one search"
    connection.send(
        (
            way,
            f"{stop.count:,} iterations" if isinstance(stop, Iterations) else f"{stop.seconds:g} s",
            f"{took:.1f}",
            f"{plan.cost.total:,}",
            f"{plan.cost.travel:,}",
            len(plan.left_out),
            f"{most:,}",
            len(check(problem, plan)),
        )
    )


def main() -> None:
    """Measure all ways and print the table."""
    parser = argparse.ArgumentParser(description="Compare one search with regions.")
    parser.add_argument("--technicians", type=int, default=240)
    parser.add_argument("--seconds", type=float, nargs="+", default=[20.0])
    parser.add_argument("--iterations", type=int, nargs="+", help="instead of seconds")
    parser.add_argument("--size", type=int, nargs="+", default=[30], help="technicians a region")
    parser.add_argument("--passes", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(table_line(COLUMNS), table_line(("---:",) * len(COLUMNS)), sep="\n", flush=True)
    ways = [(0, 0), *((size, passes) for size in options.size for passes in options.passes)]
    stops: list[Stop] = [Seconds(each) for each in options.seconds]
    if options.iterations:
        stops = [Iterations(each) for each in options.iterations]
    for stop in stops:
        for size, passes in ways:
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            arguments = (theirs, options.technicians, stop, size, passes, options.seed)
            process = context.Process(target=_send, args=arguments)
            process.start()
            theirs.close()
            print(table_line(ours.recv()), flush=True)
            process.join()


if __name__ == "__main__":
    main()
