"""Laws of life against published fits and two independent libraries."""

import lifelines
import numpy as np
import pytest
import surpyval
from lifelines.datasets import load_leukemia, load_waltons
from lifelines.statistics import multivariate_logrank_test
from scipy.stats import weibull_min
from surpyval.datasets import load_bearing_failures, load_sae

from scheduler.wear.comparing import log_rank
from scheduler.wear.lives import End, Life
from scheduler.wear.repairable import (
    FailureCount,
    FailureRecord,
    fit_power_law,
    fit_power_law_to_counts,
)
from scheduler.wear.survival import kaplan_meier
from scheduler.wear.weibull import Limits, Weibull, WeibullFit, fit_weibull


def failed(*ages: float) -> list[Life]:
    return [Life(age=age, end=End.FAILED) for age in ages]


def running(*ages: float) -> list[Life]:
    return [Life(age=age, end=End.RUNNING) for age in ages]


def test_weibull_of_nist_8_4_1_3() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: 20 units, 10 failures in 500 hours
    fit = fit_weibull(
        failed(54, 187, 216, 240, 244, 335, 361, 373, 375, 386) + running(*[500] * 10)
    )
    assert (fit.failures, fit.censored) == (10, 10)
    assert fit.law.scale == pytest.approx(606.5280, abs=5e-4)
    assert fit.law.shape == pytest.approx(1.7208, abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    assert fit.akaike == pytest.approx(154.27, abs=5e-3)
    assert fit.law.mean == pytest.approx(540.737, abs=5e-4)
    assert fit.law.standard_deviation == pytest.approx(323.806, abs=5e-4)


def test_weibull_of_lieblein_and_zelen() -> None:
    # 23 ball bearings, Lieblein and Zelen 1956; shape 2.102 printed in Dekking et al., A Modern
    # Introduction to Probability and Statistics; scale 81.87 and logL -113.69 from memory
    fit = fit_weibull(failed(*load_bearing_failures().to_numpy().ravel()))
    assert fit.failures == 23
    assert fit.law.shape == pytest.approx(2.102, abs=5e-4)
    assert fit.law.scale == pytest.approx(81.87, abs=5e-3)
    assert fit.log_likelihood == pytest.approx(-113.69, abs=5e-3)
    # computed, to more digits
    assert (fit.law.shape, fit.law.scale) == pytest.approx((2.101847, 81.87456), rel=1e-6)


def test_weibull_of_shock_absorbers_with_heavy_censoring() -> None:
    # O'Connor 1985, also Meeker and Escobar 1998: 38 vehicles, 11 failures, km. Which distances are
    # failures, and the estimates 3.16 and 27719 km, from memory; they agree with each other
    failures = (6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490)
    good = (
        *(6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870, 13330, 13470),
        *(14040, 17540, 17890, 18450, 18960, 18980, 19410, 20100, 20150, 20320, 23490, 27410),
        *(27890, 28100),
    )
    fit = fit_weibull(failed(*failures) + running(*good))
    assert (fit.failures, fit.censored) == (11, 27)
    assert fit.law.shape == pytest.approx(3.16, abs=5e-3)
    assert fit.law.scale == pytest.approx(27719, abs=0.5)
    # computed, to more digits
    assert (fit.law.shape, fit.law.scale) == pytest.approx((3.16047, 27718.72), rel=2e-6)


def test_weibull_of_krivtsov_and_case() -> None:
    # automotive part, SAE 1999-01-3220: 10 failures, 21 censored. Data published, values computed
    # by four libraries alike (scipy, lifelines, reliability, surpyval)
    data = load_sae()
    lives = [
        Life(age=age, end=End.RUNNING if censored else End.FAILED)
        for age, censored in zip(data["x"], data["c"], strict=True)
    ]
    fit = fit_weibull(lives)
    assert (fit.failures, fit.censored) == (10, 21)
    assert fit.law.shape == pytest.approx(1.15443, abs=1e-5)
    assert fit.law.scale == pytest.approx(134651.04, abs=0.1)
    assert fit.log_likelihood == pytest.approx(-128.9738, abs=1e-4)


def test_weibull_and_median_of_waltons_flies() -> None:
    # data set of lifelines: scale 55.7331, shape 3.45050 by its optimiser, good to 1 in 100,000;
    # median 56
    data = load_waltons()
    lives = [
        Life(age=age, end=End.FAILED if event else End.RUNNING)
        for age, event in zip(data["T"], data["E"], strict=True)
    ]
    fit = fit_weibull(lives)
    assert fit.law.scale == pytest.approx(55.7331, abs=1e-4)
    assert fit.law.shape == pytest.approx(3.45050, rel=1e-5)
    assert kaplan_meier(lives).median == 56


def freireich() -> dict[str, list[Life]]:
    """Weeks of remission of 42 patients: Freireich et al., Blood 21 (1963); data of lifelines."""
    data = load_leukemia()
    return {
        name: [
            Life(age=weeks, end=End.FAILED if relapse else End.RUNNING)
            for weeks, relapse, rx in zip(data["t"], data["status"], data["Rx"], strict=True)
            if rx == arm
        ]
        for name, arm in (("6-MP", 0), ("placebo", 1))
    }


def test_log_rank_of_freireich() -> None:
    # chi-square 16.79 from memory (many textbooks); p by lifelines and scipy
    comparison = log_rank(freireich())
    assert comparison is not None
    assert comparison.chi_square == pytest.approx(16.79, abs=5e-3)
    assert comparison.chi_square == pytest.approx(16.792941, abs=5e-7)
    assert comparison.p_value == pytest.approx(4.17e-5, abs=5e-8)
    assert [(g.name, g.lives, g.failures) for g in comparison.groups] == [
        ("6-MP", 21, 9),
        ("placebo", 21, 21),
    ]


def test_log_rank_of_several_groups_equals_lifelines() -> None:
    draw = np.random.default_rng(6)
    for kinds in (2, 3, 5):
        size = 60 * kinds
        kind = draw.integers(0, kinds, size)
        ages = np.ceil(20 * draw.weibull(1.5, size) * (1 + kind / 10))  # whole weeks: many ties
        fails = draw.random(size) < 0.6
        groups = {
            str(each): [
                Life(age=age, end=End.FAILED if failed else End.RUNNING)
                for age, failed in zip(ages[kind == each], fails[kind == each], strict=True)
            ]
            for each in range(kinds)
        }
        comparison, theirs = log_rank(groups), multivariate_logrank_test(ages, kind, fails)
        assert comparison is not None
        assert comparison.chi_square == pytest.approx(theirs.test_statistic, rel=1e-9)
        assert comparison.p_value == pytest.approx(theirs.p_value, rel=1e-9)


def test_kaplan_meier_of_freireich() -> None:
    # weeks of remission under 6-MP; the curve and the medians from memory
    curves = [kaplan_meier(lives) for lives in freireich().values()]
    assert [(step.age, round(step.survival, 4)) for step in curves[0].steps] == [
        (6, 0.8571),
        (7, 0.8067),
        (10, 0.7529),
        (13, 0.6902),
        (16, 0.6275),
        (22, 0.5378),
        (23, 0.4482),
    ]
    assert [curve.median for curve in curves] == [23, 8]


def test_kaplan_meier_limits_equal_lifelines() -> None:
    data = load_leukemia()
    steps = kaplan_meier([life for lives in freireich().values() for life in lives]).steps
    theirs = lifelines.KaplanMeierFitter().fit(data["t"], data["status"])
    limits = theirs.confidence_interval_.loc[[step.age for step in steps]].to_numpy()
    ours = np.array([(step.low, step.high) for step in steps])
    assert ours == pytest.approx(limits, abs=1e-9)


# --- random censored samples against two libraries --------------------------------------------


def sample(seed: int, *, truncated: bool = False) -> list[Life]:
    draw = np.random.default_rng(seed)
    size = int(draw.integers(25, 120))
    shape, scale = draw.uniform(0.6, 4), draw.uniform(50, 2000)
    lifetimes = draw.weibull(shape, size) * scale
    limits = draw.uniform(0.3, 1.8, size) * scale
    lives = []
    for lifetime, limit in zip(lifetimes, limits, strict=True):
        age = float(min(lifetime, limit))
        known_from = float(age * draw.uniform(0, 0.9)) if truncated and draw.random() < 0.4 else 0.0
        end = End.FAILED if lifetime <= limit else End.REPLACED
        lives.append(Life(age=age, end=end, known_from=known_from))
    return lives


def arrays(lives: list[Life]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        np.array([life.age for life in lives]),
        np.array([life.failed for life in lives]),
        np.array([life.known_from for life in lives]),
    )


def test_fits_of_200_samples_equal_surpyval() -> None:
    for seed in range(200):
        lives = sample(seed)
        ages, events, _ = arrays(lives)
        law = fit_weibull(lives).law
        theirs = surpyval.Weibull.fit(x=ages, c=(~events).astype(int))
        assert [law.scale, law.shape] == pytest.approx(list(theirs.params), rel=1e-4), seed


@pytest.mark.parametrize("first", range(0, 200, 50))
def test_fits_of_200_samples_equal_lifelines(first: int) -> None:
    for seed in range(first, first + 50):
        lives = sample(seed)
        ages, events, _ = arrays(lives)
        law = fit_weibull(lives).law
        theirs = lifelines.WeibullFitter().fit(ages, events)
        assert (law.scale, law.shape) == pytest.approx((theirs.lambda_, theirs.rho_), rel=1e-4), (
            seed
        )


def lifelines_limits(fit: WeibullFit, theirs: lifelines.WeibullFitter) -> tuple[Limits, Limits]:
    """Their standard errors, of the parameters themselves, as limits on the logarithms."""
    errors = np.sqrt(np.diag(theirs.variance_matrix_))
    factors = np.exp(1.959964 * errors / [fit.law.scale, fit.law.shape])
    return (
        Limits(low=fit.law.scale / factors[0], high=fit.law.scale * factors[0]),
        Limits(low=fit.law.shape / factors[1], high=fit.law.shape * factors[1]),
    )


def test_fits_and_limits_of_left_truncated_samples_equal_lifelines() -> None:
    for seed in range(30):
        lives = sample(1000 + seed, truncated=True)
        ages, events, known_from = arrays(lives)
        fit = fit_weibull(lives)
        theirs = lifelines.WeibullFitter().fit(ages, events, entry=known_from)
        assert fit.law.scale == pytest.approx(theirs.lambda_, rel=1e-4), seed
        assert fit.law.shape == pytest.approx(theirs.rho_, rel=1e-4), seed
        scale, shape = lifelines_limits(fit, theirs)
        assert (fit.scale.low, fit.scale.high) == pytest.approx((scale.low, scale.high), rel=1e-3)
        assert (fit.shape.low, fit.shape.high) == pytest.approx((shape.low, shape.high), rel=1e-3)


# --- repairable machines -----------------------------------------------------------------------


def test_power_law_of_a_machine_watched_to_its_last_failure() -> None:
    # reliability growth reference (weibull.com, RelGrowthWeb), table 5.1: 22 failures, T = 620;
    # published 0.6142 and 0.4239
    ages = (
        *(2.7, 10.3, 12.5, 30.6, 57.0, 61.3, 80.0, 109.5, 125.0, 128.6, 143.8, 167.9, 229.2),
        *(296.7, 320.6, 328.2, 366.2, 396.7, 421.1, 438.2, 501.2, 620.0),
    )
    record = FailureRecord(failure_ages=ages, watched_until=620, ends_with_failure=True)
    fit = fit_power_law([record])
    assert fit.shape == pytest.approx(0.6142, abs=5e-5)
    assert fit.scale == pytest.approx(0.4239, abs=1e-4)
    # computed, to more digits than are printed
    assert (fit.shape, fit.scale) == pytest.approx((0.6142104, 0.4239422), abs=5e-8)
    assert 1 / fit.failure_rate(620) == pytest.approx(45.883, abs=5e-4)


def test_power_law_of_several_machines() -> None:
    # L. H. Crow, "Reliability analysis for complex, repairable systems", 1974, as in ReliaWiki's
    # "Repairable Systems Analysis": three systems watched to 2000; shape 0.45300, scale 0.36224.
    # Data and estimates from memory; they agree with each other to all digits
    systems = (
        (1.2, 55.6, 72.7, 111.9, 121.9, 303.6, 326.9, 1568.4, 1913.5),
        (1.4, 35.0, 46.8, 65.9, 181.1, 712.6, 1005.7, 1029.9, 1675.7, 1787.5, 1867.0),
        (
            *(0.3, 32.6, 33.4, 241.7, 396.2, 444.4, 480.8, 588.9, 1043.9, 1136.1, 1288.1, 1408.1),
            *(1439.4, 1604.8),
        ),
    )
    fit = fit_power_law([FailureRecord(failure_ages=s, watched_until=2000) for s in systems])
    assert fit.failures == 34
    assert (fit.shape, fit.scale) == pytest.approx((0.45300, 0.36224), abs=5e-6)


def test_power_law_of_counts() -> None:
    # the same reference, grouped data example 4: 2, 3, 4 and 11 failures in all by 200, 400, 600
    # and 3000; published shape 0.6315, computed 0.631548
    cumulative = ((200, 2), (400, 3), (600, 4), (3000, 11))
    counts = [
        FailureCount(until=until, failures=failures - before)
        for (until, failures), before in zip(cumulative, (0, 2, 3, 4), strict=True)
    ]
    shape, scale = fit_power_law_to_counts(counts)
    assert shape == pytest.approx(0.631548, abs=5e-7)
    assert scale * 3000**shape == pytest.approx(11)


def test_quantiles_and_moments_equal_scipy() -> None:
    law, theirs = Weibull(shape=1.7, scale=300), weibull_min(1.7, scale=300)
    assert law.quantile(0.1) == pytest.approx(theirs.ppf(0.1))
    assert law.survival(200) == pytest.approx(theirs.sf(200))
    assert (law.mean, law.standard_deviation) == pytest.approx((theirs.mean(), theirs.std()))
    assert law.hazard(200) == pytest.approx(theirs.pdf(200) / theirs.sf(200))
    assert law.mean_until(450) == pytest.approx(
        theirs.expect(lambda age: min(age, 450), lb=0, ub=450) + 450 * theirs.sf(450)
    )
