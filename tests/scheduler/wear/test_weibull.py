"""Fitting with little to go on: priors, too few failures, the test for ageing."""

from math import inf, log

import numpy as np
import pytest
from scipy.stats import chi2

from scheduler.errors import InvalidInput, TooFewFailures
from scheduler.wear.lives import End, Life
from scheduler.wear.weibull import FEWEST_FAILURES, Prior, Weibull, fit_weibull

PRIOR = Prior(law=Weibull(shape=2, scale=1000))


def failed(*ages: float) -> list[Life]:
    return [Life(age=age, end=End.FAILED) for age in ages]


def running(*ages: float) -> list[Life]:
    return [Life(age=age, end=End.RUNNING) for age in ages]


def draw_lives(law: Weibull, size: int, *, seed: int, cut: float = inf) -> list[Life]:
    ages = np.random.default_rng(seed).weibull(law.shape, size) * law.scale
    return [Life(age=min(age, cut), end=End.FAILED if age <= cut else End.RUNNING) for age in ages]


def test_no_lives_give_the_prior_back() -> None:
    fit = fit_weibull([], PRIOR)
    assert (fit.law.shape, fit.law.scale) == pytest.approx((2, 1000))
    # 95 % limits of a normal on the logarithm, spread 0.5
    assert log(fit.shape.high / fit.law.shape) == pytest.approx(1.959964 * 0.5)
    assert fit.ageing_p_value is None
    assert fit.because == (
        "Shape 2.00 (0.75 to 5.33), mean life 886 days: none has failed yet "
        "(0 failures and 0 lives cut short; an assumed shape of 2 and scale of 1000 help)."
    )


def test_parts_that_keep_running_lengthen_the_assumed_life() -> None:
    fit = fit_weibull(running(*[1500] * 10), PRIOR)
    assert (fit.failures, fit.censored, fit.prior) == (0, 10, PRIOR)
    # the shape stays as assumed; at the best scale the survivors pull as hard as the prior: shape
    # times the sum of (1500 / scale)^2 over all ten is ln(scale / 1000) / 0.7^2
    assert fit.law.shape == pytest.approx(2)
    scale = fit.law.scale
    assert 20 * (1500 / scale) ** 2 == pytest.approx(log(scale / 1000) / 0.49)
    assert scale > 3000


def test_one_failure_is_too_few_to_speak_of_wear() -> None:
    fit = fit_weibull(failed(800) + running(*[1500] * 10), PRIOR)
    assert fit.prior == PRIOR
    assert "too few have failed to tell whether it wears out" in fit.because


def test_a_strong_prior_outweighs_and_a_weak_one_yields() -> None:
    lives = failed(90, 100, 110, 95, 105)
    firm = Prior(law=PRIOR.law, shape_spread=1e-4, scale_spread=1e-4)
    loose = Prior(law=PRIOR.law, shape_spread=100, scale_spread=100)
    assert fit_weibull(lives, firm).law.scale == pytest.approx(1000, rel=1e-3)
    alone = fit_weibull(lives).law
    yielding = fit_weibull(lives, loose).law
    assert (yielding.shape, yielding.scale) == pytest.approx((alone.shape, alone.scale), rel=1e-3)


def test_enough_failures_stand_alone() -> None:
    lives = draw_lives(Weibull(shape=1.5, scale=200), FEWEST_FAILURES, seed=3)
    fit = fit_weibull(lives, PRIOR)
    assert fit.prior is None
    assert fit == fit_weibull(lives)


@pytest.mark.parametrize("lives", [[], running(10, 20), failed(50), failed(50) + running(10)])
def test_too_few_failures_without_a_prior(lives: list[Life]) -> None:
    with pytest.raises(TooFewFailures) as raised:
        fit_weibull(lives)
    assert raised.value.failures == sum(life.failed for life in lives)


def test_ageing_is_the_likelihood_ratio_against_shape_1() -> None:
    # at shape 1 the likelihood of r failures in all exposure t is r ln(r / t) - r
    lives = draw_lives(Weibull(shape=2.5, scale=100), 40, seed=1, cut=120)
    fit = fit_weibull(lives)
    exposure = sum(life.age for life in lives)
    without_age = fit.failures * (log(fit.failures / exposure) - 1)
    expected = chi2.sf(2 * (fit.log_likelihood - without_age), 1)
    assert fit.ageing_p_value == pytest.approx(expected)
    assert fit.ageing_p_value < 0.001
    assert "it wears out" in fit.because


def test_ageing_is_seldom_seen_where_there_is_none() -> None:
    # 5 % of samples should fall below 0.05: of 300, 3 to 28 are within 3.2 standard deviations
    law = Weibull(shape=1, scale=100)
    seen = 0
    for seed in range(300):
        p_value = fit_weibull(draw_lives(law, 30, seed=seed, cut=150)).ageing_p_value
        assert p_value is not None
        seen += p_value < 0.05
    assert 3 <= seen <= 28


def test_limits_hold_the_truth_about_as_often_as_they_say() -> None:
    # 95 % limits over 300 samples of 40 lives: 285 expected, 270 is 4 standard deviations off
    law = Weibull(shape=2, scale=100)
    fits = [fit_weibull(draw_lives(law, 40, seed=seed, cut=110)) for seed in range(300)]
    assert 270 <= sum(fit.shape.low <= 2 <= fit.shape.high for fit in fits) <= 297
    assert 270 <= sum(fit.scale.low <= 100 <= fit.scale.high for fit in fits) <= 297


def test_leaving_out_what_was_never_seen_would_lengthen_lives() -> None:
    # watching begins at 80: those that failed before were never seen. Told so, the fit finds the
    # law; not told, it takes the survivors for all
    law = Weibull(shape=1.2, scale=100)
    seen = [
        Life(age=life.age, end=life.end, known_from=80)
        for life in draw_lives(law, 3000, seed=5)
        if life.age > 80
    ]
    told, not_told = fit_weibull(seen).law, fit_weibull([*failed(*(x.age for x in seen))]).law
    assert told.mean == pytest.approx(law.mean, rel=0.1)
    assert not_told.mean > 1.4 * law.mean


def test_early_failures_are_named() -> None:
    fit = fit_weibull(draw_lives(Weibull(shape=0.5, scale=100), 60, seed=2))
    assert "it fails early or not at all" in fit.because


@pytest.mark.parametrize(("shape", "at_zero"), [(0.5, inf), (1.0, 0.01), (2.0, 0.0)])
def test_hazard_of_a_new_part(shape: float, at_zero: float) -> None:
    assert Weibull(shape=shape, scale=100).hazard(0) == at_zero


def test_failing_within_is_survival_lost() -> None:
    law = Weibull(shape=2, scale=100)
    expected = 1 - law.survival(150) / law.survival(120)
    assert law.fails_within(120, 30) == pytest.approx(expected)
    # far out, where survival itself is 0 in floating point, it still makes sense
    assert law.fails_within(10_000, 0.01) == pytest.approx(1 - np.exp(-0.02), rel=1e-3)


@pytest.mark.parametrize(("shape", "scale"), [(0, 1), (1, -1), (inf, 1), (float("nan"), 1)])
def test_impossible_laws_are_refused(shape: float, scale: float) -> None:
    with pytest.raises(InvalidInput, match="shape and scale must be > 0"):
        Weibull(shape=shape, scale=scale)


def test_a_prior_without_spread_is_refused() -> None:
    with pytest.raises(InvalidInput, match="spreads of a prior must be > 0"):
        Prior(law=PRIOR.law, shape_spread=0)
