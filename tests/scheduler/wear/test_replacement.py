"""Verdicts on replacement, and what fitted laws cost against the true ones."""

from math import inf

import numpy as np
import pytest

from scheduler.errors import InvalidInput
from scheduler.wear.lives import End, Life
from scheduler.wear.replacement import (
    ReplacementCosts,
    Verdict,
    advise_replacement,
    best_age,
    change_today,
    cost_rate,
    minimal_repair_age,
)
from scheduler.wear.weibull import Weibull, fit_weibull

WEARING = Weibull(shape=2.5, scale=1000)
COSTS = ReplacementCosts(planned_minor=10_000, failure_minor=50_000)


def test_advice_for_a_part_that_wears_out() -> None:
    # optimum and rate of tests/published/test_replacement.py, times 10,000; without planned
    # replacement 50,000 / mean life 887.26
    advice = advise_replacement(WEARING, COSTS)
    assert (advice.verdict, advice.limited) == (Verdict.REPLACE_AT_AGE, False)
    assert advice.age == pytest.approx(493.047, abs=1e-3)
    assert advice.cost_rate == pytest.approx(34.6204274, abs=1e-6)
    assert advice.cost_rate_run_until_failure == pytest.approx(50_000 / 887.26, rel=1e-5)
    assert advice.saving_share == pytest.approx(1 - 34.6204274 * 887.26 / 50_000, rel=1e-4)
    assert advice.because == (
        "Replace at 493 days: it costs 39% less than running until it fails; 16% fail before then."
    )


@pytest.mark.parametrize(
    ("law", "costs", "because"),
    [
        (
            Weibull(shape=1.0, scale=1000),
            COSTS,
            "Run until it fails: an old one is no likelier to fail than a new one.",
        ),
        (
            Weibull(shape=1.4, scale=1000),
            ReplacementCosts(planned_minor=10_000, failure_minor=40_000),
            "Run until it fails: replacing early would save less than 5%.",
        ),
        (
            WEARING,
            ReplacementCosts(planned_minor=10_000, failure_minor=10_000),
            "Run until it fails: a failure costs no more than a planned replacement.",
        ),
    ],
)
def test_advice_to_run_until_it_fails(law: Weibull, costs: ReplacementCosts, because: str) -> None:
    advice = advise_replacement(law, costs)
    assert (advice.verdict, advice.age, advice.because) == (
        Verdict.RUN_UNTIL_FAILURE,
        None,
        because,
    )
    assert advice.cost_rate == pytest.approx(costs.failure_minor / law.mean)
    assert (advice.fails_before, advice.saving_share) == (1.0, 0.0)


def test_a_limit_of_law_or_maker_wins_over_an_older_age() -> None:
    advice = advise_replacement(WEARING, COSTS, limit_age=365)
    assert (advice.verdict, advice.age, advice.limited) == (Verdict.REPLACE_AT_AGE, 365, True)
    assert advice.because == (
        "Replace at 365 days: law or maker ask for it, whatever it saves; 8% fail before then."
    )


def test_a_limit_wins_over_running_until_it_fails_even_at_a_loss() -> None:
    advice = advise_replacement(Weibull(shape=0.8, scale=1000), COSTS, limit_age=365)
    assert (advice.age, advice.limited) == (365, True)
    assert advice.saving_share < 0


def test_a_limit_later_than_the_best_age_changes_nothing() -> None:
    assert advise_replacement(WEARING, COSTS, limit_age=900) == advise_replacement(WEARING, COSTS)


def test_a_small_gain_is_a_gain_but_not_worth_while() -> None:
    law = Weibull(shape=1.4, scale=1000)
    costs = ReplacementCosts(planned_minor=10_000, failure_minor=40_000)
    age = best_age(law, costs)
    assert age is not None
    assert 0 < 1 - cost_rate(law, costs, age) / (costs.failure_minor / law.mean) < 0.05


# --- change it today, or leave it till the next visit? ----------------------------------------


def advice_at(age: float, *, until: float = 180, limit: float | None = None) -> tuple[bool, bool]:
    advice = change_today(
        WEARING,
        COSTS,
        age=age,
        until_next_visit=until,
        today_minor=10_000,
        limit_age=limit,
    )
    return advice.change, advice.limited


def test_a_young_part_is_left_and_an_old_one_changed() -> None:
    assert advice_at(100) == (False, False)
    assert advice_at(600) == (True, False)


def test_for_a_visit_tomorrow_the_answer_turns_at_the_best_age() -> None:
    # with today's cost the planned one and hardly any time to pass, the two questions are one
    best = best_age(WEARING, COSTS)
    assert best is not None
    assert advice_at(best * 0.999, until=1e-3) == (False, False)
    assert advice_at(best * 1.001, until=1e-3) == (True, False)


def test_numbers_of_leaving_it() -> None:
    # at 400, next visit in 180. fails = 1 - exp(0.4^2.5 - 0.58^2.5) = 1 - exp(0.10119 - 0.25619)
    # = 0.14359. It serves on average the integral of survival from 400 to 580 over survival at 400,
    # about (1 + 0.9258 * 4 + 0.8564) * 180 / 6 = 166.8 by Simpson's rule (survival at 490 is
    # exp(0.10119 - 0.16807) = 0.93531: (1 + 3.74124 + 0.85641) * 30 = 167.93). At the long-run
    # 34.6204 a day that is 5813.8. Leaving: 0.14359 * 50,000 + 0.85641 * 10,000 - 5813.8 = 9929.8,
    # against 10,000 today: 70 cheaper
    advice = change_today(WEARING, COSTS, age=400, until_next_visit=180, today_minor=10_000)
    assert advice.fails_before_next == pytest.approx(0.14359, abs=1e-5)
    assert advice.cost_of_leaving_minor == pytest.approx(-70, abs=5)
    assert advice.change is False
    assert advice.because == (
        "Leave it: a chance of 14% that it fails before the next visit "
        "costs less than the life that would be thrown away."
    )


def test_a_part_that_does_not_age_is_left() -> None:
    advice = change_today(
        Weibull(shape=1, scale=1000), COSTS, age=5000, until_next_visit=180, today_minor=8_000
    )
    assert advice.change is False


def test_a_part_that_would_pass_its_limit_is_changed() -> None:
    assert advice_at(100, limit=250) == (True, True)
    assert advice_at(100, limit=280) == (False, False)


def test_impossible_questions_are_refused() -> None:
    with pytest.raises(InvalidInput, match="until_next_visit and today_minor > 0"):
        change_today(WEARING, COSTS, age=1, until_next_visit=0, today_minor=1)
    with pytest.raises(InvalidInput, match="costs must be > 0, got planned 0"):
        ReplacementCosts(planned_minor=0, failure_minor=1)


def test_without_wear_nothing_is_ever_overhauled() -> None:
    law = Weibull(shape=1, scale=100)
    assert minimal_repair_age(law, overhaul_minor=1, repair_minor=1) == inf


# --- simulated parts whose true law is known --------------------------------------------------


@pytest.mark.parametrize(
    ("lives", "most_extra"),
    # the mean over 60 fleets of what the fitted replacement age costs more than the true optimum
    [(200, 0.03), (30, 0.10)],
)
@pytest.mark.parametrize("shape", [1.5, 2.5, 4.0])
def test_a_fitted_age_costs_little_more_than_the_true_optimum(
    shape: float, lives: int, most_extra: float
) -> None:
    truth = Weibull(shape=shape, scale=1000)
    best = best_age(truth, COSTS)
    assert best is not None
    least = cost_rate(truth, COSTS, best)
    draw = np.random.default_rng(lives)
    extra = []
    for _ in range(60):
        # every part is watched for 200 to 1500 days: some fail, the others are still running
        fails = draw.weibull(shape, lives) * truth.scale
        watched = draw.uniform(200, 1500, lives)
        fit = fit_weibull(
            [
                Life(age=min(f, w), end=End.FAILED if f <= w else End.RUNNING)
                for f, w in zip(fails, watched, strict=True)
            ]
        )
        advised = advise_replacement(fit.law, COSTS).age
        rate = cost_rate(truth, COSTS, advised) if advised else COSTS.failure_minor / truth.mean
        extra.append(rate / least - 1)
    assert min(extra) >= -1e-12
    assert np.mean(extra) <= most_extra
