"""Published delivery problems with windows: a sanity check of the search.

    python -m tests.benchmarks.load RC208.vrp --best 776.1 --seconds 60

Reads the VRPLIB format.  The load of a vehicle is expressed as a spare part every visit uses up, so
nothing is added to the planner for it.  Distances are cut to one decimal, as the published values
of Solomon's problems are (Solomon, Operations Research 35(2), 1987), and a unit of time is taken as
ten minutes.  The source of a file names its best known value.
"""

import argparse
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from scheduler.routing.checker import check
from scheduler.routing.engine import Seconds, solve
from scheduler.routing.params import Params
from scheduler.routing.parts import Place, Shift, Visit
from scheduler.routing.problem import Problem

UNIT = 10
LEAVE_OUT = 100_000 * UNIT


def sections_of(path: Path) -> tuple[dict[str, str], dict[str, list[list[float]]]]:
    """The headings of a file and its tables."""
    headings: dict[str, str] = {}
    tables: dict[str, list[list[float]]] = {}
    name = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        words = line.split()
        if not words or words[0] in ("EOF", "-1"):
            continue
        if ":" in line:
            key, _, value = line.partition(":")
            headings[key.strip()] = value.strip()
        elif words[0].endswith("_SECTION"):
            name = words[0]
            tables[name] = []
        else:
            tables[name].append([float(word) for word in words])
    return headings, tables


def problem_of(path: Path) -> Problem:
    """Put a file into the planner's terms: every vehicle a shift, every customer a visit."""
    headings, tables = sections_of(path)
    spots = np.array([row[1:] for row in tables["NODE_COORD_SECTION"]])
    demand, service = (
        [row[1] for row in tables[name]] for name in ("DEMAND_SECTION", "SERVICE_TIME_SECTION")
    )
    windows = [(int(UNIT * row[1]), int(UNIT * row[2])) for row in tables["TIME_WINDOW_SECTION"]]
    away = UNIT * np.linalg.norm(spots[:, None] - spots[None, :], axis=2)
    shifts = tuple(
        Shift(
            id=f"vehicle {number}",
            technician=f"vehicle {number}",
            start_place=0,
            end_place=0,
            start=windows[0][0],
            end=windows[0][1],
            parts={"load": int(headings["CAPACITY"])},
        )
        for number in range(int(headings["VEHICLES"]))
    )
    visits = tuple(
        Visit(
            id=f"customer {number}",
            place=number,
            minutes=int(UNIT * service[number]),
            start_windows=(windows[number],),
            leave_out_cost=LEAVE_OUT,
            parts={"load": int(demand[number])},
        )
        for number in range(1, len(spots))
    )
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=str(number)) for number in range(len(spots))),
        travel_minutes=np.floor(away + 1e-9).astype(np.int32),
        shifts=shifts,
        visits=visits,
    )


def main() -> None:
    """Solve a file and print how far from the best known value the plan is."""
    parser = argparse.ArgumentParser(description="Solve a delivery problem with windows.")
    parser.add_argument("file", type=Path)
    parser.add_argument("--best", type=float, required=True, help="best known value")
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    problem = problem_of(options.file)
    params = Params(hottest=20.0 * UNIT, hottest_when_crowded=150.0 * UNIT)
    plan = solve(problem, stop=Seconds(options.seconds), seed=options.seed, params=params)
    violations = check(problem, plan)
    if violations or plan.left_out:
        raise AssertionError(violations[0].detail if violations else "customers were left out")
    gap = plan.cost.total / UNIT / options.best - 1
    print(f"{options.file.stem}: {plan.cost.total / UNIT:.1f}, {gap:+.2%}, 0 violations")


if __name__ == "__main__":
    main()
