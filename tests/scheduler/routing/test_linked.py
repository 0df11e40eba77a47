"""Visits that hang together: one after another, two technicians at once."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidProblem
from scheduler.routing.checker import Rule, check
from scheduler.routing.engine import Iterations, Progress, solve
from scheduler.routing.plan import Plan, Stop, cost_of
from scheduler.routing.problem import After, Charge, Pin, Problem, Shift
from tests.scheduler.routing.strategies import problems
from tests.scheduler.routing.test_engine import along_a_road, day, visit

ALL_DAY = (0, 100)
NEXT_DAY = (1000, 1100)


def of(who: str, shift: Shift) -> Shift:
    return replace(shift, id=f"{who}/{shift.start // 1000}", technician=who)


def plan_of(problem: Problem, *stops: tuple[str, str, int]) -> Plan:
    made = tuple(Stop(visit=name, shift=where, start=start) for name, where, start in stops)
    return Plan(stops=made, breaks=(), left_out=(), cost=cost_of(problem, made))


def test_a_part_is_fitted_the_day_after_the_test() -> None:
    # The pressure test takes from 10 to 20 on day 0. The part may follow 900 minutes later, so on
    # day 1; on day 0 it would save the second drive.
    test = visit("test", 1, 10, ALL_DAY, NEXT_DAY)
    part = replace(visit("part", 1, 10, ALL_DAY, NEXT_DAY), after=After(visit="test", minutes=900))
    problem = along_a_road((day(0), day(1)), (part, test))
    plan = solve(problem, stop=Iterations(60), seed=1)
    assert check(problem, plan) == ()
    assert {stop.visit: stop.shift for stop in plan.stops} == {"test": "t/0", "part": "t/1"}


def test_what_comes_after_may_follow_on_the_same_round() -> None:
    test = visit("test", 2, 10, ALL_DAY)
    part = replace(visit("part", 1, 10, ALL_DAY), after=After(visit="test"))
    plan = solve(along_a_road((day(0),), (part, test)), stop=Iterations(60), seed=1)
    assert [stop.visit for stop in plan.stops] == ["test", "part"]


def test_nothing_follows_what_is_left_out() -> None:
    test = visit("test", 9, 10, ALL_DAY)  # 90 minutes away: nobody can
    part = replace(visit("part", 1, 10, ALL_DAY), after=After(visit="test"))
    problem = along_a_road((day(0),), (part, test))
    plan = solve(problem, stop=Iterations(60), seed=1)
    assert (plan.stops, plan.cost.left_out) == ((), 1000)
    assert check(problem, plan) == ()


def test_two_technicians_meet() -> None:
    # Bo is at km2 with "own" from 20 to 50; only then can both lift at km2.
    own = replace(visit("own", 2, 30, (20, 20)), skills=frozenset({"boards"}))
    one = visit("one", 2, 15, ALL_DAY)
    two = replace(visit("two", 2, 15, ALL_DAY), together_with="one")
    ann, bo = of("ann", day(0)), of("bo", day(0, frozenset({"boards"})))
    problem = along_a_road((ann, bo), (own, one, two))
    plan = solve(problem, stop=Iterations(120), seed=1)
    assert check(problem, plan) == ()
    stops = {stop.visit: stop for stop in plan.stops}
    assert set(stops) == {"own", "one", "two"}
    assert stops["one"].start == stops["two"].start
    assert {stops["one"].shift, stops["two"].shift} == {"ann/0", "bo/0"}


def test_one_technician_alone_cannot_make_what_needs_two() -> None:
    one, two = visit("one", 1, 5, ALL_DAY), visit("two", 1, 5, ALL_DAY)
    problem = along_a_road((day(0), day(1)), (one, replace(two, together_with="one")))
    plan = solve(problem, stop=Iterations(60), seed=1)
    assert (plan.stops, check(problem, plan)) == ((), ())


def test_the_checker_names_every_broken_link() -> None:
    visits = (
        visit("test", 1, 10, ALL_DAY),
        replace(visit("part", 1, 10, ALL_DAY), after=After(visit="test", minutes=20)),
        replace(visit("half", 1, 10, ALL_DAY), together_with="other"),
        visit("other", 1, 10, ALL_DAY),
    )
    ann, bo = of("ann", day(0)), of("bo", day(0))
    problem = along_a_road((ann, bo), visits)

    def broken(*stops: tuple[str, str, int]) -> list[Rule]:
        found = check(problem, plan_of(problem, *stops))
        return [each.rule for each in found if each.rule is not Rule.VISIT_MISSING]

    assert broken(("test", "ann/0", 10), ("part", "bo/0", 39)) == [Rule.TOO_SOON_AFTER]
    assert broken(("test", "ann/0", 10), ("part", "bo/0", 40)) == []
    assert broken(("part", "bo/0", 40)) == [Rule.LINK_LEFT_OUT]
    assert broken(("half", "ann/0", 10)) == [Rule.LINK_LEFT_OUT]
    assert broken(("half", "ann/0", 10), ("other", "bo/0", 11)) == [Rule.NOT_TOGETHER]
    assert broken(("half", "ann/0", 10), ("other", "bo/0", 10)) == []


def test_links_that_cannot_be_are_refused() -> None:
    one, two = visit("one", 1, 5, ALL_DAY), visit("two", 1, 5, ALL_DAY)
    three = visit("three", 1, 5, ALL_DAY)

    def flaws(*visits: object) -> str:
        with pytest.raises(InvalidProblem) as caught:
            along_a_road((day(0), of("bo", day(0))), visits)  # type: ignore[arg-type]  # visits all
        return str(caught.value)

    assert "must name another visit" in flaws(replace(one, after=After(visit="one")))
    assert "must name another visit" in flaws(replace(one, together_with="nobody"))
    assert "makes a third" in flaws(
        one, replace(two, together_with="one"), replace(three, together_with="one")
    )
    assert "cut the circle" in flaws(
        replace(one, after=After(visit="two")), replace(two, after=After(visit="one"))
    )
    assert "pinned exactly when" in flaws(
        replace(one, pinned=Pin(shift="t/0", start=20)), replace(two, together_with="one")
    )
    assert "not kept by the pins" in flaws(
        replace(one, pinned=Pin(shift="t/0", start=20)),
        replace(two, pinned=Pin(shift="bo/0", start=24), after=After(visit="one")),
    )


def test_the_same_seed_and_iterations_give_the_same_plan_and_progress() -> None:
    test = visit("test", 1, 10, ALL_DAY, NEXT_DAY)
    part = replace(visit("part", 3, 10, ALL_DAY, NEXT_DAY), after=After(visit="test"))
    problem = along_a_road((day(0), day(1)), (part, test, visit("v", 2, 5, NEXT_DAY)))
    seen: list[list[Progress]] = [[], []]
    plans = [solve(problem, stop=Iterations(70), seed=4, on_progress=each.append) for each in seen]
    assert plans[0] == plans[1]
    assert seen[0][-1].iterations == 70
    assert [at.cost for at in seen[0]] == [at.cost for at in seen[1]]


@given(
    problem=problems(links=True, people=True, sites=True, supplies=True, charges=tuple(Charge)),
    seed=st.integers(0, 9),
)
@settings(max_examples=60, deadline=None)
def test_plans_with_every_feature_keep_every_rule(problem: Problem, seed: int) -> None:
    plan = solve(problem, stop=Iterations(40), seed=seed)
    assert check(problem, plan) == ()
    assert check(problem, solve(problem, stop=Iterations(30), seed=seed, start_from=plan)) == ()
