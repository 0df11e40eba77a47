from datetime import date, timedelta

import pytest

from scheduler.duty import DutyClass
from scheduler.errors import InvalidInput
from scheduler.wear.lives import End, Life
from scheduler.wear.machine_wear import (
    advise_overhaul,
    failure_trend,
    parts_today,
    site_trend,
)
from scheduler.wear.part_wear import FailurePolicy, part_wear
from scheduler.wear.records import PartRecord, Renewal
from scheduler.wear.repairable import FailureRecord, Trend
from scheduler.wear.replacement import change_today
from tests.scheduler.small_trade import CATALOGUE

TODAY = date(2027, 3, 1)
KIND = ("steam_valve", DutyClass.STANDARD)
LIVES = {
    KIND: tuple(
        Life(age=age, end=End.FAILED) for age in (300, 350, 400, 420, 440, 460, 480, 500, 520, 540)
    )
}


def valve(part: str, age: int, part_type: str = "steam_valve") -> PartRecord:
    return PartRecord(
        part=part,
        part_type=part_type,
        machine="m1",
        position=part,
        duty=DutyClass.STANDARD,
        fitted_on=TODAY - timedelta(days=900),
        removed_on=None,
        failed=False,
        renewals=(Renewal(on=TODAY - timedelta(days=age), failed=False),),
        records_begin=date(2020, 1, 1),
    )


def test_old_parts_are_changed_and_young_ones_left() -> None:
    found = parts_today(
        [valve("young", 20), valve("old", 380), valve("odd", 50, "burrs")],
        LIVES,
        CATALOGUE,
        FailurePolicy(),
        today=TODAY,
        next_visit_on=TODAY + timedelta(days=90),
    )

    assert [(part.part, part.age_days) for part in found] == [
        ("old", 380),
        ("young", 20),
        ("odd", 50),
    ]
    old, young, odd = found
    wear = part_wear(*KIND, LIVES[KIND], CATALOGUE, FailurePolicy())
    assert old.advice == change_today(
        wear.fit.law, wear.costs, age=380, until_next_visit=90, today_minor=wear.work_minor
    )
    assert (old.advice.change, old.because) == (True, old.advice.because)
    assert young.advice is not None
    assert not young.advice.change
    assert odd.advice is None
    assert odd.because.startswith("Nothing can be said of its wear: 0 failures are too few")


def test_the_next_visit_comes_after_today() -> None:
    with pytest.raises(InvalidInput, match="after today"):
        parts_today([], {}, CATALOGUE, FailurePolicy(), today=TODAY, next_visit_on=TODAY)


def test_failures_that_crowd_towards_today_are_a_machine_getting_worse() -> None:
    begin = TODAY - timedelta(days=999)
    crowding = [begin + timedelta(days=day) for day in (500, 700, 800, 870, 910, 950, 980)]
    worse = failure_trend(crowding, watched_from=begin, today=TODAY)
    assert worse is not None
    # shape = n / sum(ln(1000 / age)) over 500.5, 700.5, ... 980.5; the sum is 1.57354
    assert worse.shape == pytest.approx(7 / 1.57354, rel=1e-5)
    assert worse.trend is Trend.WORSE


def test_one_failure_is_no_trend_and_two_of_a_day_are_one() -> None:
    begin = TODAY - timedelta(days=999)
    assert failure_trend([TODAY, TODAY], watched_from=begin, today=TODAY) is None
    assert failure_trend([], watched_from=begin, today=TODAY) is None


def test_an_overhaul_is_worth_it_only_where_failures_come_faster_with_age() -> None:
    worse = [
        FailureRecord(failure_ages=(400, 600, 700, 780, 840, 890, 930, 970), watched_until=1000)
    ]
    advice = advise_overhaul(worse, overhaul_minor=40_000, repair_minor=10_000)
    shape, scale = advice.fit.shape, advice.fit.scale
    # the derivative of (40,000 + 10,000 * scale * T ** shape) / T vanishes where
    # scale * T ** shape = 4 / (shape - 1)
    assert advice.age_days is not None
    assert scale * advice.age_days**shape == pytest.approx(4 / (shape - 1))
    assert advice.cost_per_day_minor == pytest.approx(
        (40_000 + 10_000 * 4 / (shape - 1)) / advice.age_days
    )
    steady = [FailureRecord(failure_ages=(100, 200, 300, 400, 500), watched_until=600)]
    advice = advise_overhaul(steady, overhaul_minor=40_000, repair_minor=10_000)
    assert (advice.age_days, advice.cost_per_day_minor) == (None, None)
    assert advice.because.startswith("No overhaul for its failures: they do not come faster")
    with pytest.raises(InvalidInput, match="costs must be > 0, got 0 and 1"):
        advise_overhaul(steady, overhaul_minor=0, repair_minor=1)


def test_failures_of_a_site_are_counted_by_the_month() -> None:
    begin = date(2026, 1, 1)
    ends = [date(2026, month, 1) for month in range(2, 13)]
    rising = [date(2026, month, day + 1) for month in range(1, 12) for day in range(month)]
    trend = site_trend(rising, watched_from=begin, months_end=ends)
    assert trend is not None
    # 1, 2, ... 11 failures in eleven months: 66; by month n there are n (n + 1) / 2, which grows a
    # little more slowly than the square
    assert trend.failures == 66
    assert 1.8 < trend.shape < 2
    # by likelihood all 66 are expected by the last month's end, after 334 days
    ahead = 66 * ((334 + 365) / 334) ** trend.shape - 66
    assert trend.failures_next_year == pytest.approx(ahead)
    assert trend.because == (
        f"66 failures in 11 months, shape {trend.shape:.2f}: if it goes on like that, "
        f"{ahead:.0f} in the next year."
    )
    assert site_trend([begin], watched_from=begin, months_end=ends) is None
    assert site_trend([begin], watched_from=begin, months_end=[]) is None
