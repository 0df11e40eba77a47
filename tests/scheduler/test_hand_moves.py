"""What a time chosen by hand breaks, worked out beside Ann's standing visit at the mill."""

from dataclasses import replace
from datetime import date

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scheduler.hand_moves import Breach, Broken, what_breaks
from scheduler.offers import Question, rounds_of
from scheduler.routing.parts import Pin, Workshop
from scheduler.routing.plan import Call
from scheduler.routing.remedies import Words
from scheduler.routing.timing import timetable
from tests.scheduler.routing.world import ANN, BURNER, MILL, PROBE, QUAY, VALVES, world
from tests.scheduler.test_offers import ann_makes_the_valves, held, question, questions


def breaches(asked: Question, start: int) -> list[Breach]:
    return [broken.breach for broken in what_breaks(asked, start)]


def only_ann(asked: Question) -> Question:
    return replace(asked, problem=replace(asked.problem, shifts=(ANN,)))


ASKED = only_ann(question(BURNER))  # Ann is at the mill from 490 to 550, the quay is 5 minutes on


def test_a_time_that_keeps_everything_breaks_nothing() -> None:
    assert what_breaks(ASKED, 555) == ()


def test_too_little_time_to_get_there_is_told_with_the_minutes() -> None:
    assert what_breaks(ASKED, 552) == (
        Broken(
            breach=Breach.NO_WAY_THERE,
            detail="It takes 5 minutes from the visit before; there are 2.",
        ),
    )


def test_the_way_home_and_the_hours_are_told() -> None:
    # 45 minutes from 660 end at 705; home is 18 away and the day ends at 720.
    assert breaches(ASKED, 660) == [Breach.NO_WAY_HOME]
    assert breaches(ASKED, 690) == [Breach.OUTSIDE_HOURS]
    assert breaches(ASKED, 720) == [Breach.OUTSIDE_HOURS]


def test_a_visit_squeezed_in_before_another_is_told() -> None:
    # From home to the quay 20, so 500; Ann has to be at the mill at 490.
    assert breaches(ASKED, 480) == [Breach.NO_WAY_THERE, Breach.NO_WAY_ON]


def test_the_break_and_the_deadline_and_the_site_s_hours_are_told() -> None:
    # From 586 to 631 at the quay: before it the break has 560 to 586, after it it begins past 630.
    assert breaches(ASKED, 586) == [Breach.NO_BREAK]
    assert breaches(replace(ASKED, deadline=500), 555) == [Breach.AFTER_DEADLINE]
    closed = replace(ASKED, visit=replace(BURNER, start_windows=((600, 720),)))
    assert breaches(closed, 555) == [Breach.OUTSIDE_ACCESS]


def test_a_day_after_the_last_one_allowed_is_told_as_that() -> None:
    closed = replace(ASKED, visit=replace(BURNER, start_windows=((600, 720),)))
    last, after = date(2027, 4, 9), date(2027, 4, 10)
    assert what_breaks(ASKED, 555, day=last, last_day=last) == ()
    (late,) = what_breaks(closed, 555, day=after, last_day=last)
    assert late.breach is Breach.AFTER_LAST_DAY
    assert late.detail.startswith("Law or maker allow the work until 2027-04-09, never later.")
    late_and_early = what_breaks(ASKED, 552, day=after, last_day=last)
    assert [each.breach for each in late_and_early] == [Breach.AFTER_LAST_DAY, Breach.NO_WAY_THERE]


def test_a_limit_of_driving_is_told() -> None:
    limited = replace(
        ASKED, problem=replace(ASKED.problem, shifts=(replace(ANN, driving_limit=32),))
    )
    assert breaches(limited, 555) == [Breach.DRIVES_TOO_LONG]


def test_the_only_visit_of_a_day_may_leave_no_room_for_the_break() -> None:
    # at the quay from 545 to 645: before it the break of 30 minutes would begin before 560, and
    # after it end after 660
    stands = replace(ASKED, plan=replace(ASKED.plan, stops=(), breaks=()))
    long = replace(stands, visit=replace(BURNER, minutes=100))
    assert breaches(long, 545) == [Breach.NO_BREAK]
    assert breaches(replace(long, visit=BURNER), 545) == []


def test_a_part_that_the_van_lacks_is_told_unless_the_round_calls_at_the_workshop_before() -> None:
    lacking = replace(ASKED, lacking={"ann/mon": {"valve": 2}})
    (told,) = what_breaks(lacking, 555)
    assert told.breach is Breach.PARTS_MISSING
    assert told.detail.startswith("The van has not got 2 of valve to spare")
    (told,) = what_breaks(lacking, 555, words=Words(parts={"valve": "Safety valve"}))
    assert told.detail.startswith("The van has not got 2 of Safety valve to spare")

    shifts = (replace(ANN, workshop=Workshop(place=QUAY, minutes=4)),)
    calling = replace(
        lacking,
        problem=replace(ASKED.problem, shifts=shifts),
        plan=replace(ASKED.plan, calls=(Call(shift="ann/mon", before="valves"),)),
    )
    assert breaches(calling, 555) == []
    assert breaches(replace(lacking, lacking={"ann/tue": {"valve": 2}}), 555) == []
    # before the call it lacks; from the quay by the workshop there to the mill are 0 + 4 + 7
    early = what_breaks(replace(calling, visit=replace(BURNER, minutes=1)), 480)
    assert [each.breach for each in early] == [
        Breach.PARTS_MISSING,
        Breach.NO_WAY_THERE,
        Breach.NO_WAY_ON,
    ]
    assert (
        early[2].detail == "It takes 11 minutes to the visit after over the workshop; there are 9."
    )


def test_a_visit_that_keeps_its_own_call_lacks_nothing_and_takes_longer_to_get_to() -> None:
    # from the mill by the workshop at the quay: 5 + 4 + 0 minutes, so 559 and not 555
    shifts = (replace(ANN, workshop=Workshop(place=QUAY, minutes=4)),)
    asked = replace(
        ASKED,
        problem=replace(ASKED.problem, shifts=shifts),
        lacking={"ann/mon": {"valve": 2}},
    )
    assert what_breaks(asked, 559, calls=True) == ()
    (late,) = what_breaks(asked, 555, calls=True)
    assert late.detail == "It takes 9 minutes from the visit before over the workshop; there are 5."


def test_a_second_technician_at_the_site_is_told() -> None:
    # Ann is at the mill until 550; Bo, who is asked, works in the same hours
    problem = world(replace(held(VALVES, 490), site="mill"))
    probe = replace(PROBE, place=MILL, start_windows=((480, 720),), site="mill")
    asked = replace(
        question(probe),
        problem=problem,
        plan=ann_makes_the_valves(problem),
        technicians=frozenset({"bo"}),
    )
    assert breaches(asked, 555) == [Breach.SECOND_AT_SITE]
    assert breaches(replace(asked, visit=replace(probe, site="quay")), 555) == []


def test_a_day_off_is_told() -> None:
    nobody = replace(world(VALVES), shifts=(), visits=())
    plan = replace(ASKED.plan, stops=(), breaks=())
    asked = replace(ASKED, problem=nobody, plan=plan)
    assert breaches(asked, 555) == [Breach.OUTSIDE_HOURS]


@settings(max_examples=80, deadline=None)
@given(asked=questions(plain=True), start=st.integers(-10, 400))
def test_nothing_is_broken_exactly_when_the_round_can_be_made(asked: Question, start: int) -> None:
    shift = asked.problem.shifts[0]
    first = rounds_of(asked.problem, asked.plan)[0]
    made = [asked.problem.visits[at] for at in first.order]
    starts = {stop.visit: stop.start for stop in asked.plan.stops}
    assume(start not in starts.values())
    one = replace(
        asked.problem,
        shifts=(shift,),
        visits=tuple(
            replace(each, pinned=None, shift_costs={}, start_windows=((starts[each.id],) * 2,))
            for each in made
        ),
    )
    stops = tuple(stop for stop in asked.plan.stops if stop.shift == shift.id)
    alone = replace(
        asked,
        problem=one,
        plan=replace(asked.plan, stops=stops),
        visit=replace(asked.visit, shift_costs={}),
        deadline=None,
    )
    order = sorted(
        [*one.visits, replace(asked.visit, pinned=Pin(shift=shift.id, start=start))],
        key=lambda each: starts.get(each.id, start),
    )
    times = timetable(one, shift, order)
    possible = times is not None and asked.visit.may_start_at(start)
    assume(asked.visit.minutes > 0)
    assert (what_breaks(alone, start) == ()) == possible
