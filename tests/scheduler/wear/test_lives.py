"""Lives from dates."""

from datetime import date

import pytest

from scheduler.errors import InvalidInput
from scheduler.wear.lives import End, Life, life_in_days

FITTED, TODAY = date(2026, 1, 1), date(2026, 12, 31)


@pytest.mark.parametrize(
    ("removed_on", "failed", "expected"),
    [
        (None, False, Life(age=364, end=End.RUNNING)),
        (date(2026, 3, 2), True, Life(age=60, end=End.FAILED)),
        (date(2026, 3, 2), False, Life(age=60, end=End.REPLACED)),
        (FITTED, True, Life(age=0.5, end=End.FAILED)),
    ],
)
def test_dates_become_lives(removed_on: date | None, failed: bool, expected: Life) -> None:
    assert (
        life_in_days(fitted_on=FITTED, removed_on=removed_on, failed=failed, today=TODAY)
        == expected
    )


def test_a_part_fitted_before_the_records_is_known_from_then() -> None:
    life = life_in_days(
        fitted_on=FITTED,
        removed_on=date(2026, 7, 20),
        failed=True,
        today=TODAY,
        records_begin=date(2026, 4, 11),
    )
    assert life == Life(age=200, end=End.FAILED, known_from=100)


def test_parts_that_say_nothing_yet() -> None:
    assert life_in_days(fitted_on=TODAY, removed_on=None, failed=False, today=TODAY) is None
    before_the_records = life_in_days(
        fitted_on=FITTED,
        removed_on=date(2026, 2, 1),
        failed=True,
        today=TODAY,
        records_begin=date(2026, 2, 1),
    )
    assert before_the_records is None


@pytest.mark.parametrize(
    ("removed_on", "failed", "message"),
    [
        (date(2025, 12, 31), True, "a part fitted on 2026-01-01 cannot end on 2025-12-31"),
        (date(2027, 1, 1), True, "cannot be removed on 2027-01-01, after today, 2026-12-31"),
        (None, True, "failed but was not removed"),
    ],
)
def test_contradicting_dates_are_refused(
    removed_on: date | None, failed: bool, message: str
) -> None:
    with pytest.raises(InvalidInput, match=message):
        life_in_days(fitted_on=FITTED, removed_on=removed_on, failed=failed, today=TODAY)


@pytest.mark.parametrize(("age", "known_from"), [(0, 0), (-1, 0), (10, 10), (10, -1)])
def test_impossible_lives_are_refused(age: float, known_from: float) -> None:
    with pytest.raises(InvalidInput, match="a life needs 0 <= known_from < age"):
        Life(age=age, end=End.FAILED, known_from=known_from)
