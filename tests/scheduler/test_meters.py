"""Rates and forecasts from counter readings, good and bad."""

import random
from datetime import UTC, datetime, timedelta
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import Counter
from scheduler.errors import InvalidInput
from scheduler.machines import MeterReading
from scheduler.meters import Basis, Forecast, usage
from scheduler.seasons import Season

START = datetime(2026, 1, 1, 9, tzinfo=UTC)


def after(days: float) -> datetime:
    return START + timedelta(days=days)


def read(days: float, value: float, counter: Counter = Counter.DRINKS) -> MeterReading:
    return MeterReading(counter=counter, value=value, taken_at=after(days))


def steady(*days: float) -> list[MeterReading]:
    """A counter that runs at 100 a day from 5000."""
    return [read(day, 5000 + 100 * day) for day in days]


def test_a_steady_counter_gives_its_rate_exactly() -> None:
    found = usage(steady(0, 30, 60, 90, 120), stated_per_day=70)
    assert (found.per_day, found.low, found.high, found.basis) == (100, 100, 100, Basis.MEASURED)
    assert (found.odd, found.resets) == ((), ())


def test_forecast_counts_from_the_last_service_over_what_was_read() -> None:
    # 9000 in the first 60 days, 150 a day; then 100 a day from 60 to 160. The slopes are 150, 100
    # and (19000 / 160) = 118.75, the median. 12,000 after day 30: 4500 by day 60, the other 7500 at
    # 100 a day as read: day 135
    found = usage([read(0, 0), read(60, 9000), read(160, 19000)])
    assert found.per_day == 118.75
    assert found.forecast(after(30), 12_000) == Forecast(
        earliest=after(135), expected=after(135), latest=after(135)
    )


def test_forecast_beyond_the_readings_spreads_with_the_rate() -> None:
    # two readings: 100 a day, give or take the 20 % assumed for few readings. 6000 left to go after
    # day 40: 50 days at 120, 60 at 100, 75 at 80
    found = usage(steady(0, 40))
    assert (found.low, found.high) == (80, 120)
    assert found.forecast(after(0), 10_000) == Forecast(
        earliest=after(90), expected=after(100), latest=after(115)
    )


def test_too_few_readings_fall_back_to_what_the_site_stated() -> None:
    for readings in ([], steady(0), steady(0, 13)):
        found = usage(readings, stated_per_day=200)
        assert (found.per_day, found.low, found.high) == (200, 120, 320)
        assert found.basis is Basis.STATED
    # 6000 from the start: 18.75 days at 320, 30 at 200, 50 at 120
    assert usage([], stated_per_day=200).forecast(START, 6000) == Forecast(
        earliest=after(18.75), expected=after(30), latest=after(50)
    )


def test_nothing_known_and_nothing_used_is_never_due() -> None:
    assert usage([]).forecast(START, 10) == Forecast(earliest=None, expected=None, latest=None)


def test_a_mistyped_digit_is_reported_and_not_used() -> None:
    readings = [*steady(0, 30, 60, 120, 150), read(90, 41_000)]  # for 14,000
    found = usage(readings, stated_per_day=100)
    assert found.per_day == 100
    assert [(odd.reading, odd.why) for odd in found.odd] == [
        (read(90, 41_000), "41000 does not fit the readings around it: mistyped?")
    ]
    assert found.used_between(after(0), after(150)) == 15_000


def test_a_missing_digit_is_reported_and_not_used() -> None:
    found = usage([*steady(0, 30, 60, 120, 150), read(90, 1400)])
    assert found.per_day == 100
    assert [odd.why for odd in found.odd] == [
        "1400 is below the 11000 read before: mistyped, or the counter was reset"
    ]
    assert found.resets == ()


def test_a_last_reading_that_falls_is_odd_until_the_next_confirms_a_reset() -> None:
    before = steady(0, 30, 60, 90)
    assert [odd.reading for odd in usage([*before, read(120, 2000)]).odd] == [read(120, 2000)]
    confirmed = usage([*before, read(120, 2000), read(150, 5000)])
    assert confirmed.odd == ()
    assert confirmed.resets == (read(120, 2000),)
    # both runs go at 100 a day, and so do the 30 days nobody counted
    assert confirmed.per_day == 100
    assert confirmed.used_between(after(0), after(150)) == 15_000


def test_impossible_values_and_second_readings_of_a_moment_are_odd() -> None:
    found = usage(
        [*steady(0, 30, 60), read(60, 11_500), read(70, -5), read(80, nan), read(90, inf)]
    )
    assert [(odd.reading.taken_at, odd.why) for odd in found.odd] == [
        (after(60), "second reading of the moment, the first said 11000"),
        (after(70), "-5 is no counter value"),
        (after(80), "nan is no counter value"),
        (after(90), "inf is no counter value"),
    ]
    assert found.per_day == 100


def test_one_dishonest_reading_at_the_end_moves_the_rate_little() -> None:
    # 30 days late by hand: plausible, so it is used, but the median slope hardly moves
    found = usage([*steady(0, 30, 60, 90, 120), read(150, 5000 + 100 * 120)])
    assert found.odd == ()
    assert 95 <= found.per_day <= 100
    assert found.low < 85


def test_a_season_is_not_taken_for_growth() -> None:
    # 300 a day in July, nothing in winter: the season's clock runs at 3 in July
    season = Season.of((0, 0, 0, 0, 1, 2, 2, 2, 1, 0, 0, 0))

    def seasonal(month: int, year: int = 2026) -> MeterReading:
        at = datetime(year, month, 1, tzinfo=UTC)
        since = season.days_at(at) - season.days_at(datetime(2026, 5, 1, tzinfo=UTC))
        return MeterReading(counter=Counter.DRINKS, value=100 * since, taken_at=at)

    found = usage([seasonal(5), seasonal(6), seasonal(7), seasonal(8), seasonal(10)], season=season)
    assert found.per_day == pytest.approx(100)
    # 3000 after 1 October: nothing until May, where a day counts 1.5: 20 days into May
    forecast = found.forecast(datetime(2026, 10, 1, tzinfo=UTC), 3000)
    assert forecast.expected is not None
    assert abs(forecast.expected - datetime(2027, 5, 21, tzinfo=UTC)) < timedelta(minutes=1)


def test_the_interval_holds_the_true_rate_about_as_often_as_it_says() -> None:
    # days vary by 30 % around 100, gaps from 20 to 60 days, a year of readings: 80 % intervals
    draw = random.Random(11)
    held = 0
    for _ in range(300):
        value, day, readings = 0.0, 0, [read(0, 0)]
        for _ in range(9):
            gap = draw.randint(20, 60)
            value += sum(draw.gauss(100, 30) for _ in range(gap))
            day += gap
            readings.append(read(day, value))
        found = usage(readings)
        assert found.odd == ()
        held += found.low <= 100 <= found.high
    assert 0.72 <= held / 300 <= 0.88


@given(
    st.lists(st.integers(1, 60), min_size=3, max_size=10),
    st.floats(5, 500),
    st.integers(0, 9),
    st.floats(0.1, 20_000),
)
def test_forecast_and_use_agree(gaps: list[int], per_day: float, start: int, limit: float) -> None:
    days = [sum(gaps[:n]) for n in range(len(gaps) + 1)]
    found = usage([read(day, per_day * day) for day in days], stated_per_day=per_day)
    since = after(start)
    reached = found.forecast(since, limit).expected
    assert reached is not None
    assert found.used_between(since, reached) == pytest.approx(limit, rel=1e-6, abs=1e-3)


def test_readings_of_two_counters_are_refused() -> None:
    with pytest.raises(InvalidInput, match="readings of one counter are needed"):
        usage([read(0, 1), read(1, 2, Counter.LITRES)])


def test_arguments_out_of_range_are_refused() -> None:
    with pytest.raises(InvalidInput, match="stated_per_day must be >= 0"):
        usage([], stated_per_day=-1)
    with pytest.raises(InvalidInput, match="limit must be >= 0, got -1"):
        usage([]).forecast(START, -1)


def test_paces_are_uses_between_readings_over_the_average() -> None:
    readings = [read(0, 5000), read(10, 6500), read(20, 100), read(30, 600), read(40, 1600)]
    found = usage(readings)
    assert found.resets == (read(20, 100),)
    # slopes 150; 50, 100 and 75 over both: median 87.5
    assert found.per_day == 87.5
    assert [(p.start, p.end, p.pace) for p in found.paces()] == [
        (after(0), after(10), 150 / 87.5),
        (after(20), after(30), 50 / 87.5),
        (after(30), after(40), 100 / 87.5),
    ]
