"""How quietly a disrupted plan is repaired, and what that quiet costs.

    python -m tests.benchmarks.replan FOLDER --name M1 --seconds 3 --seeds 3

Reads a planning problem, plans it, and lets the first day go by. Then one technician is away for a
day and twelve breakdown calls come in, each to be answered within two days. The plan is repaired
from where it stands, and planned freely from there and from nothing, in the same CPU time.

The plan to be repaired gets as long a search as the product gives a plan on one core unless told
otherwise. What it leaves to be improved the free plans pick up, by changing many visits that have
nothing to do with the news, and that counts against the repair: more `--first-seconds`, less of it.
"""

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from api.actions.planning import USUAL_SECONDS
from scheduler.replanning import PARAMS, Repair, compared, repair, with_past_frozen
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.params import Params
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem, Visit
from scheduler.routing.problem_file import read_problem

DAY = 24 * 60
CALLBACKS = 12
_MEASURED = 60_000  # iterations: the first ones are slower than the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Disruption:
    """The problem as it is after the bad news, and the first minute that is still to come."""

    problem: Problem
    now: int


def disrupt(problem: Problem, published: Plan, seed: int) -> Disruption:
    """Take away a technician for the second day and let callbacks come in, at sites known."""
    random = np.random.default_rng(seed)
    second_day = [shift for shift in problem.shifts if shift.start // DAY == 1]
    working = {stop.shift for stop in published.stops}
    away = random.choice([shift.id for shift in second_day if shift.id in working])
    skills = sorted({skill for shift in problem.shifts for skill in shift.skills})
    visits = [
        replace(
            visit,
            pinned=None
            if visit.pinned is not None and visit.pinned.shift == away
            else visit.pinned,
            shift_costs={name: cost for name, cost in visit.shift_costs.items() if name != away},
        )
        for visit in problem.visits
    ]
    for number in range(CALLBACKS):
        first = int(random.integers(1, 3)) * DAY + 8 * 60
        visits.append(
            Visit(
                id=f"callback-{number}",
                place=problem.visits[int(random.integers(len(problem.visits)))].place,
                minutes=int(random.choice((45, 60, 90))),
                skills=frozenset({str(random.choice(skills))}),
                start_windows=((first, first + 8 * 60), (first + DAY, first + DAY + 8 * 60)),
                leave_out_cost=10_000,
            )
        )
    return Disruption(
        problem=replace(
            problem,
            shifts=tuple(shift for shift in problem.shifts if shift.id != away),
            visits=tuple(visits),
        ),
        now=DAY,
    )


def iterations_per_second(problem: Problem, params: Params) -> float:
    """Return how many iterations take a CPU second on this machine, as it is now."""
    solve(problem, stop=Iterations(0), seed=0)
    begun = time.process_time()
    solve(problem, stop=Iterations(_MEASURED), seed=0, params=params)
    return _MEASURED / (time.process_time() - begun)


def main() -> None:
    """Print one line per disruption and way of planning."""
    parser = argparse.ArgumentParser(description="Measure how quietly plans are repaired.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--name", default="M1")
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--first-seconds", type=float, default=USUAL_SECONDS)
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args()
    problem = read_problem(options.folder / f"{options.name}.json.gz")
    per_second = iterations_per_second(problem, Params())
    stop = Iterations(round(per_second * options.seconds))
    quietly = Iterations(round(iterations_per_second(problem, PARAMS) * options.seconds))
    first = Iterations(round(per_second * options.first_seconds))
    print(
        f"{per_second:.0f} iterations per CPU second; {options.seconds:g} s each, "
        f"{options.first_seconds:g} s for the plan to be repaired"
    )
    print(f"{'seed':>4} {'way':<10} {'travel':>7} {'left out':>9} {'person/day':>11} {'time':>5}")
    changes, extra = [], []
    for seed in range(1, options.seeds + 1):
        published = solve(problem, stop=first, seed=seed)
        news = disrupt(problem, published, seed)
        begun = time.process_time()
        quiet = repair(news.problem, published, stop=quietly, seed=seed, frozen_before=news.now)
        taken = time.process_time() - begun
        frozen = with_past_frozen(news.problem, published, news.now)
        warm = solve(frozen, stop=stop, seed=seed, start_from=published)
        cold = solve(frozen, stop=stop, seed=seed)
        ways = {
            "repaired": quiet,
            "free, warm": compared(frozen, published, warm),
            "free, cold": compared(frozen, published, cold),
        }
        for name, way in ways.items():
            show(seed, name, way)
        changes.append(_elsewhere(quiet))
        free = min((warm, cold), key=lambda plan: plan.cost.total)
        extra.append(quiet.plan.cost.travel / free.cost.travel - 1)
        print(
            f"     repaired in {taken:.1f} CPU s, travel {extra[-1]:+.2%} of the better free plan"
        )
    print(
        f"mean: {np.mean(changes):.1f} visits change technician or day, "
        f"travel {np.mean(extra):+.2%} of a free plan; one disruption and another differ by "
        f"{np.std(changes):.1f} visits and {np.std(extra):.2%}"
    )


def _elsewhere(way: Repair) -> int:
    return len(way.handed_over) + len(way.other_day) + len(way.withdrawn)


def show(seed: int, name: str, way: Repair) -> None:
    """Print what one way of planning comes to; it must keep every rule."""
    if violations := check(way.problem, way.plan):
        raise AssertionError(f"{name}: {violations[0].detail}")
    cost = way.plan.cost
    print(
        f"{seed:>4} {name:<10} {cost.travel:>7} {cost.left_out:>9} {_elsewhere(way):>11} "
        f"{len(way.other_time):>5}",
        flush=True,
    )


if __name__ == "__main__":
    main()
