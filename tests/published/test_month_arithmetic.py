"""Month arithmetic against published recurrences and an independent library.

RFC 7529 (Non-Gregorian Recurrence Rules in iCalendar) defines SKIP=BACKWARD: an invalid day becomes
the last valid one before it. RFC 5545 3.3.10 instead drops invalid days, so its plain FREQ=MONTHLY
agrees only where every month has the day; BYMONTHDAY=28,29,30,31;BYSETPOS=-1 says the same thing
for an anchor on the 31st.
"""

from datetime import date, datetime

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from scheduler.dates import add_months, nth_occurrence


@pytest.mark.parametrize(
    ("anchor", "every_months", "expected"),
    [
        # libical 3.0.16: RSCALE=GREGORIAN;FREQ=MONTHLY;INTERVAL=6;SKIP=BACKWARD from 31 August 2026
        pytest.param(
            date(2026, 8, 31),
            6,
            [date(2026, 8, 31), date(2027, 2, 28), date(2027, 8, 31), date(2028, 2, 29)],
            id="libical-six-months",
        ),
        # RFC 7529 SKIP=BACKWARD, monthly from 31 January 2014 (from memory)
        pytest.param(
            date(2014, 1, 31),
            1,
            [date(2014, 1, 31), date(2014, 2, 28), date(2014, 3, 31), date(2014, 4, 30)],
            id="rfc7529-monthly",
        ),
        # RFC 7529 SKIP=BACKWARD, yearly from 29 February 2012 (from memory)
        pytest.param(
            date(2012, 2, 29),
            12,
            [date(2012, 2, 29), date(2013, 2, 28), date(2014, 2, 28), date(2015, 2, 28)],
            id="rfc7529-yearly",
        ),
        # RFC 5545 3.8.5.3, "every 18 months on the 10th": September 1997, March 1999
        pytest.param(
            date(1997, 9, 10), 18, [date(1997, 9, 10), date(1999, 3, 10)], id="rfc5545-18-months"
        ),
    ],
)
def test_published_recurrences(anchor: date, every_months: int, expected: list[date]) -> None:
    assert [nth_occurrence(anchor, every_months, n) for n in range(len(expected))] == expected


@given(st.dates(date(1990, 1, 1), date(2090, 1, 1)), st.integers(-600, 600))
def test_add_months_equals_dateutil_relativedelta(anchor: date, months: int) -> None:
    assert add_months(anchor, months) == anchor + relativedelta(months=months)


@given(st.integers(2020, 2035), st.sampled_from([1, 3, 5, 7, 8, 10, 12]), st.integers(1, 13))
def test_occurrences_from_a_31st_equal_the_last_day_rule_of_rfc_5545(
    year: int, month: int, every_months: int
) -> None:
    anchor = datetime(year, month, 31)  # noqa: DTZ001  dateutil expands rules on local time
    rule = f"FREQ=MONTHLY;INTERVAL={every_months};BYMONTHDAY=28,29,30,31;BYSETPOS=-1;COUNT=12"
    expected = [day.date() for day in rrulestr(rule, dtstart=anchor)]
    assert [nth_occurrence(anchor.date(), every_months, n) for n in range(12)] == expected
