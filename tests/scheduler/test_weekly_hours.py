"""Weekly hours as text."""

from datetime import date, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.weekly_hours import DaySpan, WeeklyHours


def span(opens: str, closes: str) -> DaySpan:
    return DaySpan(opens=time.fromisoformat(opens), closes=time.fromisoformat(closes))


def test_parse_reads_ranges_lists_and_several_spans() -> None:
    weekday = (span("07:30", "12:00"), span("13:00", "18:00"))
    saturday = (span("18:00", "02:00"),)
    assert WeeklyHours.parse("Mo-Fr 13:00-18:00,07:30-12:00; Sa 18:00-02:00") == WeeklyHours(
        by_weekday=(weekday,) * 5 + (saturday, ())
    )


def test_parse_wraps_a_range_over_the_weekend() -> None:
    hours = WeeklyHours.parse("Fr-Mo 10:00-14:00")
    assert [bool(day) for day in hours.by_weekday] == [True, False, False, False, True, True, True]


def test_rules_for_one_weekday_add_up() -> None:
    hours = WeeklyHours.parse("Mo-Su 08:00-10:00; Su 20:00-24:00")
    assert hours.on(date(2027, 3, 7)) == (span("08:00", "10:00"), span("20:00", "00:00"))


def test_a_span_that_does_not_end_after_its_start_runs_past_midnight() -> None:
    assert span("18:00", "02:00").past_midnight
    assert span("00:00", "00:00").past_midnight
    assert not span("08:00", "17:00").past_midnight


@given(
    st.lists(
        st.lists(st.builds(DaySpan, opens=..., closes=...), max_size=3), min_size=7, max_size=7
    )
)
def test_text_and_value_round_trip(days: list[list[DaySpan]]) -> None:
    def whole_minutes(value: DaySpan) -> DaySpan:
        opens, closes = (
            t.replace(second=0, microsecond=0, tzinfo=None, fold=0)
            for t in (value.opens, value.closes)
        )
        return DaySpan(opens=opens, closes=closes)

    hours = WeeklyHours(by_weekday=tuple(tuple(sorted(map(whole_minutes, day))) for day in days))
    assert WeeklyHours.parse(str(hours)) == hours


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("Mon 08:00-17:00", r"cannot read the weekdays of 'Mon 08:00-17:00'"),
        ("Mo-Xx 08:00-17:00", r"cannot read the weekdays of 'Mo-Xx 08:00-17:00'"),
        ("Mo 8-17", r"cannot read the hours '8-17' of 'Mo 8-17'"),
        ("Mo", r"cannot read the hours '' of 'Mo'"),
        ("Mo 08:00-25:00", r"no such time of day in '08:00-25:00'"),
    ],
)
def test_unreadable_hours_are_refused_by_name(text: str, message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        WeeklyHours.parse(text)


def test_a_week_needs_seven_days() -> None:
    with pytest.raises(InvalidInput, match="got hours for 5"):
        WeeklyHours(by_weekday=((),) * 5)
