"""How often the planner reaches the proven optimum of small crew problems.

    python -m tests.benchmarks.optimum --problems 200 --iterations 5000 [--sites]

Two technicians, two days and four to nine visits, invented by `crew`; the optimum is proven by
CP-SAT (see tests/published/cp_sat.py). With sites, one technician at a time may be at a place.
"""

import argparse
from dataclasses import replace

from scheduler.routing.bound import lower_bound
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from tests.benchmarks.crew import Size, crew_problem
from tests.published.cp_sat import proven_optimum


def main() -> None:
    """Print every miss and the count of hits."""
    parser = argparse.ArgumentParser(description="Compare plans with proven optima.")
    parser.add_argument("--problems", type=int, default=200)
    parser.add_argument("--iterations", type=int, default=20_000)
    parser.add_argument("--sites", action="store_true")
    options = parser.parse_args()
    hits = 0
    shares = []
    for seed in range(options.problems):
        size = Size(technicians=2, days=2, visits=4 + seed % 6, towns=3)
        problem = crew_problem(size, seed)
        if options.sites:
            visits = (replace(visit, site=str(visit.place)) for visit in problem.visits)
            problem = replace(problem, visits=tuple(visits))
        plan = solve(problem, stop=Iterations(options.iterations), seed=seed)
        violations = check(problem, plan)
        if violations:
            raise AssertionError(f"seed {seed}: {violations[0].detail}")
        least = proven_optimum(problem)
        hits += plan.cost.total == least
        if plan.cost.total != least:
            print(f"seed {seed}, {size.visits} visits: {plan.cost.total} instead of {least}")
        if least:
            shares.append(lower_bound(problem) / least)
    print(f"{hits} of {options.problems} optimal; bound at {sum(shares) / len(shares):.0%} on mean")


if __name__ == "__main__":
    main()
