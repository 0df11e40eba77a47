"""Vans go on for several days: what lies in them, where they call, and what is fetched there.

Everything stands in a row, ten minutes apart: home at 0, the workshop at 1, cafés at 2 and beyond.
A day is 480 minutes of work from minute 0 of its 1440; a call takes 15 minutes.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.places import Coordinates
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, solve
from scheduler.routing.parts import Pin, Place, Shift, Visit
from scheduler.routing.plan import Call, Plan, Stop, cost_of
from scheduler.routing.problem import Problem
from scheduler.routing.settling import fetched, searched_and_settled, settle
from scheduler.routing.vans import Pieces, Stores, with_supplies

HOME, WORKSHOP, NEAR, FAR = range(4)
DAY = 1440


def shift(technician: str, day: int, *, begins: int = HOME, minutes: int = 480) -> Shift:
    return Shift(
        id=f"{technician}/{day}",
        technician=technician,
        start_place=begins,
        end_place=HOME,
        start=day * DAY,
        end=day * DAY + minutes,
    )


def visit(name: str, day: int, *, place: int = NEAR, minutes: int = 60) -> Visit:
    first = day * DAY
    return Visit(
        id=name,
        place=place,
        minutes=minutes,
        start_windows=((first, first + 480),),
        leave_out_cost=1000,
    )


def world(shifts: Sequence[Shift], visits: Sequence[Visit]) -> Problem:
    at = np.arange(4)
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=f"p{n}", lat=float(n), lon=0.0) for n in range(4)),
        travel_minutes=(10 * abs(at[:, None] - at[None, :])).astype(np.int32),
        shifts=tuple(shifts),
        visits=tuple(visits),
    )


def stores(vans: Mapping[str, Pieces], workshop: Pieces | None = None) -> Stores:
    at = Coordinates(lat=float(WORKSHOP), lon=0.0)
    return Stores(workshop=at, in_vans=vans, in_workshop=workshop)


def planned(problem: Problem, *stops: tuple[str, str, int]) -> Plan:
    made = tuple(Stop(visit=v, shift=s, start=start) for v, s, start in stops)
    return Plan(stops=made, breaks=(), left_out=(), cost=cost_of(problem, made))


THREE_DAYS = [shift("ann", day) for day in range(3)]
ONE_EACH = [visit("mon", 0), visit("tue", 1), visit("wed", 2)]
NEEDS: dict[str, Pieces] = {name: {"valve": 1} for name in ("mon", "tue", "wed")}
AS_EARLY = (("mon", "ann/0", 20), ("tue", "ann/1", DAY + 20), ("wed", "ann/2", 2 * DAY + 20))


def test_one_call_loads_for_all_days_after_it() -> None:
    have = stores({"ann": {"valve": 1}})
    problem = with_supplies(world(THREE_DAYS, ONE_EACH), NEEDS, have, frozenset({"valve"}))
    # on the first day two valves could be fetched for the others: that is how the search sees it
    assert [dict(day.parts) for day in problem.shifts] == [{"valve": 1}, {"valve": 3}, {"valve": 3}]
    settled = settle(problem, planned(problem, *AS_EARLY), NEEDS, have)

    # the workshop lies on the way, so a call costs 15 minutes anywhere: the first day is as good
    assert settled.plan.calls == (Call(shift="ann/0", before="mon"),)
    assert [stop.start for stop in settled.plan.stops] == [35, DAY + 20, 2 * DAY + 20]
    assert settled.plan.cost.travel == 3 * 40 + 15
    assert [dict(day.parts) for day in settled.problem.shifts] == [
        {"valve": 1},
        {"valve": 3},
        {"valve": 3},
    ]
    assert settled.lacking == frozenset()
    assert check(settled.problem, settled.plan) == ()
    assert fetched(settled.problem, settled.plan, NEEDS, have) == {
        "mon": {"tue": {"valve": 1}, "wed": {"valve": 1}}
    }


def test_calls_that_a_call_before_makes_needless_are_dropped() -> None:
    have = stores({"ann": {}})
    problem = with_supplies(world(THREE_DAYS, ONE_EACH), NEEDS, have, frozenset({"valve"}))
    daily = tuple(Call(shift=s, before=v) for v, s, _ in AS_EARLY)
    plan = planned(problem, *((v, s, start + 15) for v, s, start in AS_EARLY))
    assert (
        check(problem, replace(plan, calls=daily, cost=cost_of(problem, plan.stops, calls=daily)))
        == ()
    )
    settled = settle(problem, replace(plan, calls=daily), NEEDS, have)

    assert settled.plan.calls == daily[:1]
    assert [stop.start for stop in settled.plan.stops] == [35, DAY + 20, 2 * DAY + 20]


def test_a_van_without_time_for_a_call_is_planned_anew() -> None:
    # On Tuesday the work takes the whole day: 20 minutes there, 440, and 20 back. So does Monday's.
    days = [shift("ann", 0), shift("ann", 1), shift("ann", 2)]
    long = [visit("mon", 0, minutes=440), visit("tue", 1, minutes=440), visit("wed", 2)]
    have = stores({"ann": {"valve": 1}})
    problem = with_supplies(world(days, long), NEEDS, have, frozenset({"valve"}))
    settled = settle(problem, planned(problem, *AS_EARLY), NEEDS, have)
    assert settled.lacking == {"tue"}
    assert [dict(day.parts) for day in settled.ahead.shifts] == [
        {"valve": 1},
        {"valve": 0},
        {"valve": 3},
    ]

    found, plan = searched_and_settled(
        problem, planned(problem, *AS_EARLY), NEEDS, have, _search_on
    )

    # the valve is used on Monday, and fetched on Wednesday; nobody is sent without one
    assert {stop.visit for stop in plan.stops} == {"mon", "wed"}
    assert plan.calls == (Call(shift="ann/2", before="wed"),)
    assert check(found, plan) == ()


def test_a_promise_is_kept_and_loaded_for() -> None:
    tied = replace(visit("tue", 1, minutes=440), pinned=Pin(shift="ann/1", start=DAY + 20))
    days = [shift("ann", 0, minutes=10), shift("ann", 1)]
    problem = world(days, [tied, visit("mon", 0)])
    have = stores({"ann": {"tap": 1}}, {"valve": 1})
    problem = with_supplies(problem, NEEDS, have, frozenset({"valve"}))
    plan = planned(problem, ("tue", "ann/1", DAY + 20))
    settled = settle(problem, plan, NEEDS, have)
    assert (settled.plan.calls, settled.lacking) == ((), frozenset())
    assert fetched(settled.problem, settled.plan, NEEDS, have) == {"tue": {"tue": {"valve": 1}}}


def test_the_last_piece_of_the_workshop_goes_to_the_earlier_visit() -> None:
    have = stores({"ann": {}, "bo": {}}, {"valve": 1})
    problem = with_supplies(
        world([shift("ann", 1), shift("bo", 0)], ONE_EACH[:2]), NEEDS, have, frozenset({"valve"})
    )
    plan = planned(problem, ("tue", "ann/1", DAY + 20), ("mon", "bo/0", 20))
    settled = settle(problem, plan, NEEDS, have)
    assert fetched(settled.problem, settled.plan, NEEDS, have) == {"mon": {"mon": {"valve": 1}}}


def test_who_lacks_parts_that_the_workshop_has_not_is_the_last_to_be_sent() -> None:
    have = stores({"ann": {"valve": 1}, "bo": {}}, {"valve": 0})
    shifts = [shift("ann", 0), shift("bo", 0)]
    (made,) = with_supplies(world(shifts, ONE_EACH[:1]), NEEDS, have, frozenset({"valve"})).visits
    assert made.parts == {"valve": 1}
    assert made.shift_costs == {"bo/0": 1001}  # dearer than leaving it out
    nobody = stores({"ann": {}, "bo": {}}, {"valve": 0})
    (made,) = with_supplies(world(shifts, ONE_EACH[:1]), NEEDS, nobody, frozenset({"valve"})).visits
    assert (made.parts, made.shift_costs) == ({}, {})


def test_what_runs_out_everywhere_has_to_be_ordered() -> None:
    # one valve in the van and none in the workshop: Monday uses it, Tuesday's has to be ordered
    have = stores({"ann": {"valve": 1}}, {"tap": 1})
    problem = with_supplies(world(THREE_DAYS, ONE_EACH[:2]), NEEDS, have, frozenset({"valve"}))
    plan = planned(problem, *AS_EARLY[:2])
    settled = settle(problem, plan, NEEDS, have)
    assert [dict(each.parts) for each in settled.problem.visits] == [{"valve": 1}, {}]
    assert (settled.plan, settled.lacking) == (plan, frozenset())
    assert check(settled.problem, settled.plan) == ()
    assert fetched(settled.problem, settled.plan, NEEDS, have) == {}


def test_what_runs_out_with_one_is_made_by_whoever_has_it() -> None:
    # Each has one valve and the workshop none. Ann makes both visits for 5 minutes less each, but
    # on Tuesday her valve is used.
    dear = {"bo/0": 5, "bo/1": 5}
    both = [replace(each, shift_costs=dear) for each in ONE_EACH[:2]]
    people = [shift("ann", 0), shift("ann", 1), shift("bo", 0), shift("bo", 1)]
    have = stores({"ann": {"valve": 1}, "bo": {"valve": 1}}, {"valve": 0})
    problem = with_supplies(world(people, both), NEEDS, have, frozenset({"valve"}))
    plan = planned(problem, *AS_EARLY[:2])
    settled = settle(problem, plan, NEEDS, have)
    assert (settled.in_vain, settled.plan) == ({"tue"}, plan)
    assert settled.cost == plan.cost.total + 1001
    # Whoever of them stays at home costs nothing: 5 minutes of travel equivalent are the price.
    found, better = searched_and_settled(problem, plan, NEEDS, have, _search_on)
    assert {(stop.visit, stop.shift) for stop in better.stops} in (
        {("mon", "ann/0"), ("tue", "bo/1")},
        {("mon", "bo/0"), ("tue", "ann/1")},
    )
    assert better.cost.total == plan.cost.total + 5
    assert [dict(each.parts) for each in found.visits] == [{"valve": 1}] * 2
    assert check(found, better) == ()


def test_what_has_to_be_ordered_is_decided_anew_with_each_plan() -> None:
    # Leaving Monday's out is cheaper than going; then Tuesday's has the valve of the van.
    cheap = [replace(ONE_EACH[0], leave_out_cost=1), ONE_EACH[1]]
    have = stores({"ann": {"valve": 1}}, {"tap": 1})
    problem = with_supplies(world(THREE_DAYS, cheap), NEEDS, have, frozenset({"valve"}))
    found, plan = searched_and_settled(
        problem, planned(problem, *AS_EARLY[:2]), NEEDS, have, _search_on
    )
    assert [stop.visit for stop in plan.stops] == ["tue"]
    assert [dict(each.parts) for each in found.visits] == [{"valve": 1}] * 2


def test_a_plan_without_calls_is_searched_on_as_long() -> None:
    have = stores({"ann": {"valve": 3}})
    problem = with_supplies(world(THREE_DAYS, ONE_EACH), NEEDS, have, frozenset({"valve"}))
    asked: list[int] = []

    def search_on(problem: Problem, plan: Plan, times: int) -> Plan:
        asked.append(times)
        return plan

    plan = planned(problem, *AS_EARLY)
    assert searched_and_settled(problem, plan, NEEDS, have, search_on)[1] == plan
    assert asked == [3]
    short = stores({"ann": {}})
    problem = with_supplies(world(THREE_DAYS, ONE_EACH), NEEDS, short, frozenset({"valve"}))
    asked.clear()
    assert searched_and_settled(problem, plan, NEEDS, short, search_on)[1].calls != ()
    assert asked == [1, 1, 1]


def test_a_needless_call_on_the_quicker_way_stays() -> None:
    # By the table it takes 100 minutes from home to the café, but 35 with the call on the way:
    # 35 + 400 + 20 minutes make a day, 100 + 400 + 20 do not.
    long = [replace(each, minutes=400) for each in ONE_EACH[:2]]
    bare = world(THREE_DAYS[:2], long)
    travel = bare.travel_minutes.copy()
    travel[HOME, NEAR] = 100
    have = stores({"ann": {}})
    problem = with_supplies(replace(bare, travel_minutes=travel), NEEDS, have, frozenset({"valve"}))
    daily = tuple(Call(shift=s, before=v) for v, s, _ in AS_EARLY[:2])
    plan = planned(problem, *((v, s, start + 15) for v, s, start in AS_EARLY[:2]))
    plan = replace(plan, calls=daily, cost=cost_of(problem, plan.stops, calls=daily))
    settled = settle(problem, plan, NEEDS, have)
    assert settled.plan == plan
    assert check(settled.problem, settled.plan) == ()


def test_an_unused_morning_at_the_workshop_loads_nothing() -> None:
    days = [shift("ann", 0, begins=WORKSHOP), shift("ann", 1), shift("ann", 2)]
    have = stores({"ann": {}})
    problem = with_supplies(world(days, ONE_EACH), NEEDS, have, frozenset({"valve"}))
    assert [dict(day.parts) for day in problem.shifts] == [{"valve": 3}] * 3
    home = planned(problem, *AS_EARLY[1:])
    assert settle(problem, home, NEEDS, have).plan.calls == (Call(shift="ann/1", before="tue"),)
    out = planned(problem, ("mon", "ann/0", 10), *AS_EARLY[1:])
    assert settle(problem, out, NEEDS, have).plan == out
    assert fetched(problem, out, NEEDS, have) == {
        "mon": {name: {"valve": 1} for name in ("mon", "tue", "wed")}
    }


def _search_on(problem: Problem, plan: Plan, times: int) -> Plan:
    return solve(problem, seed=1, stop=Iterations(60), start_from=plan)


@st.composite
def _cases(draw: st.DrawFn) -> tuple[Problem, dict[str, Pieces], Stores]:
    days = draw(st.integers(2, 3))
    shifts = [
        shift(person, day, begins=draw(st.sampled_from([HOME] * 9 + [WORKSHOP])))
        for person in ("ann", "bo")
        for day in range(days)
    ]
    visits = [
        visit(
            f"v{n}",
            draw(st.integers(0, days - 1)),
            place=draw(st.sampled_from([NEAR, FAR])),
            minutes=draw(st.integers(30, 440)),
        )
        for n in range(draw(st.integers(3, 9)))
    ]
    pieces = st.dictionaries(st.sampled_from(["valve", "tap"]), st.integers(1, 3))
    needs = {each.id: draw(pieces) for each in visits}
    counted = draw(st.sampled_from([("ann", "bo"), ("ann", "bo"), ("ann",)]))
    vans = {person: draw(pieces) for person in counted}
    return world(shifts, visits), needs, stores(vans, draw(st.none() | pieces))


@settings(max_examples=40)
@given(case=_cases())
def test_no_van_ever_gives_what_it_has_not(
    case: tuple[Problem, dict[str, Pieces], Stores],
) -> None:
    bare, needs, have = case
    problem = with_supplies(bare, needs, have, frozenset({"valve", "tap"}))
    plan = solve(problem, seed=1, stop=Iterations(60))
    found, plan = searched_and_settled(problem, plan, needs, have, _search_on)

    assert check(found, plan) == ()
    lists = fetched(found, plan, needs, have)
    assert set(lists) <= {stop.visit for stop in plan.stops}
    if have.in_workshop is not None:
        return  # what it has not either has to be ordered
    calling = {call.before for call in plan.calls}
    for person, van in have.in_vans.items():
        left = Counter(van)
        for day in (each for each in found.shifts if each.technician == person):
            stops = sorted((s for s in plan.stops if s.shift == day.id), key=lambda s: s.start)
            loads = day.start_place == WORKSHOP
            for number, stop in enumerate(stops):
                if stop.visit in calling or (number == 0 and loads):
                    for parts in lists.get(stop.visit, {}).values():
                        left.update(parts)
                left.subtract(needs[stop.visit])
                assert min(left.values(), default=0) >= 0, f"{stop.visit} lacks {left}"
