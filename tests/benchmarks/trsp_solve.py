"""The planner on the published technician problems of `trsp`.

    python -m tests.benchmarks.trsp_solve FOLDER ANSWERS --seconds 60 --only R102 C101

Writes one answer for each instance that has none yet and evaluates them all, so a run begun anew
goes on where it was stopped. The planner counts in whole numbers, so a
unit of time is taken as a thousand, and journeys are rounded up: a plan that keeps the windows
in thousandths keeps them exactly.
"""

import argparse
import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from scheduler.routing.checker import check
from scheduler.routing.engine import Seconds, solve
from scheduler.routing.params import Params
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Charge, Place, Problem, Shift, Visit, Workshop
from tests.benchmarks.trsp import DEPOT, Instance, Node, print_table, read_instance

UNIT = 1000
LEAVE_OUT = 100_000 * UNIT
"""Every request is to be served: dearer than all working time of any instance."""


def problem_of(instance: Instance) -> Problem:
    """Put an instance into the planner's terms."""
    nodes = instance.nodes
    x, y = np.array([node.x for node in nodes]), np.array([node.y for node in nodes])
    travel = np.ceil(UNIT * np.hypot(x[:, None] - x, y[:, None] - y)).astype(np.int32)
    shifts = tuple(
        Shift(
            id=str(number),
            technician=str(number),
            start_place=number,
            end_place=number,
            start=math.ceil(UNIT * node.opens),
            end=math.floor(UNIT * node.closes),
            skills=_names(node.skills),
            tools=_names(node.tools),
            parts=_parts(node),
            workshop=Workshop(place=DEPOT),
        )
        for number, node in enumerate(nodes)
        if 1 <= number <= instance.crew
    )
    visits = tuple(
        Visit(
            id=str(number),
            place=number,
            minutes=math.ceil(UNIT * nodes[number].service),
            skills=_names(nodes[number].skills),
            start_windows=(
                (math.ceil(UNIT * nodes[number].opens), math.floor(UNIT * nodes[number].closes)),
            ),
            leave_out_cost=LEAVE_OUT,
            tools=_names(nodes[number].tools),
            parts=_parts(nodes[number]),
        )
        for number in instance.requests
    )
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=str(number)) for number in range(len(nodes))),
        travel_minutes=travel,
        shifts=shifts,
        visits=visits,
        charge=Charge.WORKING_TIME,
    )


def _names(numbers: frozenset[int]) -> frozenset[str]:
    return frozenset(str(number) for number in numbers)


def _parts(node: Node) -> dict[str, int]:
    return {str(kind): count for kind, count in enumerate(node.parts) if count}


def answer_of(plan: Plan) -> dict[str, list[int]]:
    """Put a plan into the terms of an answer."""
    calls = {(call.shift, call.before) for call in plan.calls}
    rounds: dict[str, list[int]] = {}
    for stop in plan.stops:
        nodes = rounds.setdefault(stop.shift, [])
        if (stop.shift, stop.visit) in calls:
            nodes.append(DEPOT)
        nodes.append(int(stop.visit))
    return rounds


def main() -> None:
    """Solve instances, write the answers and print their gaps to the best known values."""
    parser = argparse.ArgumentParser(description="Solve published technician problems.")
    parser.add_argument("folder", type=Path, help="the published files")
    parser.add_argument("answers", type=Path, help="where the answers go")
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[], help="names of instances; all if none")
    options = parser.parse_args()
    options.answers.mkdir(parents=True, exist_ok=True)
    params = Params(
        hottest=20.0 * UNIT,
        hottest_when_crowded=150.0 * UNIT,
        hottest_when_warm=5.0 * UNIT,
        coldest=1.0 * UNIT,
    )
    for path in sorted(options.folder.glob("*.txt")):
        target = options.answers / f"{path.stem}.json"
        if (options.only and path.stem not in options.only) or target.exists():
            continue
        problem = problem_of(read_instance(path))
        plan = solve(problem, stop=Seconds(options.seconds), seed=options.seed, params=params)
        violations = check(problem, plan)
        if violations:
            raise AssertionError(f"{path.stem}: {violations[0].detail}")
        target.write_text(json.dumps(answer_of(plan)), encoding="utf-8")
    print_table(options.folder, options.answers)


if __name__ == "__main__":
    main()
