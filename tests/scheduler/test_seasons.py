"""The season's clock."""

from datetime import UTC, date, datetime, timedelta
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.seasons import EVEN, PaceOfPeriod, Season, fit_season

SUMMER_ONLY = Season.of((0, 0, 0, 0, 1, 2, 2, 2, 1, 0, 0, 0))


def utc(year: int, month: int, day: int = 1) -> datetime:
    return datetime(year, month, day, tzinfo=UTC)


def test_an_even_season_keeps_real_days() -> None:
    start, end = utc(2026, 2, 10), utc(2027, 11, 3)
    assert EVEN.days_at(end) - EVEN.days_at(start) == pytest.approx((end - start).days)


def test_busy_months_count_for_more_and_closed_ones_for_nothing() -> None:
    # weights 1 2 2 2 1 add to 8, so a day of July counts 2 * 12 / 8 = 3 days, a day of May 1.5
    def days(start: datetime, end: datetime) -> float:
        return SUMMER_ONLY.days_at(end) - SUMMER_ONLY.days_at(start)

    assert days(utc(2027, 7), utc(2027, 8)) == pytest.approx(31 * 3)
    assert days(utc(2027, 4, 20), utc(2027, 5, 11)) == pytest.approx(10 * 1.5)
    assert days(utc(2026, 10), utc(2027, 5)) == pytest.approx(0)


@given(
    st.tuples(*[st.floats(0.05, 5)] * 12),
    st.datetimes(datetime.fromisoformat("2000-01-01"), datetime.fromisoformat("2090-01-01")),
)
def test_the_clock_can_be_read_backwards(weights: tuple[float, ...], when: datetime) -> None:
    season, instant = Season.of(weights), when.replace(tzinfo=UTC)
    again = season.instant_at(season.days_at(instant))
    assert again is not None
    assert abs(again - instant) < timedelta(seconds=1)


def test_the_clock_ends_with_2109() -> None:
    assert EVEN.instant_at(EVEN.days_at(utc(2109, 12, 31))) == utc(2109, 12, 31)
    assert EVEN.instant_at(EVEN.days_at(utc(2110, 1, 1))) is None


@pytest.mark.parametrize("factors", [(1.0,) * 11, (2.0,) * 12, (-1.0, 3.0) + (1.0,) * 10])
def test_wrong_factors_are_refused(factors: tuple[float, ...]) -> None:
    with pytest.raises(InvalidInput, match="season"):
        Season(by_month=factors)


def test_a_season_without_trade_is_refused() -> None:
    with pytest.raises(InvalidInput, match="must not all be 0"):
        Season.of((0.0,) * 12)


# --- the season behind periods of any length --------------------------------------------------


def pace(season: Season, start: datetime, end: datetime) -> PaceOfPeriod:
    days = season.days_at(end) - season.days_at(start)
    return PaceOfPeriod(start=start, end=end, pace=days / ((end - start) / timedelta(days=1)))


def test_nothing_known_is_an_even_season() -> None:
    assert fit_season([]).by_month == pytest.approx(EVEN.by_month)


def test_a_season_is_found_behind_readings_ten_weeks_apart() -> None:
    # six sites of one coast, each read every 70 days for three years, on days of their own
    periods = [
        pace(SUMMER_ONLY, start, start + timedelta(days=70))
        for site in range(6)
        for start in (utc(2024, 1, 1) + timedelta(days=11 * site + 70 * n) for n in range(15))
    ]
    found = fit_season(periods)
    assert found.by_month == pytest.approx(SUMMER_ONLY.by_month, abs=0.25)


def test_little_is_made_of_little() -> None:
    # one busy July week: July rises, but far less than to what the week was
    found = fit_season([PaceOfPeriod(start=utc(2027, 7, 1), end=utc(2027, 7, 8), pace=3.0)])
    assert 1.05 < found.by_month[6] < 2.0
    assert found.by_month[0] == pytest.approx(found.by_month[11])


def test_a_period_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(InvalidInput, match="a period needs start < end"):
        PaceOfPeriod(start=utc(2027, 2), end=utc(2027, 1), pace=1)


def test_a_season_says_how_far_its_months_differ() -> None:
    assert EVEN.contrast == 1.0
    assert Season.of((1,) * 6 + (3,) * 6).contrast == 3.0
    assert Season.of((0,) * 6 + (1,) * 6).contrast == inf


def test_use_is_reached_sooner_in_the_busy_months() -> None:
    # 30 days of average use: the first half year stands still, the second is twice as busy
    late = Season.of((0,) * 6 + (1,) * 6)
    assert late.day_after(date(2027, 7, 1), 30) == date(2027, 7, 16)
    assert late.day_after(date(2027, 2, 10), 30) == date(2027, 7, 16)
    assert EVEN.day_after(date(2027, 2, 10), 30.9) == date(2027, 3, 12)


@pytest.mark.parametrize("start", [date(1980, 1, 1), date(2100, 1, 1)])
def test_beyond_the_clock_the_pace_is_average(start: date) -> None:
    late = Season.of((0,) * 6 + (1,) * 6)
    assert late.day_after(start, 20_000) == start + timedelta(days=20_000)
