"""Due dates at the ends of months against an independent library and published recurrences."""

from dataclasses import replace
from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import Catalogue, EquipmentKind, Interval
from scheduler.duty import after_months, stated_duty
from scheduler.machines import Build, Machine, WorkDone
from scheduler.upkeep import due_tasks
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
EXAMINATION = replace(CATALOGUE.rules["electrical_safety_test"], margin_days=0, early_share=0.0)


def due(done_on: date, months: int) -> tuple[date, date]:
    """The target and latest day of hard work every ``months`` months, last done on a day."""
    rule = replace(EXAMINATION, interval=Interval(months_by_drinks=((180, months),)))
    catalogue: Catalogue = replace(CATALOGUE, rules={rule.id: rule})
    machine = Machine(
        id="m",
        site="s",
        name="Grinder",
        build=Build(kind=EquipmentKind.GRINDER),
        installed_on=date(1990, 1, 1),
        drinks_per_day=100,
        history=(WorkDone(rule=rule.id, fitted_part=None, done_on=done_on),),
    )
    duty = stated_duty(machine, catalogue, hardness_dh=10)
    (task,) = due_tasks(machine, catalogue, duty, until=date(2300, 1, 1))
    return task.target, task.latest


@pytest.mark.parametrize(
    ("done_on", "months", "expected"),
    [
        # RFC 7529 (2015) section 4.1, SKIP=BACKWARD from 31 January 2014: 28 February, 31 March
        # and 30 April follow.
        (date(2014, 1, 31), 1, date(2014, 2, 28)),
        (date(2014, 1, 31), 2, date(2014, 3, 31)),
        (date(2014, 1, 31), 3, date(2014, 4, 30)),
        # The same, yearly from 29 February 2012: 28 February until the next leap year.
        (date(2012, 2, 29), 12, date(2013, 2, 28)),
        (date(2012, 2, 29), 48, date(2016, 2, 29)),
        # RFC 5545 section 3.8.5.3, every 18 months on the 10th from September 1997.
        (date(1997, 9, 10), 18, date(1999, 3, 10)),
    ],
)
def test_due_dates_are_published_recurrences(done_on: date, months: int, expected: date) -> None:
    assert due(done_on, months) == (expected, expected)


@given(
    st.dates(date(1990, 1, 1), date(2090, 1, 1)).map(
        lambda day: day + relativedelta(day=31)  # the last day of its month
    ),
    st.integers(1, 120),
)
def test_due_dates_from_a_months_end_equal_dateutil_relativedelta(
    done_on: date, months: int
) -> None:
    expected = done_on + relativedelta(months=months)
    assert due(done_on, months) == (expected, expected)


@given(st.dates(date(1990, 1, 1), date(2090, 1, 1)), st.integers(0, 120), st.floats(0, 0.999))
def test_part_of_a_month_lies_between_the_whole_months_of_dateutil(
    anchor: date, whole: int, share: float
) -> None:
    start = anchor + relativedelta(months=whole)
    end = anchor + relativedelta(months=whole + 1)
    assert after_months(anchor, whole) == start
    assert start <= after_months(anchor, whole + share) < end
