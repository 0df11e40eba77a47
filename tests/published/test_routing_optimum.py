"""The planner against an exact solver that knows nothing of it (see `cp_sat`)."""

from hypothesis import given, settings

from scheduler.routing.bound import lower_bound
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.problem import Problem
from tests.published.cp_sat import proven_optimum
from tests.scheduler.routing.exact import optimum
from tests.scheduler.routing.strategies import problems


@settings(max_examples=60, deadline=None)
@given(problems(people=True, sites=True))
def test_trying_everything_agrees_with_the_exact_solver(problem: Problem) -> None:
    assert optimum(problem) == proven_optimum(problem)


# The search is a heuristic that may miss an optimum once in a while: always the same examples,
# so that a miss is a change of the search. tests/benchmarks/optimum.py tries fresh ones.
@settings(max_examples=40, deadline=None, derandomize=True)
@given(problems(max_visits=9, shortcuts=False, people=True))
def test_planner_reaches_the_proven_optimum(problem: Problem) -> None:
    plan = solve(problem, stop=Iterations(5000), seed=1)
    assert check(problem, plan) == ()
    least = proven_optimum(problem)
    assert plan.cost.total == least
    assert lower_bound(problem) <= least


# Linked visits are placed beside the search, so an optimum may be missed; a cost below it would
# mean that a rule is.
@settings(max_examples=30, deadline=None, derandomize=True)
@given(problems(max_visits=6, shortcuts=False, people=True, links=True, sites=True))
def test_linked_visits_never_cost_less_than_the_proven_optimum(problem: Problem) -> None:
    plan = solve(problem, stop=Iterations(300), seed=1)
    assert check(problem, plan) == ()
    assert plan.cost.total >= proven_optimum(problem)
