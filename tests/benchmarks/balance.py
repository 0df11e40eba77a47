"""How evenly the days are filled, and what that costs in travel.

    python -m tests.benchmarks.balance FOLDER --name M1 --weights 0 2 4 8 --iterations 300000

Solves a planning problem with each weight for balance from the same seeds and prints, as means over
them, the spread (standard deviation) of the working minutes of all days of all technicians, days
off because nothing is left to do included; of the days that are used; of the technicians' totals;
and the travel. With `--usual` minutes the days that are used become alike; without, all work is
spread over all days.
"""

import argparse
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.plan import Plan, rounds
from scheduler.routing.problem import Problem
from scheduler.routing.problem_file import read_problem


def working_minutes(problem: Problem, plan: Plan) -> dict[str, int]:
    """Return travel and visits of every shift, unused ones included."""
    visits = {visit.id: visit for visit in problem.visits}
    minutes = {shift.id: 0 for shift in problem.shifts}
    for round_ in rounds(problem, plan):
        served = sum(visits[stop.visit].minutes_in(stop.shift) for stop in round_.stops)
        minutes[round_.shift] = served + round_.travel_minutes
    return minutes


def main() -> None:
    """Print one line per weight."""
    parser = argparse.ArgumentParser(description="Measure how evenly days are filled.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--name", default="M1")
    parser.add_argument("--weights", type=int, nargs="+", default=[0, 2, 4, 8])
    parser.add_argument("--usual", type=int, default=0)
    parser.add_argument("--iterations", type=int, default=300_000)
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args()
    problem = read_problem(options.folder / f"{options.name}.json.gz")
    owner = {shift.id: shift.technician for shift in problem.shifts}
    base: np.ndarray | None = None
    print("spreads of days, of used days and of people against the first weight; travel; left out")
    for weight in options.weights:
        found = []
        shifts = tuple(replace(shift, usual_minutes=options.usual) for shift in problem.shifts)
        weighed = replace(problem, balance=weight, shifts=shifts)
        for seed in range(1, options.seeds + 1):
            plan = solve(weighed, stop=Iterations(options.iterations), seed=seed)
            if violations := check(weighed, plan):
                raise AssertionError(violations[0].detail)
            minutes = working_minutes(problem, plan)
            people = Counter[str]()
            for shift, worked in minutes.items():
                people[owner[shift]] += worked
            used = [worked for worked in minutes.values() if worked]
            spread = np.std(list(minutes.values())), np.std(used), np.std(list(people.values()))
            found.append((*spread, plan.cost.travel, plan.cost.left_out))
        days, used_days, totals, travel, left_out = line = np.mean(found, axis=0)
        base = line if base is None else base
        print(
            f"{weight:>6} {days:>6.1f} {days / base[0]:>4.0%} {used_days:>6.1f} "
            f"{used_days / base[1]:>4.0%} {totals:>8.1f} {totals / base[2]:>4.0%} "
            f"{travel:>8.0f} {travel / base[3] - 1:+.1%} {left_out:>8.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
