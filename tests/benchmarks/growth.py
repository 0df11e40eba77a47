"""How the planner grows: problems of one density from 8 to 240 technicians, one table.

    python -m tests.benchmarks.growth --seconds 20 --out growth.md

Every size is planned in a process of its own, one after the other. A region keeps its density of
technicians, visits and towns while it grows, so the cost per visit tells whether a large problem
is planned as well as a small one. The travel between the places is estimated from their
coordinates, as for a company. The search is given wall-clock seconds, since it cools by them; how
much processor it had of them is shown. Memory is the most the process ever held, the interpreter
and the compiled planner included.
"""

import argparse
import multiprocessing
import resource
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from scheduler.places import Coordinates
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Progress, Seconds, solve
from scheduler.routing.problem import Problem
from scheduler.routing.regions import solve_any_size
from scheduler.travel import StraightLineTravel
from tests.benchmarks.crew import REGION_KM, Size, crew_problem

TECHNICIANS = (8, 30, 60, 120, 240)
VISITS_PER_TECHNICIAN = 10_000 / 240
TOWNS_PER_TECHNICIAN = 25 / 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one size took and gave. Costs are minutes of travel equivalent."""

    technicians: int
    visits: int
    places: int
    build_cpu_seconds: float
    built_megabytes: int
    first_plan_cpu_seconds: float
    first_cost: int
    cpu_seconds: float
    iterations: int
    cost: int
    travel: int
    left_out: int
    most_megabytes: int
    violations: int


def grown_size(technicians: int) -> Size:
    """Return a size of the usual density; 240 technicians make 10,000 visits."""
    return Size(
        technicians=technicians,
        days=10,
        visits=round(technicians * VISITS_PER_TECHNICIAN),
        towns=max(3, round(technicians * TOWNS_PER_TECHNICIAN)),
        region_km=REGION_KM * (technicians / 60) ** 0.5,
    )


def travel_estimate(spots_km: np.ndarray, _random: np.random.Generator) -> np.ndarray:
    """Return the company's own estimate for spots given in km, laid around 45 N."""
    lat = 45 + spots_km[:, 1] / 111.195
    lon = spots_km[:, 0] / (111.195 * np.cos(np.radians(45)))
    places = [Coordinates(lat=float(a), lon=float(o)) for a, o in zip(lat, lon, strict=True)]
    return StraightLineTravel().between(places).minutes


def grown_problem(technicians: int, seed: int) -> Problem:
    """Invent a problem of the usual density, its travel estimated from coordinates."""
    return crew_problem(grown_size(technicians), seed, travel=travel_estimate)


def measure(technicians: int, seconds: float, seed: int) -> Measured:
    """Build, plan and check one size in this process."""
    solve(grown_problem(2, 1), stop=Iterations(1), seed=1)  # loads the compiled planner
    before = time.process_time()
    problem = grown_problem(technicians, seed)
    built, built_megabytes = time.process_time() - before, most_megabytes()
    watch = _Watch()
    plan = solve_any_size(problem, stop=Seconds(seconds), seed=seed, on_progress=watch.note)
    most = most_megabytes()
    return Measured(
        technicians=technicians,
        visits=len(problem.visits),
        places=len(problem.places),
        build_cpu_seconds=built,
        built_megabytes=built_megabytes,
        first_plan_cpu_seconds=watch.first_cpu_seconds,
        first_cost=watch.first_cost,
        cpu_seconds=watch.cpu_seconds,
        iterations=watch.iterations,
        cost=plan.cost.total,
        travel=plan.cost.travel,
        left_out=len(plan.left_out),
        most_megabytes=most,
        violations=len(check(problem, plan)),
    )


class _Watch:
    """Notes the first plan, and how much of its processor the search really had."""

    def __init__(self) -> None:
        self._begun = time.process_time()
        self.first_cpu_seconds = self.cpu_seconds = 0.0
        self.first_cost, self.iterations = -1, 0

    def note(self, progress: Progress) -> None:
        self.cpu_seconds = time.process_time() - self._begun
        if self.first_cost < 0:
            self.first_cpu_seconds, self.first_cost = self.cpu_seconds, progress.cost
        self.iterations = progress.iterations


def most_megabytes() -> int:
    """Return the most memory this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def _in_a_process(technicians: int, seconds: float, seed: int) -> Measured:
    context = multiprocessing.get_context("spawn")  # a fork would inherit the parent's memory
    ours, theirs = context.Pipe()
    process = context.Process(target=_send, args=(theirs, technicians, seconds, seed))
    process.start()
    theirs.close()
    measured: Measured = ours.recv()
    process.join()
    return measured


def _send(connection: Connection, technicians: int, seconds: float, seed: int) -> None:
    connection.send(measure(technicians, seconds, seed))


COLUMNS = (
    "technicians",
    "visits",
    "places",
    "first plan, CPU s",
    "first cost",
    "search, CPU s",
    "iterations",
    "cost",
    "cost per visit",
    "left out",
    "built, MB",
    "most, MB",
    "violations",
)


def table_line(cells: tuple[object, ...]) -> str:
    """Return one line of a Markdown table."""
    return "| " + " | ".join(map(str, cells)) + " |"


def _cells(one: Measured) -> tuple[object, ...]:
    return (
        one.technicians,
        f"{one.visits:,}",
        f"{one.places:,}",
        f"{one.first_plan_cpu_seconds:.2f}",
        f"{one.first_cost:,}",
        f"{one.cpu_seconds:.1f}",
        f"{one.iterations:,}",
        f"{one.cost:,}",
        f"{one.cost / one.visits:.2f}",
        one.left_out,
        f"{one.built_megabytes:,}",
        f"{one.most_megabytes:,}",
        one.violations,
    )


def main() -> None:
    """Plan all sizes and write the table."""
    parser = argparse.ArgumentParser(description="Plan ever larger problems of one density.")
    parser.add_argument("--seconds", type=float, default=20.0, help="for each size")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--technicians", type=int, nargs="+", default=list(TECHNICIANS))
    parser.add_argument("--out", type=Path, help="where to write the table as well")
    options = parser.parse_args()
    lines = [table_line(COLUMNS), table_line(("---:",) * len(COLUMNS))]
    print("\n".join(lines), flush=True)
    for technicians in options.technicians:
        measured = _in_a_process(technicians, options.seconds, options.seed)
        lines.append(table_line(_cells(measured)))
        print(lines[-1], flush=True)
    if options.out is not None:
        options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
