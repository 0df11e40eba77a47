"""Offers: worked by hand, against trying everything, and against the checker."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidParams
from scheduler.last_resorts import LastResort, LastResortKind
from scheduler.offers import (
    Offer,
    OfferPolicy,
    Placement,
    Question,
    RankReason,
    arrival_window,
    find_offers,
    place_at,
    rounds_of,
)
from scheduler.routing.cheapest_insertion import cheapest_insertion
from scheduler.routing.checker import check
from scheduler.routing.insertion import Candidate
from scheduler.routing.plan import BreakTaken, Call, Cost, LeftOut, Plan, Stop, cost_of
from scheduler.routing.problem import Problem, Shift, Visit, Workshop
from scheduler.routing.timing import timetable
from tests.scheduler.routing.strategies import DAY, problems
from tests.scheduler.routing.world import ANN, BO, BURNER, MILL, PROBE, QUAY, VALVES, world

MONDAY = date(2027, 3, 1)
DAYS = {"ann/mon": MONDAY, "bo/mon": MONDAY}
ANYTHING = OfferPolicy(
    window_minutes=15,
    step_minutes=1,
    notice_minutes=0,
    count=500,
    per_day=500,
    later_day_minutes=0,
    dearest_minutes=10_000,
)


def plan_of(
    problem: Problem,
    *stops: Stop,
    breaks: tuple[BreakTaken, ...] = (),
    calls: tuple[Call, ...] = (),
) -> Plan:
    made = {stop.visit for stop in stops}
    left_out = tuple(LeftOut(visit=v.id) for v in problem.visits if v.id not in made)
    cost = cost_of(problem, stops, breaks=breaks, calls=calls)
    return Plan(stops=stops, breaks=breaks, left_out=left_out, cost=cost, calls=calls)


def held(visit: Visit, start: int) -> Visit:
    return replace(visit, start_windows=((start, start),))


def ann_makes_the_valves(problem: Problem) -> Plan:
    return plan_of(
        problem,
        Stop(visit="valves", shift="ann/mon", start=490),
        breaks=(BreakTaken(shift="ann/mon", start=560),),
    )


def question(visit: Visit, *, now: int = 400, **more: object) -> Question:
    problem = world(held(VALVES, 490))
    return Question(
        problem=problem,
        plan=ann_makes_the_valves(problem),
        visit=visit,
        now=now,
        shift_days=DAYS,
        **more,  # type: ignore[arg-type]
    )


def test_a_time_after_a_standing_visit_is_found_with_its_cost_and_slack() -> None:
    # Ann leaves the mill at 550 and is at the quay by 555, before the break opens at 560. The
    # burner takes 45 minutes, home is 18 away, the day ends at 720. With the break before it:
    # on the way from 550 the break ends at 590, so 590 at the soonest; 720 - 18 - 45 = 657 at the
    # latest. With the break after it, on the way home: at the soonest 555; the break must begin by
    # 630, so 630 - 45 = 585 at the latest. Before the valves at 490 there is no room. Extra travel:
    # 5 + 18 - 12 = 11. Windows of 60 minutes from the half hour: 555 lies in 540-600, and the
    # range goes on to 585; 590 lies in 570-630, which overlaps; 630-690 follows, from 630 to 657.
    policy = OfferPolicy(window_minutes=60, step_minutes=30, near_minutes=12)
    sheet = find_offers(question(BURNER), policy)
    assert sheet.last_resorts == ()
    assert sheet.offers == (
        Offer(
            shift="ann/mon",
            position=1,
            start=555,
            arrive_from=540,
            arrive_until=600,
            extra_cost=11,
            travel_minutes=5,
            slack_minutes=30,
            reason=RankReason.NEAR_ANYWAY,
            because="adds 11 minutes of travel, since somebody is near anyway",
            near_anyway=True,
            keeps_deadline=True,
        ),
        Offer(
            shift="ann/mon",
            position=1,
            start=630,
            arrive_from=630,
            arrive_until=690,
            extra_cost=11,
            travel_minutes=5,
            slack_minutes=27,
            reason=RankReason.NEAR_ANYWAY,
            because="adds 11 minutes of travel, since somebody is near anyway",
            near_anyway=True,
            keeps_deadline=True,
        ),
    )


def test_notice_and_windows_of_the_site_bound_what_is_offered() -> None:
    # Noon is 600 for this test; with an hour's notice nothing starts before 660, too late for 657.
    assert find_offers(question(BURNER, now=600), OfferPolicy()).offers == ()
    narrow = replace(BURNER, start_windows=((600, 610),))
    offers = find_offers(question(narrow), OfferPolicy()).offers
    # the window of two hours from 600 is told no wider than the site allows
    assert [(o.start, o.arrive_from, o.arrive_until, o.slack_minutes) for o in offers] == [
        (600, 600, 610, 10)
    ]


def test_an_unused_shift_costs_the_way_there_and_back() -> None:
    # Bo has no gas skill but can make a probe at the quay: 20 + 18 for a shift not used yet.
    probe = replace(PROBE, place=QUAY, start_windows=((480, 720),), shift_costs={"bo/mon": 7})
    costs = {o.shift: o.extra_cost for o in find_offers(question(probe), ANYTHING).offers}
    # windows do not overlap, so each time goes to the cheaper of the two: Ann, 5 + 18 - 12 = 11,
    # from 555 on; before that only Bo, 20 + 18 + 7 = 45
    assert costs == {"ann/mon": 11, "bo/mon": 45}
    first = min(find_offers(question(probe), ANYTHING).offers, key=lambda o: o.start)
    assert (first.shift, first.start, first.because) == (
        "bo/mon",
        500,
        "adds 38 minutes of travel; 7 for the day or the person",
    )


def test_days_count_and_offers_spread_over_them() -> None:
    shifts = tuple(
        replace(BO, id=f"bo/{at}", start=480 + 1440 * at, end=700 + 1440 * at) for at in range(4)
    )
    visit = replace(
        VALVES,
        start_windows=tuple((480 + 1440 * at, 720 + 1440 * at) for at in range(4)),
        minutes=10,
    )
    problem = world(held(VALVES, 490), shifts=shifts)
    asked = Question(
        problem=problem,
        plan=plan_of(problem),
        visit=visit,
        now=0,
        shift_days={f"bo/{at}": MONDAY + timedelta(days=at) for at in range(4)},
    )
    policy = OfferPolicy(window_minutes=60, count=5, per_day=2, later_day_minutes=10)
    offers = find_offers(asked, policy).offers
    # every time costs 10 + 12 = 22, so each day of waiting decides
    assert [(o.shift, o.arrive_from % 1440) for o in offers] == [
        ("bo/0", 480),
        ("bo/0", 540),
        ("bo/1", 480),
        ("bo/1", 540),
        ("bo/2", 480),
    ]
    assert [o.reason for o in offers] == [
        RankReason.SOONEST,
        *[RankReason.CHEAPEST] * 4,
    ]
    assert offers[4].because == "adds 22 minutes of travel; 2 days after the first"


def test_deadline_shortens_the_window_and_is_kept() -> None:
    offers = find_offers(question(BURNER, deadline=580), OfferPolicy(window_minutes=60)).offers
    assert [(o.start, o.arrive_until, o.slack_minutes, o.keeps_deadline) for o in offers] == [
        (555, 580, 25, True)
    ]


def test_missed_deadline_is_said_and_the_dispatcher_told_what_would_keep_it() -> None:
    # By 550 Ann is still at the mill. Nobody else may do gas. If the valves, promised to nobody,
    # make room, she is at the quay at 500, 20 + 18 = 38 of travel instead of 22; the valves then
    # have nowhere to go but into the next plan at 300: Bo could make them for 10 + 12 = 22.
    asked = question(BURNER, deadline=550, may_give_way={"valves": VALVES})
    sheet = find_offers(asked, OfferPolicy())
    assert [o.keeps_deadline for o in sheet.offers] == [False]
    assert sheet.last_resorts == (
        LastResort(
            kind=LastResortKind.MOVE_ANOTHER,
            shift="ann/mon",
            position=0,
            start=500,
            extra_cost=38 - 22 + 22,
            gives_way="valves",
            because="another visit, promised to nobody, makes room and is made on another round",
        ),
    )


def test_overtime_and_a_longer_way_are_last_resorts() -> None:
    # The probe at the fell takes 20 minutes, 40 from home: from the mill at 550 with the break on
    # the way 550 + 25 + 30 = 605 at the soonest. Bo must be back by 600, so he starts by 540 and
    # arrives from 510 on: 30 + 40 + 7 = 77 in all.
    asked = question(replace(PROBE, start_windows=((500, 700),)), deadline=540)
    (further,) = find_offers(asked, OfferPolicy(dearest_minutes=50)).last_resorts
    assert (further.kind, further.shift, further.start, further.extra_cost) == (
        LastResortKind.FROM_FURTHER_AWAY,
        "bo/mon",
        510,
        77,
    )
    # twice as long, it takes Bo until 510 + 85 + 40 = 635: 35 minutes more than his day, in steps
    # of a quarter of an hour 45
    long = replace(PROBE, start_windows=((500, 700),), minutes=85)
    (longer,) = find_offers(question(long, deadline=540), OfferPolicy()).last_resorts
    assert (longer.kind, longer.shift, longer.start, longer.overtime_minutes) == (
        LastResortKind.OVERTIME,
        "bo/mon",
        510,
        45,
    )


def test_nothing_fits_and_nothing_helps() -> None:
    impossible = replace(BURNER, skills=frozenset({"gas", "wiring"}))
    sheet = find_offers(question(impossible, deadline=600), OfferPolicy())
    assert (sheet.offers, sheet.last_resorts) == ((), ())


@pytest.mark.parametrize("name", ["window_minutes", "step_minutes", "count", "per_day"])
def test_policy_checks_itself(name: str) -> None:
    with pytest.raises(InvalidParams, match=f"{name} must be >= 1, got 0"):
        OfferPolicy(**{name: 0})
    with pytest.raises(InvalidParams, match="notice_minutes must be >= 0, got -1"):
        OfferPolicy(notice_minutes=-1)
    with pytest.raises(InvalidParams, match="step_minutes must be <= window_minutes 20, got 30"):
        OfferPolicy(window_minutes=20)


def test_rounds_follow_the_starts() -> None:
    problem = world(VALVES, BURNER, PROBE)
    stops = (
        Stop(visit="burner", shift="ann/mon", start=600),
        Stop(visit="valves", shift="ann/mon", start=490),
    )
    plan = Plan(
        stops=stops,
        breaks=(),
        left_out=(),
        cost=Cost(travel=0, shift_costs=0, left_out=0, total=0),
    )
    assert rounds_of(problem, plan) == [
        Candidate(shift=0, order=(0, 1)),
        Candidate(shift=1, order=()),
    ]
    called = replace(plan, calls=(Call(shift="ann/mon", before="burner"),))
    assert rounds_of(problem, called)[0].call_before == 1
    assert (ANN.start_place, MILL) == (0, 1)


def test_a_window_is_as_wide_as_an_offer_would_be() -> None:
    policy = OfferPolicy(window_minutes=60)
    wide = arrival_window(question(BURNER), policy, 540)
    assert wide is not None
    assert wide.visit.start_windows == ((540, 600),)
    by_site = arrival_window(question(VALVES), policy, 500)  # windows 480-540 and 600-700
    assert by_site is not None
    assert by_site.visit.start_windows == ((500, 540),)
    by_deadline = arrival_window(question(BURNER, deadline=580), policy, 540)
    assert by_deadline is not None
    assert by_deadline.visit.start_windows == ((540, 580),)
    too_late = arrival_window(question(BURNER, deadline=530), policy, 540)
    assert too_late is not None
    assert too_late.visit.start_windows == ((540, 600),)
    assert arrival_window(question(VALVES), policy, 541) is None  # the site is shut


def test_a_placement_says_what_becomes_of_the_drives() -> None:
    # Ann is at the mill at 490; before it nothing can be done at the quay. After it she drives 5.
    asked = question(BURNER)
    assert place_at(asked, 500) is None
    assert place_at(asked, 555) == Placement(
        shift="ann/mon", travel_minutes=5, call_minutes=None, fetch={}, minutes=45,
        next_visit=None, next_travel_minutes=0,
    )  # fmt: skip
    assert place_at(asked, 800) is None  # outside the windows
    # with the valves at 620 the quay comes first: 20 there from home, 7 from there to the mill
    problem = world(held(VALVES, 620))
    later = replace(
        asked,
        problem=problem,
        plan=plan_of(problem, Stop(visit="valves", shift="ann/mon", start=620)),
    )
    assert place_at(later, 500) == Placement(
        shift="ann/mon", travel_minutes=20, call_minutes=None, fetch={}, minutes=45,
        next_visit="valves", next_travel_minutes=7,
    )  # fmt: skip


def test_a_round_that_calls_at_the_workshop_takes_what_time_and_parts_allow() -> None:
    # Ann calls at the fell for 15 minutes on the way to the mill: 30 + 15 + 25 = 70, so the
    # valves are made at 620, until 680, and she is home by 692; without a break for now.
    ann = replace(ANN, pause=None, workshop=Workshop(place=3, minutes=15), parts={"seal": 1})
    problem = world(held(replace(VALVES, parts={"seal": 5}), 620), shifts=(ann,))
    plan = plan_of(
        problem,
        Stop(visit="valves", shift="ann/mon", start=620),
        calls=(Call(shift="ann/mon", before="valves"),),
    )
    asked = Question(problem=problem, plan=plan, visit=BURNER, now=400, shift_days=DAYS)
    # The burner at the quay before the call: from 500 on, and left in time for 15 + 15 + 25 = 55
    # to the mill by 620: it starts by 620 - 55 - 45 = 520. It adds 20 + 55 - 70 = 5. After the
    # valves there is no time left: 680 + 5 + 45 + 18 is past 720.
    (offer,) = find_offers(asked, OfferPolicy()).offers
    assert (offer.position, offer.start, offer.slack_minutes, offer.extra_cost) == (0, 500, 20, 5)
    assert place_at(asked, 521) is None
    placement = place_at(asked, 520)
    assert placement is not None
    assert (placement.travel_minutes, placement.next_travel_minutes) == (20, 55)
    # what is along from the start counts before the call
    for wanted, offered in (({"seal": 1}, 1), ({"seal": 2}, 0)):
        needing = replace(asked, visit=replace(BURNER, parts=wanted))
        assert len(find_offers(needing, OfferPolicy()).offers) == offered
    assert not find_offers(
        replace(asked, visit=replace(BURNER, tools=frozenset({"torch"}))), OfferPolicy()
    ).offers


def test_what_has_to_be_fetched_is_fetched_on_the_call_of_the_round_or_on_one_of_its_own() -> None:
    # Ann is free at the mill at 550. Over the fell it is 25 + 15 + 14 minutes to the quay, where
    # the burner takes 45, and 18 home: from 604 on, for 54 + 18 - 12 minutes more. Before the mill
    # there is no time for it.
    ann = replace(ANN, pause=None, workshop=Workshop(place=3, minutes=15))
    seals = {"ann/mon": {"seal": 2}}
    problem = world(held(VALVES, 490), shifts=(ann,))
    asked = Question(
        problem=problem, plan=plan_of(problem, Stop(visit="valves", shift="ann/mon", start=490)),
        visit=BURNER, now=400, shift_days=DAYS, from_workshop=seals,
        fetching=frozenset({"ann/mon"}),
    )  # fmt: skip
    (offer,) = find_offers(asked, OfferPolicy()).offers
    assert (offer.position, offer.start, offer.extra_cost, offer.travel_minutes) == (1, 604, 60, 39)
    assert place_at(asked, 603) is None
    placement = place_at(asked, 604)
    assert placement is not None
    assert (placement.travel_minutes, placement.call_minutes) == (39, 15)
    assert placement.fetch == {"seal": 2}

    # A round that calls before the mill fetches that on its own call: only after it, until 720.
    problem = world(held(VALVES, 620), shifts=(ann,))
    stops = (Stop(visit="valves", shift="ann/mon", start=620),)
    call = (Call(shift="ann/mon", before="valves"),)
    asked = replace(asked, problem=problem, plan=plan_of(problem, *stops, calls=call))
    assert find_offers(asked, OfferPolicy()).offers == ()
    longer = world(held(VALVES, 620), shifts=(replace(ann, end=760),))
    asked = replace(asked, problem=longer)
    (offer,) = find_offers(asked, OfferPolicy()).offers
    assert (offer.position, offer.start, offer.extra_cost, offer.travel_minutes) == (1, 685, 11, 5)
    placement = place_at(asked, 685)
    assert placement is not None
    assert (placement.call_minutes, placement.fetch) == (None, {"seal": 2})


def test_nobody_is_offered_beside_another_technician_at_the_site() -> None:
    # Ann makes the valves at the mill from 490 to 550; Bo is free all morning, as in the test of
    # the unused shift, but works in the same hours. On the day after he may come.
    tomorrow = replace(BO, id="bo/tue", start=BO.start + 1440, end=BO.end + 1440)
    problem = world(replace(held(VALVES, 490), site="mill"), shifts=(ANN, BO, tomorrow))
    plan = ann_makes_the_valves(problem)
    probe = replace(
        PROBE, place=MILL, start_windows=((480, 720), (1920, 2160)), shift_costs={}, site="mill"
    )
    days = DAYS | {"bo/tue": MONDAY + timedelta(days=1)}
    asked = Question(problem=problem, plan=plan, visit=probe, now=400, shift_days=days)
    assert {o.shift for o in find_offers(asked, ANYTHING).offers} == {"ann/mon", "bo/tue"}
    elsewhere = replace(asked, visit=replace(probe, site="quay"))
    assert "bo/mon" in {o.shift for o in find_offers(elsewhere, ANYTHING).offers}
    only_bo = replace(asked, technicians=frozenset({"bo"}))
    assert {o.shift for o in find_offers(only_bo, ANYTHING).offers} == {"bo/tue"}
    assert place_at(only_bo, 500) is None
    assert place_at(replace(elsewhere, technicians=frozenset({"bo"})), 500) is not None


def test_overtime_is_not_suggested_into_somebody_elses_hours() -> None:
    # As above the probe of 85 minutes at the fell takes Bo until 635, 35 minutes beyond his day.
    # Should Cy, from 610 on, go to the fell as well, the two would be there in hours that overlap.
    cy = replace(BO, id="cy/mon", technician="cy", start=610, end=720)
    probe = replace(PROBE, start_windows=((500, 700),), minutes=85, site="fell")
    for site, kinds in (("fell", []), ("quay", [LastResortKind.OVERTIME])):
        there = replace(held(PROBE, 645), id="there", start_windows=((645, 645),), site=site)
        problem = world(there, shifts=(BO, cy))
        plan = plan_of(problem, Stop(visit="there", shift="cy/mon", start=645))
        asked = Question(
            problem=problem, plan=plan, visit=probe, now=400, deadline=540,
            shift_days=DAYS | {"cy/mon": MONDAY},
        )  # fmt: skip
        assert [way.kind for way in find_offers(asked, OfferPolicy()).last_resorts] == kinds


@st.composite
def supplied_plans(draw: st.DrawFn, problem: Problem) -> Plan:
    """Draw a plan that heeds tools and parts, with calls at the workshop here and there."""
    visits = {visit.id: visit for visit in problem.visits}
    plain = cheapest_insertion(problem)
    stops: list[Stop] = []
    breaks: list[BreakTaken] = []
    calls: list[Call] = []
    for shift in problem.shifts:
        order = [visits[stop.visit] for stop in plain.stops if stop.shift == shift.id]
        while order and not (ways := list(_supplied_ways(problem, shift, order))):
            order.pop()
        if not order:
            continue
        call_before = draw(st.sampled_from(ways))
        times = timetable(problem, shift, order, call_before)
        assert times is not None
        stops += [
            Stop(visit=visit.id, shift=shift.id, start=start)
            for visit, start in zip(order, times.starts, strict=True)
        ]
        if times.break_start is not None:
            breaks.append(BreakTaken(shift=shift.id, start=times.break_start))
        if call_before is not None:
            calls.append(Call(shift=shift.id, before=order[call_before].id))
    plan = plan_of(problem, *stops, breaks=tuple(breaks), calls=tuple(calls))
    assume(not check(problem, plan))  # a pin that needs what nobody has
    return plan


def _supplied_ways(problem: Problem, shift: Shift, order: list[Visit]) -> Iterator[int | None]:
    """Yield before which visits the round can call at the workshop, None for no call."""
    for call_before in (None, *range(len(order) if shift.workshop else 0)):
        used: Counter[str] = Counter()
        for visit in order[:call_before]:
            used.update(visit.parts)
        tools = {tool for visit in order[:call_before] for tool in visit.tools}
        along = tools <= shift.tools and all(
            count <= shift.parts.get(kind, 0) for kind, count in used.items()
        )
        if along and timetable(problem, shift, order, call_before) is not None:
            yield call_before


@st.composite
def questions(draw: st.DrawFn, *, plain: bool = False) -> Question:
    """Draw a published plan and one of its problem's visits that is not in it.

    Unless they are plain, rounds carry tools and parts and call at the workshop, people differ, and
    some sites take one technician at a time.
    """
    rich = not plain
    problem = draw(problems(max_visits=6, max_shifts=3, supplies=rich, people=rich, sites=rich))
    assume(problem.visits)
    visit = draw(st.sampled_from(problem.visits))
    if visit.pinned is not None:
        visit = replace(visit, id="another", pinned=None)
    others = tuple(each for each in problem.visits if each.id != visit.id)
    plan = draw(supplied_plans(replace(problem, visits=others)))
    if draw(st.booleans()):  # as a client's calendar stands: no time may change
        starts = {stop.visit: stop.start for stop in plan.stops}
        others = tuple(
            held(each, starts[each.id]) if each.id in starts and each.pinned is None else each
            for each in others
        )
    workshops = [shift.id for shift in problem.shifts if shift.workshop is not None]
    fetching = draw(st.sets(st.sampled_from(workshops))) if workshops else set[str]()
    return Question(
        fetching=frozenset(fetching),
        problem=replace(problem, visits=others),
        plan=plan,
        visit=visit,
        now=draw(st.integers(-20, 60)),
        deadline=draw(st.one_of(st.none(), st.integers(0, 2 * DAY))),
        shift_days={
            shift.id: MONDAY + timedelta(days=shift.start // DAY) for shift in problem.shifts
        },
        may_give_way={each.id: each for each in others if each.pinned is None},
    )


def with_offer(asked: Question, shift_id: str, position: int, start: int) -> Plan | None:
    """Return the plan with the visit at an offered minute, its round timed anew."""
    problem = with_visit(asked)
    index = problem.shift_index()[shift_id]
    shift, round_ = problem.shifts[index], rounds_of(asked.problem, asked.plan)[index]
    order = [problem.visits[at] for at in round_.order]
    order.insert(position, held(asked.visit, start))
    call = round_.call_before
    calls = asked.plan.calls
    if shift_id in asked.fetching and call is None:
        call, calls = position, (*calls, Call(shift=shift_id, before=asked.visit.id))
    elif call is not None and position <= call:
        if shift_id in asked.fetching:
            return None
        call += 1
    times = timetable(problem, shift, order, call)
    if times is None:
        return None
    stops = [stop for stop in asked.plan.stops if stop.shift != shift_id]
    stops += [
        Stop(visit=visit.id, shift=shift_id, start=at)
        for visit, at in zip(order, times.starts, strict=True)
    ]
    breaks = [taken for taken in asked.plan.breaks if taken.shift != shift_id]
    if times.break_start is not None:
        breaks.append(BreakTaken(shift=shift_id, start=times.break_start))
    return plan_of(problem, *stops, breaks=tuple(breaks), calls=calls)


def with_visit(asked: Question) -> Problem:
    return replace(asked.problem, visits=(*asked.problem.visits, asked.visit))


@settings(max_examples=120, deadline=None)
@given(questions(), st.integers(1, 60), st.integers(1, 40))
def test_every_offer_is_accepted_by_the_checker(asked: Question, width: int, step: int) -> None:
    policy = replace(ANYTHING, window_minutes=width, step_minutes=min(step, width))
    for offer in find_offers(asked, policy).offers:
        assert offer.arrive_from <= offer.start <= offer.arrive_until
        assert offer.start >= asked.now
        assert offer.arrive_until - offer.arrive_from <= width
        for start in (offer.start, offer.start + offer.slack_minutes):
            plan = with_offer(asked, offer.shift, offer.position, start)
            assert plan is not None
            assert check(with_visit(asked), plan) == ()
            assert start <= offer.arrive_until
            before = asked.plan
            cost_before = cost_of(with_visit(asked), before.stops, calls=before.calls)
            saved = asked.visit.leave_out_cost
            assert plan.cost.total - cost_before.total + saved == offer.extra_cost


def every_way(asked: Question, *, until: int | None) -> Iterator[tuple[int, str, int, int]]:
    """Yield cost, shift, position and start of every way to put the visit in, by trying."""
    problem = with_visit(asked)
    standing = cost_of(problem, asked.plan.stops, calls=asked.plan.calls)
    base = standing.total - asked.visit.leave_out_cost
    for shift in problem.shifts:
        if not asked.visit.skills <= shift.skills:
            continue
        stops = sum(stop.shift == shift.id for stop in asked.plan.stops)
        for position in range(stops + 1):
            for first, last in asked.visit.start_windows:
                for start in range(max(first, asked.now), last + 1):
                    if until is not None and start > until:
                        continue
                    plan = with_offer(asked, shift.id, position, start)
                    if plan is not None and not check(problem, plan):
                        yield plan.cost.total - base, shift.id, position, start


@settings(max_examples=100, deadline=None)
@given(questions())
def test_best_offer_is_the_one_trying_finds(asked: Question) -> None:
    ways = list(every_way(asked, until=asked.deadline))
    kept = [offer for offer in find_offers(asked, ANYTHING).offers if offer.keeps_deadline]
    assert bool(kept) == bool(ways)
    if kept:
        cheapest = min(ways)[0]
        assert kept[0].extra_cost == cheapest
        # of the cheapest the soonest
        assert kept[0].start == min(start for cost, _, _, start in ways if cost == cheapest)


@settings(max_examples=100, deadline=None)
@given(questions())
def test_last_resorts_keep_the_deadline_and_the_other_rules(asked: Question) -> None:
    for way in find_offers(asked, replace(ANYTHING, dearest_minutes=20)).last_resorts:
        assert asked.deadline is not None
        assert asked.now <= way.start <= asked.deadline
        shifts = tuple(
            replace(shift, end=shift.end + way.overtime_minutes) if shift.id == way.shift else shift
            for shift in asked.problem.shifts
        )
        stops = tuple(stop for stop in asked.plan.stops if stop.visit != way.gives_way)
        problem = replace(asked.problem, shifts=shifts)
        changed = replace(asked, problem=problem, plan=replace(asked.plan, stops=stops))
        plan = with_offer(changed, way.shift, way.position, way.start)
        assert plan is not None
        breaks = tuple(
            taken for taken in plan.breaks if any(s.shift == taken.shift for s in plan.stops)
        )
        assert check(with_visit(changed), replace(plan, breaks=breaks)) == ()


@settings(max_examples=100, deadline=None)
@given(questions(), st.integers(0, 2 * DAY))
def test_a_minute_has_a_placement_exactly_when_trying_finds_one(
    asked: Question, start: int
) -> None:
    tried = any(at == start for _, _, _, at in every_way(replace(asked, now=-1000), until=None))
    assert (place_at(asked, start) is not None) == tried
