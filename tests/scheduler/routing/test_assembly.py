"""Open visits become a planning problem: hours, promises, deadlines and costs worked out by hand.

Ann lives where the café stands, so nobody drives. Minute 0 is midnight in Paris of Monday 22 March
2027, 23:00 UTC of the day before; 08:00 is minute 480.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest

from scheduler.company import Technician, Urgency
from scheduler.intervals import Interval, IntervalSet
from scheduler.places import Coordinates
from scheduler.routing.assembly import (
    Assembly,
    assemble,
    published_plan,
    working_days,
)
from scheduler.routing.checker import check
from scheduler.routing.open_visits import Occupied, OffTime, OpenVisit, Standing
from scheduler.routing.plan import Stop
from scheduler.routing.problem import Pause, Pin, Shift, Visit
from scheduler.routing.weights import PlanningWeights
from scheduler.travel import StraightLineTravel
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import LocalPeriod, WorkingCalendar

PARIS = "Europe/Paris"
MONDAY, TUESDAY = date(2027, 3, 22), date(2027, 3, 23)
HERE = Coordinates(lat=44.8, lon=-0.6)
BEFORE_DAWN = datetime(2027, 3, 22, 4, 0, tzinfo=UTC)
WEIGHTS = PlanningWeights(
    leave_out_can_wait=90,
    leave_out_due=600,
    leave_out_hard=3000,
    overdue_per_day=10,
    early_per_day=1,
    late_per_day=3,
    past_latest_per_day=15,
    callback_per_day=240,
    withdraw=120,
    perhaps_away=60,
    change_day=25,
    change_technician=15,
)
ANN = Technician(
    id="ann",
    name="Ann",
    lat=HERE.lat,
    lon=HERE.lon,
    skills=frozenset({"espresso"}),
    calendar=WorkingCalendar(zone=PARIS, weekly=WeeklyHours.parse("Mo-Fr 08:00-16:30")),
    break_minutes=30,
    break_earliest=time(11, 30),
    break_latest=time(14, 0),
)
BO = replace(ANN, id="bo", name="Bo", break_minutes=0, skills=frozenset())


def at(hour: int, minute: int = 0, day: date = MONDAY) -> datetime:
    """Return a wall-clock time before the clocks change as an instant: Paris is UTC+1."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC) - timedelta(hours=1)


def hours(first: int, last: int, *days: date) -> IntervalSet[datetime]:
    return IntervalSet.of(Interval(start=at(first, 0, day), end=at(last, 0, day)) for day in days)


VALVES = OpenVisit(
    id="valves",
    site="s1",
    at=HERE,
    zone=PARIS,
    minutes=60,
    skills=frozenset({"espresso"}),
    allowed=hours(8, 11, MONDAY, TUESDAY),
    earliest=date(2027, 3, 1),
    target=TUESDAY,
    latest=date(2027, 3, 30),
)


def assembled(
    *visits: OpenVisit,
    people: Sequence[Technician] = (ANN,),
    now: datetime = BEFORE_DAWN,
    days: Sequence[date] = (MONDAY, TUESDAY),
    occupied: Sequence[Occupied] = (),
    waived: frozenset[str] = frozenset(),
) -> Assembly:
    return assemble(
        visits,
        people,
        StraightLineTravel(),
        now=now,
        days=days,
        weights=WEIGHTS,
        occupied=occupied,
        deadline_waived=waived,
    )


def only_visit(assembly: Assembly) -> Visit:
    (visit,) = assembly.problem.visits
    return visit


def test_people_and_hours_become_shifts() -> None:
    assembly = assembled(VALVES)

    monday = Shift(
        id="ann/2027-03-22",
        technician="ann",
        start_place=0,
        end_place=0,
        start=480,
        end=990,
        skills=frozenset({"espresso"}),
        pause=Pause(minutes=30, earliest=690, latest=840),
    )
    tuesday = replace(
        monday,
        id="ann/2027-03-23",
        start=1920,
        end=2430,
        pause=Pause(minutes=30, earliest=2130, latest=2280),
    )
    assert assembly.problem.shifts == (monday, tuesday)
    assert assembly.problem.minute_zero == datetime(2027, 3, 21, 23, tzinfo=UTC)
    assert assembly.shift_days == {"ann/2027-03-22": MONDAY, "ann/2027-03-23": TUESDAY}


def test_all_of_the_work_lies_in_allowed_hours() -> None:
    # 08:00 to 11:00 for 60 minutes of work: start from 08:00 to 10:00
    assert only_visit(assembled(VALVES)).start_windows == ((480, 600), (1920, 2040))


def test_what_a_machine_is_off_for_lies_in_the_quiet_hours() -> None:
    # off from the 20th minute to the 45th, between 9:00 and 10:00: start from 8:40 to 9:15
    off = OffTime(begins=20, ends=45, hours=hours(9, 10, MONDAY))
    visit = replace(VALVES, off=off)
    assert only_visit(assembled(visit)).start_windows == ((520, 555),)
    # all of the work lies in allowed hours still: until 9:30, hence start by 8:30
    early = replace(visit, allowed=IntervalSet.of([Interval(start=at(8), end=at(9, 30))]))
    assert only_visit(assembled(early)).start_windows == ()
    # Ann takes 72 minutes and has the machine off until the 54th; Cy begins that at the 16th
    people = (replace(ANN, pace=1.2), replace(ANN, id="cy", pace=0.8))
    assert only_visit(assembled(visit, people=people)).start_windows == ((524, 546),)


def test_every_visit_says_at_which_site_it_is_made() -> None:
    other = replace(VALVES, id="other")
    problem = assembled(VALVES, other, people=(ANN, replace(ANN, id="cy"))).problem
    assert [visit.site for visit in problem.visits] == ["s1", "s1"]


def test_nothing_starts_before_now_or_before_its_earliest_day() -> None:
    at_nine = assembled(VALVES, now=at(9))
    from_tuesday = assembled(replace(VALVES, earliest=TUESDAY))
    assert only_visit(at_nine).start_windows == ((540, 600), (1920, 2040))
    assert only_visit(from_tuesday).start_windows == ((1920, 2040),)


def test_a_hard_day_ends_the_windows() -> None:
    hard = replace(VALVES, target=MONDAY, latest=MONDAY, hard_latest=MONDAY)
    assert only_visit(assembled(hard)).start_windows == ((480, 600),)


def test_a_deadline_ends_the_windows_until_it_is_waived() -> None:
    call = replace(VALVES, urgency=Urgency.STOPPED, respond_by=at(9, 30))
    assert only_visit(assembled(call)).start_windows == ((480, 570),)
    waived = assembled(call, waived=frozenset({"valves"}))
    assert only_visit(waived).start_windows == ((480, 600), (1920, 2040))


def test_coming_early_wastes_life_and_coming_late_is_a_risk() -> None:
    # the target is Tuesday: Monday is a day early
    assert only_visit(assembled(VALVES)).shift_costs == {"ann/2027-03-22": 1}
    # the target was Saturday 20 March and the latest day Monday: Monday is 2 days late at 3;
    # Tuesday as well, and a day past the latest at 15
    late = replace(VALVES, target=date(2027, 3, 20), latest=MONDAY)
    assert only_visit(assembled(late)).shift_costs == {
        "ann/2027-03-22": 6,
        "ann/2027-03-23": 6 + 15,
    }


def test_a_callback_costs_for_every_working_day_it_waits() -> None:
    call = replace(VALVES, urgency=Urgency.IMPAIRED, earliest=MONDAY, target=MONDAY, latest=MONDAY)
    assert only_visit(assembled(call)).shift_costs == {"ann/2027-03-23": 240}


def test_shifts_without_the_skill_carry_no_cost() -> None:
    late = replace(VALVES, target=date(2027, 3, 20), latest=MONDAY)
    costs = only_visit(assembled(late, people=(ANN, BO))).shift_costs
    assert set(costs) == {"ann/2027-03-22", "ann/2027-03-23"}


@pytest.mark.parametrize(
    ("visit", "cost"),
    [
        (VALVES, 90),  # its latest day lies beyond Tuesday: another plan will see it
        (replace(VALVES, latest=TUESDAY), 600),
        (replace(VALVES, latest=TUESDAY, hard_latest=TUESDAY), 3000),
        # overdue since 12 March, ten days before Monday, at 10 a day
        (replace(VALVES, target=date(2027, 3, 5), latest=date(2027, 3, 12)), 700),
        (replace(VALVES, urgency=Urgency.DANGER), 40_000),
        (
            replace(VALVES, standing=Standing(technician="ann", starts_at=at(9), promised=False)),
            90 + 120,
        ),
    ],
)
def test_leaving_out_costs_what_waiting_risks(visit: OpenVisit, cost: int) -> None:
    assert only_visit(assembled(visit)).leave_out_cost == cost


def test_moving_what_is_published_costs() -> None:
    bo = replace(BO, skills=frozenset({"espresso"}))
    # published with Ann on Tuesday, the target: another day 25 and a day early 1, Bo 15
    standing = Standing(technician="ann", starts_at=at(9, 0, TUESDAY), promised=False)
    visit = replace(VALVES, standing=standing)
    assert only_visit(assembled(visit, people=(ANN, bo))).shift_costs == {
        "ann/2027-03-22": 1 + 25,
        "bo/2027-03-22": 1 + 25 + 15,
        "bo/2027-03-23": 15,
    }


def test_a_day_on_which_somebody_may_be_away_costs_by_the_share_of_it() -> None:
    # All of Tuesday's shift; of Monday's 8 h 30 min 2 h 7 min 30 s, a quarter: 60 and 15.
    monday = Interval(start=at(8), end=at(10, 7) + timedelta(seconds=30))
    unsure = replace(ANN, perhaps_away=IntervalSet.of([monday]) | hours(0, 23, TUESDAY))
    assert only_visit(assembled(VALVES, people=[unsure])).shift_costs == {
        "ann/2027-03-22": 1 + 15,  # and a day early
        "ann/2027-03-23": 60,
    }


def test_a_promise_is_pinned() -> None:
    standing = Standing(technician="ann", starts_at=at(9, 15), promised=True)
    assembly = assembled(replace(VALVES, standing=standing))
    visit = only_visit(assembly)
    assert visit.pinned == Pin(shift="ann/2027-03-22", start=555)
    assert (visit.start_windows, dict(visit.shift_costs)) == (((555, 555),), {})
    assert assembly.broken_promises == ()


def test_a_promise_is_kept_beside_a_colleague_of_another_pace() -> None:
    standing = Standing(technician="ann", starts_at=at(9, 15), promised=True)
    slow = replace(ANN, id="cy", pace=1.2)
    assembly = assembled(replace(VALVES, standing=standing), people=(ANN, slow))
    assert only_visit(assembly).pinned == Pin(shift="ann/2027-03-22", start=555)
    assert assembly.broken_promises == ()


def test_a_promise_that_an_absence_breaks_is_let_go_and_reported() -> None:
    away = LocalPeriod.whole_days(MONDAY, MONDAY)
    absent = replace(ANN, calendar=replace(ANN.calendar, closures=(away,)))
    standing = Standing(technician="ann", starts_at=at(9, 15), promised=True)
    assembly = assembled(replace(VALVES, standing=standing), people=(absent,))
    assert only_visit(assembly).pinned is None
    assert assembly.broken_promises == ("valves",)


def test_of_two_promises_that_clash_the_earlier_is_kept() -> None:
    first = replace(
        VALVES, id="first", standing=Standing(technician="ann", starts_at=at(9), promised=True)
    )
    second = replace(
        VALVES, id="second", standing=Standing(technician="ann", starts_at=at(9, 30), promised=True)
    )
    assembly = assembled(second, first)
    pins = {visit.id: visit.pinned for visit in assembly.problem.visits}
    assert pins == {"first": Pin(shift="ann/2027-03-22", start=540), "second": None}
    assert assembly.broken_promises == ("second",)


def test_an_absence_inside_the_day_makes_two_shifts() -> None:
    away = LocalPeriod(start=datetime(2027, 3, 22, 10), end=datetime(2027, 3, 22, 12))  # noqa: DTZ001
    assembly = assembled(
        VALVES,
        people=(replace(ANN, calendar=replace(ANN.calendar, closures=(away,))),),
        days=(MONDAY,),
    )
    found = [(shift.id, shift.start, shift.end) for shift in assembly.problem.shifts]
    assert found == [("ann/2027-03-22", 480, 600), ("ann/2027-03-22/2", 720, 990)]


def test_a_shift_with_too_little_of_the_lunch_hours_has_no_break() -> None:
    # at 13:45 only 15 minutes of 11:30 to 14:00 are left
    assembly = assembled(VALVES, now=at(13, 45), days=(MONDAY,))
    (shift,) = assembly.problem.shifts
    assert (shift.start, shift.end, shift.pause) == (825, 990, None)


def test_who_is_in_the_middle_of_something_goes_on_from_there() -> None:
    there = Coordinates(lat=44.9, lon=-0.5)
    assembly = assembled(
        VALVES,
        now=at(9),
        days=(MONDAY,),
        occupied=(Occupied(technician="ann", at=there, until=at(9, 40)),),
    )
    (shift,) = assembly.problem.shifts
    assert (shift.start, shift.start_place, shift.end_place) == (580, 1, 0)
    places = [(place.lat, place.lon) for place in assembly.problem.places]
    assert places == [(HERE.lat, HERE.lon), (there.lat, there.lon)]


def test_minutes_are_minutes_that_pass_when_the_clocks_change() -> None:
    # Sunday 28 March 2027 has 23 hours, so 08:00 of Monday 29 March is 23 + 8 hours after Sunday's
    # midnight
    sunday, monday = date(2027, 3, 28), date(2027, 3, 29)
    works = replace(
        ANN, calendar=WorkingCalendar(zone=PARIS, weekly=WeeklyHours.parse("Mo-Su 08:00-16:30"))
    )
    assembly = assembled(people=(works,), days=(sunday, monday))
    assert [shift.start for shift in assembly.problem.shifts] == [7 * 60, (23 + 8) * 60]


def test_working_days_are_those_on_which_anybody_works() -> None:
    # from Friday 26 March: the weekend, then Easter Monday
    easter = replace(ANN.calendar, holidays=frozenset({date(2027, 3, 29)}))
    people = [replace(ANN, calendar=easter)]
    assert working_days(people, date(2027, 3, 26), 3) == [
        date(2027, 3, 26),
        date(2027, 3, 30),
        date(2027, 3, 31),
    ]
    assert working_days([], date(2027, 3, 26), 3) == []


def test_the_published_calendar_is_a_plan_to_start_from() -> None:
    standing = Standing(technician="ann", starts_at=at(9), promised=False)
    visits = (replace(VALVES, standing=standing), replace(VALVES, id="other"))
    assembly = assembled(*visits, people=(replace(ANN, break_minutes=0),))

    plan = published_plan(assembly, visits)

    assert plan is not None
    assert plan.stops == (Stop(visit="valves", shift="ann/2027-03-22", start=540),)
    assert [left.visit for left in plan.left_out] == ["other"]
    assert check(assembly.problem, plan) == ()
    assert published_plan(assembled(VALVES), (VALVES,)) is None


def test_a_slower_technician_takes_longer_and_is_through_in_time() -> None:
    # 60 minutes take Ann 72; allowed until 11:00, so the last start is at 9:48.
    slow = replace(ANN, pace=1.2)
    visit = only_visit(assembled(VALVES, people=(slow, replace(ANN, id="cy"))))
    assert visit.shift_minutes == {"ann/2027-03-22": 72, "ann/2027-03-23": 72}
    assert visit.start_windows == ((480, 588), (1920, 2028))


def test_hours_too_short_for_the_slowest_are_kept_for_the_others() -> None:
    short = replace(VALVES, allowed=hours(8, 9, MONDAY))
    visit = only_visit(assembled(short, people=(replace(ANN, pace=1.2),)))
    assert visit.start_windows == ((480, 480),)


def test_some_days_begin_at_the_workshop_and_all_end_at_home() -> None:
    workshop = Coordinates(lat=44.9, lon=-0.5)
    fetching = replace(ANN, sets_out_from={MONDAY.weekday(): workshop}, driving_limit_minutes=90)
    assembly = assembled(VALVES, people=(fetching,))
    places = assembly.problem.places
    ends = [(places[s.start_place].lat, places[s.end_place].lat) for s in assembly.problem.shifts]
    assert ends == [(44.9, ANN.lat), (ANN.lat, ANN.lat)]
    assert {shift.driving_limit for shift in assembly.problem.shifts} == {90}


def test_days_are_evened_out_by_the_company_s_weight() -> None:
    assert assembled(VALVES).problem.balance == WEIGHTS.balance == 1
