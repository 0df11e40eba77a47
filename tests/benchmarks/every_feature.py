"""Many random problems with every feature on: does any plan break a rule?

    python -m tests.benchmarks.every_feature --problems 1000 --iterations 150

Problems of up to nine visits with breaks, several windows, pins, supplies and calls at the
workshop, working time charged or travel, balance, driving limits, minutes by technician, visits
after others, visits for two and sites for one technician at a time, drawn by hypothesis. Each is
planned from nothing, then repaired from its own plan after a shift is lost; the checker judges
both.
"""

import argparse
from collections import Counter
from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidProblem
from scheduler.replanning import repair
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.problem import Charge, Problem
from tests.scheduler.routing.strategies import problems


def without_shift(problem: Problem, lost: str) -> Problem:
    """Return the problem with one shift less; its pins are lifted."""
    return replace(
        problem,
        shifts=tuple(shift for shift in problem.shifts if shift.id != lost),
        visits=tuple(
            replace(
                visit,
                pinned=None if visit.pinned and visit.pinned.shift == lost else visit.pinned,
                shift_costs={k: v for k, v in visit.shift_costs.items() if k != lost},
                shift_minutes={k: v for k, v in visit.shift_minutes.items() if k != lost},
            )
            for visit in problem.visits
        ),
    )


def main() -> None:
    """Print how many plans were judged and how many violations were found."""
    parser = argparse.ArgumentParser(description="Plan random problems with every feature on.")
    parser.add_argument("--problems", type=int, default=1000)
    parser.add_argument("--iterations", type=int, default=150)
    options = parser.parse_args()
    seen = Counter[str]()

    @settings(max_examples=options.problems, deadline=None, suppress_health_check=list(HealthCheck))
    @given(
        problem=problems(
            max_visits=9,
            supplies=True,
            people=True,
            links=True,
            sites=True,
            charges=tuple(Charge),
        ),
        seed=st.integers(0, 2**31),
        data=st.data(),
    )
    def judge(problem: Problem, seed: int, data: st.DataObject) -> None:
        plan = solve(problem, stop=Iterations(options.iterations), seed=seed)
        found = len(check(problem, plan))
        seen["problems"] += 1
        seen["linked"] += problem.is_linked()
        seen["working time"] += problem.charge is Charge.WORKING_TIME
        seen["balanced"] += problem.balance > 0
        seen["supplied"] += problem.has_supplies()
        seen["with sites"] += any(visit.site for visit in problem.visits)
        lost = data.draw(st.sampled_from([shift.id for shift in problem.shifts]))
        try:
            left = without_shift(problem, lost)
            outcome = repair(left, plan, stop=Iterations(options.iterations), seed=seed)
        except InvalidProblem:
            seen["no problem without the shift"] += 1
        else:
            found += len(check(outcome.problem, outcome.plan))
        seen["violations"] += found
        assert not found

    judge()
    print(", ".join(f"{count} {name}" for name, count in sorted(seen.items())))
    print(f"{seen['violations']} violations")


if __name__ == "__main__":
    main()
