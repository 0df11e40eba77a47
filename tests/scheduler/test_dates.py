"""Month arithmetic: clamping, never drifting."""

from datetime import date
from itertools import takewhile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.dates import add_months, nth_occurrence, occurrences_between
from scheduler.errors import InvalidInput

days = st.dates(date(1990, 1, 1), date(2090, 12, 31))


def test_every_six_months_from_the_31st_clamps_and_does_not_drift() -> None:
    assert [nth_occurrence(date(2026, 8, 31), 6, n) for n in range(5)] == [
        date(2026, 8, 31),
        date(2027, 2, 28),
        date(2027, 8, 31),
        date(2028, 2, 29),
        date(2028, 8, 31),
    ]


def test_months_count_backwards_as_well() -> None:
    assert add_months(date(2027, 3, 31), -1) == date(2027, 2, 28)
    assert add_months(date(2027, 1, 15), -13) == date(2025, 12, 15)


@given(days, st.integers(-240, 240), st.integers(1, 28))
def test_a_day_every_month_has_comes_back_unchanged(day: date, months: int, of_month: int) -> None:
    anchor = day.replace(day=of_month)
    assert add_months(add_months(anchor, months), -months) == anchor


@given(days, st.integers(1, 36), days, st.integers(0, 3000))
def test_occurrences_between_are_the_ones_inside(
    anchor: date, every_months: int, start: date, length_days: int
) -> None:
    end = date.fromordinal(start.toordinal() + length_days)
    all_of_them = (nth_occurrence(anchor, every_months, n) for n in range(2000))
    expected = [day for day in takewhile(lambda day: day < end, all_of_them) if day >= start]
    assert list(occurrences_between(anchor, every_months, start, end)) == expected


def test_an_interval_below_one_month_is_refused() -> None:
    with pytest.raises(InvalidInput, match="every_months must be at least 1, got 0"):
        nth_occurrence(date(2027, 1, 1), 0, 3)
    with pytest.raises(InvalidInput, match="every_months must be at least 1, got -2"):
        list(occurrences_between(date(2027, 1, 1), -2, date(2027, 1, 1), date(2028, 1, 1)))
