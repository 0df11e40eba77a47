"""Trends of machines, and how long to keep them."""

import numpy as np
import pytest

from scheduler.errors import InvalidInput, TooFewFailures
from scheduler.wear.repairable import (
    FailureCount,
    FailureRecord,
    Trend,
    economic_life,
    fit_power_law,
    fit_power_law_to_counts,
)


def record(*ages: float, until: float) -> FailureRecord:
    return FailureRecord(failure_ages=ages, watched_until=until)


def test_a_machine_that_fails_ever_faster_is_getting_worse() -> None:
    fit = fit_power_law([record(400, 600, 700, 780, 840, 890, 930, 970, until=1000)])
    assert fit.trend is Trend.WORSE
    assert fit.shape_low > 1
    assert fit.because.startswith("Getting worse: failures come ever faster (8 failures, shape ")


def test_a_machine_that_settles_in_is_getting_better() -> None:
    fit = fit_power_law([record(2, 5, 10, 25, 60, 150, 400, until=1000)])
    assert fit.trend is Trend.BETTER
    assert fit.shape_high < 1


def test_even_failures_show_no_trend() -> None:
    fit = fit_power_law([record(100, 200, 300, 400, 500, until=600)])
    assert fit.trend is Trend.STEADY
    assert fit.shape_low < 1 < fit.shape_high


def test_the_fit_accounts_for_every_failure() -> None:
    # by likelihood, the expected number over all machines equals the number seen
    machines = [record(100, 350, 500, until=600), record(420, until=900), record(until=300)]
    fit = fit_power_law(machines)
    expected = sum(fit.expected_failures(0, machine.watched_until) for machine in machines)
    assert expected == pytest.approx(4)
    assert fit.failures == 4


def test_shape_of_machines_watched_equally_long_is_in_closed_form() -> None:
    # n / sum ln(T / t) = 3 / (ln 10 + ln 2 + ln 4) = 3 / ln 80
    machines = [record(10, 50, until=100), record(25, until=100)]
    assert fit_power_law(machines).shape == pytest.approx(3 / np.log(80))


def test_limits_of_the_shape_are_chi_square() -> None:
    # shape times the 5 % and 95 % points of chi-square over twice the failures. With 3 failures and
    # 6 degrees of freedom (tables: 1.635 and 12.592) by a fixed end; one failure fewer, 4 degrees
    # (0.711 and 9.488), where watching ended with the last
    fixed = fit_power_law([record(10, 25, 50, until=100)])
    assert (fixed.shape_low / fixed.shape, fixed.shape_high / fixed.shape) == pytest.approx(
        (1.635 / 6, 12.592 / 6), rel=1e-3
    )
    ending = fit_power_law(
        [FailureRecord(failure_ages=(10, 25, 50), watched_until=50, ends_with_failure=True)]
    )
    assert (ending.shape_low / ending.shape, ending.shape_high / ending.shape) == pytest.approx(
        (0.711 / 6, 9.488 / 6), rel=1e-3
    )


def test_a_trend_is_seldom_seen_where_there_is_none() -> None:
    # 10 % of 400 steady machines should look trending: 40, and 18 to 62 is 3.6 standard deviations
    draw = np.random.default_rng(4)
    seen = 0
    for _ in range(400):
        ages = sorted(float(age) for age in draw.uniform(0, 1000, 8))
        seen += fit_power_law([record(*ages, until=1000)]).trend is not Trend.STEADY
    assert 18 <= seen <= 62


def test_too_few_failures() -> None:
    with pytest.raises(TooFewFailures):
        fit_power_law([record(100, until=200)])
    ending = FailureRecord(failure_ages=(100, 200), watched_until=200, ends_with_failure=True)
    with pytest.raises(TooFewFailures):
        fit_power_law([ending])
    with pytest.raises(TooFewFailures):
        fit_power_law_to_counts(
            [FailureCount(until=1, failures=5), FailureCount(until=2, failures=0)]
        )


def test_impossible_records_are_refused() -> None:
    with pytest.raises(InvalidInput, match="failure ages must ascend"):
        record(200, 100, until=300)
    with pytest.raises(InvalidInput, match="failure ages must ascend"):
        record(100, 400, until=300)
    with pytest.raises(InvalidInput, match="is not the last failure"):
        FailureRecord(failure_ages=(100,), watched_until=200, ends_with_failure=True)
    with pytest.raises(InvalidInput, match="periods must ascend"):
        fit_power_law_to_counts(
            [FailureCount(until=5, failures=1), FailureCount(until=5, failures=1)]
        )


def test_economic_life_without_interest_is_the_average() -> None:
    # 1000 less resale 600, 300, 0; upkeep 100, 200, 900. A year: 400 + 100; two: 700 + 300, halved;
    # three: 1000 + 1200, a third of it
    life = economic_life(
        price_minor=1000, resale_minor=[600, 300, 0], upkeep_minor=[100, 200, 900], interest=0
    )
    assert life.annual_cost_minor == pytest.approx((500, 500, 2200 / 3))
    assert life.years == 1


def test_a_machine_still_getting_cheaper_says_so() -> None:
    life = economic_life(price_minor=1000, resale_minor=[0, 0], upkeep_minor=[10, 10], interest=0)
    assert life.years == 2
    assert life.because == "Still getting cheaper to keep after 2 years, the last that is known."


def test_missing_years_are_refused() -> None:
    with pytest.raises(InvalidInput, match="got 2, 1 and 0"):
        economic_life(price_minor=1, resale_minor=[1, 1], upkeep_minor=[1], interest=0)


def test_machines_watched_from_a_later_age_show_the_shape_they_were_simulated_with() -> None:
    # 40 fleets of 30 machines, watched from some age up to 2000 days on: the mean of their shapes
    # lies within four standard errors of the true 1.8, and 90 % limits hold it about as often
    draw = np.random.default_rng(3)
    shapes, held = [], 0
    for _ in range(40):
        fleet = []
        for _ in range(30):
            begin = draw.uniform(0, 2)
            end = begin + draw.uniform(0.5, 2)
            first, last = begin**1.8, end**1.8
            ages = 1000 * draw.uniform(first, last, draw.poisson(last - first)) ** (1 / 1.8)
            fleet.append(
                FailureRecord(
                    failure_ages=tuple(sorted(ages.tolist())),
                    watched_from=1000 * begin,
                    watched_until=1000 * end,
                )
            )
        fit = fit_power_law(fleet)
        shapes.append(fit.shape)
        held += fit.shape_low < 1.8 < fit.shape_high
    assert np.mean(shapes) == pytest.approx(1.8, abs=4 * np.std(shapes) / np.sqrt(40))
    assert held >= 30


def test_a_machine_cannot_be_watched_for_no_time() -> None:
    with pytest.raises(InvalidInput, match="watched from an age >= 0 to a later one"):
        FailureRecord(failure_ages=(), watched_from=100, watched_until=100)
