"""Working hours as instants, and response deadlines worked out by hand.

Paris in 2027: clocks go from 02:00 +01:00 to 03:00 +02:00 on Sunday 28 March (01:00Z) and back from
03:00 +02:00 to 02:00 +01:00 on Sunday 31 October (01:00Z). Easter Monday is 29 March.
"""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput, NoWorkingTime
from scheduler.intervals import Interval, IntervalSet, total_duration
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import (
    LocalPeriod,
    WorkingCalendar,
    deadline,
    instant_at,
    local_date,
    local_day,
    public_holidays,
    working_time,
)

PARIS = "Europe/Paris"
EASTER_MONDAY = date(2027, 3, 29)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(text)


def calendar(
    hours: str, *, holidays: frozenset[date] = frozenset(), closures: tuple[LocalPeriod, ...] = ()
) -> WorkingCalendar:
    return WorkingCalendar(
        zone=PARIS, weekly=WeeklyHours.parse(hours), holidays=holidays, closures=closures
    )


def instants(*pairs: tuple[str, str]) -> IntervalSet[datetime]:
    return IntervalSet.of(Interval(start=utc(start), end=utc(end)) for start, end in pairs)


OFFICE = calendar("Mo-Fr 08:00-12:00,13:00-17:00", holidays=frozenset({EASTER_MONDAY}))


# --- wall clock to instant ---------------------------------------------------------------------


def test_a_time_the_clocks_jump_over_is_the_instant_they_jump() -> None:
    for local in ("2027-03-28T02:00", "2027-03-28T02:30", "2027-03-28T03:00"):
        assert instant_at(wall(local), PARIS) == utc("2027-03-28T01:00")
    # 01:59 is still winter time (+1), 03:01 already summer time (+2)
    assert instant_at(wall("2027-03-28T01:59"), PARIS) == utc("2027-03-28T00:59")
    assert instant_at(wall("2027-03-28T03:01"), PARIS) == utc("2027-03-28T01:01")


def test_a_repeated_time_has_two_instants() -> None:
    local = wall("2027-10-31T02:30")
    assert instant_at(local, PARIS, "first") == utc("2027-10-31T00:30")
    assert instant_at(local, PARIS, "second") == utc("2027-10-31T01:30")


def test_local_days_have_23_24_or_25_hours() -> None:
    hours = [
        total_duration(local_day(day, PARIS)) / timedelta(hours=1)
        for day in (date(2027, 3, 28), date(2027, 3, 29), date(2027, 10, 31))
    ]
    assert hours == [23, 24, 25]


def test_a_day_the_zone_skipped_has_no_instants() -> None:
    # Samoa moved across the date line: 29 December 2011 was followed by the 31st
    assert local_day(date(2011, 12, 30), "Pacific/Apia") == IntervalSet()
    assert local_day(date(2011, 12, 31), "Pacific/Apia") == instants(
        ("2011-12-30T10:00", "2011-12-31T10:00")
    )


@given(st.datetimes(wall("2000-01-01"), wall("2040-01-01")).map(lambda t: t.replace(tzinfo=UTC)))
def test_every_instant_lies_in_exactly_its_own_local_day(instant: datetime) -> None:
    for zone in (PARIS, "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu"):
        day = local_date(instant, zone)
        assert local_day(day, zone).contains(instant)
        assert not local_day(day + timedelta(days=1), zone).contains(instant)


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(InvalidInput, match="unknown time zone 'Europe/Bordeaux'"):
        WorkingCalendar(zone="Europe/Bordeaux", weekly=WeeklyHours.parse(""))


# --- opening hours -----------------------------------------------------------------------------


def test_hours_follow_the_wall_clock_over_the_spring_change() -> None:
    # 08:00-12:00 is 07:00-11:00Z on Friday 26 March (+1) and 06:00-10:00Z on Tuesday 30 March (+2);
    # Easter Monday in between is closed
    assert OFFICE.between(utc("2027-03-26T00:00"), utc("2027-03-31T00:00")) == instants(
        ("2027-03-26T07:00", "2027-03-26T11:00"),
        ("2027-03-26T12:00", "2027-03-26T16:00"),
        ("2027-03-30T06:00", "2027-03-30T10:00"),
        ("2027-03-30T11:00", "2027-03-30T15:00"),
    )


def test_a_night_over_the_spring_change_is_one_hour_shorter() -> None:
    # Saturday 22:00 (+1) = 21:00Z to Sunday 06:00 (+2) = 04:00Z: seven hours, not eight
    bar = calendar("Sa 22:00-06:00")
    assert bar.beginning_on(date(2027, 3, 27)) == instants(("2027-03-27T21:00", "2027-03-28T04:00"))


def test_hours_wholly_inside_the_jump_vanish() -> None:
    assert calendar("Su 02:00-03:00").beginning_on(date(2027, 3, 28)) == IntervalSet()


def test_the_repeated_hour_opens_at_its_first_and_closes_at_its_second_occurrence() -> None:
    # 02:00 first is 00:00Z (+2), 02:30 second is 01:30Z (+1)
    assert calendar("Su 02:00-02:30").beginning_on(date(2027, 10, 31)) == instants(
        ("2027-10-31T00:00", "2027-10-31T01:30")
    )


def test_a_night_runs_on_into_a_window_that_starts_after_midnight() -> None:
    bar = calendar("Fr 18:00-02:00")
    # Friday 5 March, 18:00-02:00 (+1) = 17:00Z to 01:00Z on the 6th
    assert bar.between(utc("2027-03-06T00:00"), utc("2027-03-06T12:00")) == instants(
        ("2027-03-06T00:00", "2027-03-06T01:00")
    )


def test_a_night_that_began_before_a_holiday_runs_to_its_end() -> None:
    bar = calendar("Su,Mo 20:00-02:00", holidays=frozenset({EASTER_MONDAY}))
    # Sunday 28 March 20:00 (+2) = 18:00Z to 00:00Z; nothing begins on Easter Monday
    assert bar.between(utc("2027-03-28T12:00"), utc("2027-03-30T12:00")) == instants(
        ("2027-03-28T18:00", "2027-03-29T00:00")
    )


def test_closures_are_taken_out() -> None:
    closed = calendar(
        "Mo-Fr 08:00-12:00",
        closures=(
            LocalPeriod.whole_days(date(2027, 3, 2), date(2027, 3, 3)),
            LocalPeriod(start=wall("2027-03-04T09:00"), end=wall("2027-03-04T10:00")),
        ),
    )
    assert closed.between(utc("2027-03-01T00:00"), utc("2027-03-05T00:00")) == instants(
        ("2027-03-01T07:00", "2027-03-01T11:00"),
        ("2027-03-04T07:00", "2027-03-04T08:00"),
        ("2027-03-04T09:00", "2027-03-04T11:00"),
    )


def test_overlapping_spans_count_once() -> None:
    assert calendar("Mo 08:00-12:00,10:00-14:00").beginning_on(date(2027, 3, 1)) == instants(
        ("2027-03-01T07:00", "2027-03-01T13:00")
    )


# --- response deadlines, worked out by hand ----------------------------------------------------


def test_deadline_within_the_day_skips_the_lunch_break() -> None:
    # Monday 1 March, reported 11:00 local (+1): 60 min to 12:00, 180 more from 13:00 -> 16:00
    assert deadline(OFFICE, utc("2027-03-01T10:00"), 240) == utc("2027-03-01T15:00")


def test_deadline_across_a_weekend() -> None:
    # Friday 5 March, reported 16:30 local: 30 min to 17:00; nothing on Saturday and Sunday;
    # 210 of the 240 min left from Monday 08:00 -> 11:30 local = 10:30Z
    assert deadline(OFFICE, utc("2027-03-05T15:30"), 240) == utc("2027-03-08T10:30")


def test_deadline_across_a_weekend_a_clock_change_and_a_holiday() -> None:
    # Friday 26 March, reported 15:00 local (+1) = 14:00Z: 120 min to 17:00. The clocks change on
    # Sunday, Easter Monday is closed. Tuesday 30 March (+2): 120 of 240 min from 08:00 local
    # -> 10:00 local = 08:00Z
    assert deadline(OFFICE, utc("2027-03-26T14:00"), 240) == utc("2027-03-30T08:00")


def test_deadline_counts_minutes_that_really_pass_in_a_long_night() -> None:
    # Bar open Saturday 30 October 22:00 (+2) = 20:00Z to Sunday 06:00 (+1) = 05:00Z: nine hours.
    # Reported 23:00 local = 21:00Z; 300 minutes later it is 02:00Z, 03:00 by the wall clock (+1)
    bar = calendar("Sa 22:00-06:00")
    assert deadline(bar, utc("2027-10-30T21:00"), 300) == utc("2027-10-31T02:00")


def test_deadline_reported_out_of_hours_starts_at_the_next_opening() -> None:
    # Sunday 7 March 03:00Z; the week opens Monday 08:00 local = 07:00Z
    assert deadline(OFFICE, utc("2027-03-07T03:00"), 1) == utc("2027-03-08T07:01")


def test_deadline_that_ends_with_the_day_is_closing_time() -> None:
    assert deadline(OFFICE, utc("2027-03-05T15:30"), 30) == utc("2027-03-05T16:00")


def test_no_minutes_end_at_once() -> None:
    sunday = utc("2027-03-07T03:00")
    assert deadline(OFFICE, sunday, 0) == sunday


def test_deadline_finds_hours_after_a_long_closure() -> None:
    summer_bar = calendar(
        "Mo-Su 08:00-12:00",
        closures=(LocalPeriod.whole_days(date(2027, 9, 1), date(2028, 5, 31)),),
    )
    # 1 June 2028 08:00 local (+2) = 06:00Z
    assert deadline(summer_bar, utc("2027-09-02T10:00"), 60) == utc("2028-06-01T07:00")


def test_deadline_may_lie_years_ahead() -> None:
    # one hour every Monday from 1 March 2027: the 104th is 103 weeks later, 19 February 2029
    weekly = calendar("Mo 08:00-09:00")
    assert deadline(weekly, utc("2027-03-01T00:00"), 104 * 60) == utc("2029-02-19T08:00")


def test_a_calendar_without_hours_has_no_deadline() -> None:
    with pytest.raises(NoWorkingTime) as raised:
        deadline(calendar(""), utc("2027-03-01T00:00"), 60)
    assert (raised.value.zone, raised.value.working_minutes) == (PARIS, 60)


def test_negative_minutes_are_refused() -> None:
    with pytest.raises(InvalidInput, match="working_minutes must be >= 0, got -5"):
        deadline(OFFICE, utc("2027-03-01T00:00"), -5)


@given(
    st.datetimes(wall("2027-01-01"), wall("2027-12-31")).map(
        lambda t: t.replace(tzinfo=UTC, second=0, microsecond=0)
    ),
    st.integers(1, 3000),
)
def test_exactly_the_working_minutes_pass_before_the_deadline(
    start: datetime, minutes: int
) -> None:
    end = deadline(OFFICE, start, minutes)
    assert working_time(OFFICE, start, end) == timedelta(minutes=minutes)
    assert working_time(OFFICE, start, end - timedelta(minutes=1)) == timedelta(minutes=minutes - 1)


# --- closures without an end --------------------------------------------------------------------


@pytest.mark.parametrize("zone", ["Europe/Paris", "America/Los_Angeles", "Pacific/Kiritimati"])
def test_a_place_closed_until_the_last_day_there_is_can_be_asked(zone: str) -> None:
    closed = WorkingCalendar(
        zone=zone,
        weekly=WeeklyHours.parse("Mo-Su 00:00-24:00"),
        closures=(LocalPeriod.whole_days(date(2027, 3, 2), date.max),),
    )
    week = closed.between(utc("2027-03-01T00:00"), utc("2027-03-08T00:00"))
    assert week == IntervalSet.between(
        utc("2027-03-01T00:00"), instant_at(wall("2027-03-02T00:00"), zone)
    )
    with pytest.raises(NoWorkingTime):
        deadline(closed, utc("2027-03-05T00:00"), 60)


def test_a_place_closed_since_the_first_day_there_is_can_be_asked() -> None:
    closed = calendar(
        "Mo-Su 08:00-18:00",
        closures=(LocalPeriod.whole_days(date.min, date(2027, 2, 28)),),
    )
    # Sunday is closed; Monday 8:00 to 18:00 in Paris is 7:00Z to 17:00Z
    assert closed.between(utc("2027-02-28T00:00"), utc("2027-03-02T00:00")) == IntervalSet.between(
        utc("2027-03-01T07:00"), utc("2027-03-01T17:00")
    )


# --- holidays ----------------------------------------------------------------------------------


def test_public_holidays_of_a_country() -> None:
    # the eleven of Labour Code article L3133-1 (France); Easter Sunday 2027 is 28 March
    assert public_holidays("FR", None, 2027) == frozenset(
        date.fromisoformat(f"2027-{day}")
        for day in [
            "01-01",
            "03-29",
            "05-01",
            "05-06",
            "05-08",
            "05-17",
            "07-14",
            "08-15",
            "11-01",
            "11-11",
            "12-25",
        ]
    )


def test_a_subdivision_adds_its_own_holidays() -> None:
    # Good Friday and 26 December are holidays in the department of Moselle only
    extra = public_holidays("FR", "57", 2027) - public_holidays("FR", None, 2027)
    assert extra == frozenset({date(2027, 3, 26), date(2027, 12, 26)})


def test_an_unknown_country_is_refused() -> None:
    with pytest.raises(InvalidInput, match="no public holidays known for XX/None"):
        public_holidays("XX", None, 2027)
