"""Replacement ages and economic lives against published ones."""

from dataclasses import dataclass

import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from scheduler.wear.repairable import economic_life
from scheduler.wear.replacement import ReplacementCosts, best_age, cost_rate, minimal_repair_age
from scheduler.wear.weibull import Weibull


@pytest.mark.parametrize(
    ("shape", "scale", "planned", "failure", "published_age", "tolerance"),
    [
        # documentation of the `reliability` package, "Optimal replacement time": 493.19 by a grid
        # search, so to within 0.3
        (2.5, 1000, 1, 5, 493.19, 0.3),
        # weibull.com HotWire 96 (2009): inputs published, optimum from the same package, 83.13
        (3, 150, 2, 8, 83.13, 0.05),
    ],
)
def test_best_ages(
    shape: float,
    scale: float,
    planned: float,
    failure: float,
    published_age: float,
    tolerance: float,
) -> None:
    law = Weibull(shape=shape, scale=scale)
    costs = ReplacementCosts(planned_minor=planned, failure_minor=failure)
    age = best_age(law, costs)
    assert age is not None
    assert age == pytest.approx(published_age, abs=tolerance)
    # Barlow and Proschan's condition holds at the optimum, with the integral done numerically
    mean_until = quad(law.survival, 0, age)[0]
    residual = (
        law.hazard(age) * mean_until - (1 - law.survival(age)) - planned / (failure - planned)
    )
    assert abs(residual) < 2e-8
    # and a blind minimisation of the cost finds no better one
    blind = minimize_scalar(lambda t: cost_rate(law, costs, t), bounds=(scale / 50, 5 * scale))
    assert age == pytest.approx(blind.x, rel=1e-4)


def test_cost_rate_of_the_published_optimum() -> None:
    # the same documentation prints 0.0035; exact integration gives 0.00346204274
    law = Weibull(shape=2.5, scale=1000)
    costs = ReplacementCosts(planned_minor=1, failure_minor=5)
    assert cost_rate(law, costs, 493.0470) == pytest.approx(0.00346204274, abs=1e-11)


@pytest.mark.parametrize(("shape", "limit"), [(0.8, 0.0044131), (1.0, 0.005)])
def test_without_ageing_waiting_always_pays(shape: float, limit: float) -> None:
    # Barlow and Proschan, chapter 4: the rate falls all the way to failure cost over mean life
    law = Weibull(shape=shape, scale=1000)
    costs = ReplacementCosts(planned_minor=1, failure_minor=5)
    rates = [cost_rate(law, costs, age) for age in range(50, 20_000, 50)]
    assert best_age(law, costs) is None
    assert rates == sorted(rates, reverse=True)
    assert costs.failure_minor / law.mean == pytest.approx(limit, abs=1e-7)


@dataclass(frozen=True)
class UniformLife:
    """Any life between 0 and ``longest`` is as likely."""

    longest: float

    def survival(self, age: float) -> float:
        return 1 - age / self.longest

    def mean_until(self, age: float) -> float:
        return age - age**2 / (2 * self.longest)


def test_cost_rates_of_a_uniform_life() -> None:
    # Jardine and Tsang, Maintenance, Replacement and Reliability, chapter 2, problem 2: lives
    # evenly spread over 40,000 km, 100 planned, 200 at failure: .0143 .01 .0093 .01, the third best
    law, costs = UniformLife(40_000), ReplacementCosts(planned_minor=100, failure_minor=200)
    rates = [cost_rate(law, costs, km) for km in (10_000, 20_000, 30_000, 40_000)]
    assert rates == pytest.approx([0.0143, 0.01, 0.0093, 0.01], abs=5e-5)
    # between them the optimum is 40,000 (sqrt 3 - 1) by calculus
    best = 40_000 * (3**0.5 - 1)
    assert best == pytest.approx(29_282.03, abs=0.005)
    assert cost_rate(law, costs, best) < min(
        cost_rate(law, costs, best - 50), cost_rate(law, costs, best + 50)
    )


@pytest.mark.parametrize(
    ("shape", "scale", "overhaul", "repair", "expected"),
    [
        # Barlow and Hunter 1960, closed form
        (2.5, 1000, 1, 5, 446.658),
        # ReliaWiki "Optimum Overhaul Example": cost ratio 4; shape 1.473824 and rate 2.12106e-5
        # fitted to its published data, the interval computed (its own answer is a picture)
        (1.473824, 2.12106e-5 ** (-1 / 1.473824), 4, 1, 6303.26),
    ],
)
def test_overhaul_ages(
    shape: float, scale: float, overhaul: float, repair: float, expected: float
) -> None:
    law = Weibull(shape=shape, scale=scale)
    age = minimal_repair_age(law, overhaul_minor=overhaul, repair_minor=repair)
    assert age == pytest.approx(expected, abs=0.01)


def test_economic_life_of_a_forklift() -> None:
    # Sullivan, Wicks and Koelling, Engineering Economy, example 9-4
    life = economic_life(
        price_minor=30_000,
        resale_minor=[22_500, 16_875, 12_750, 9_750, 7_125],
        upkeep_minor=[3_000, 4_500, 7_000, 10_000, 13_000],
        interest=0.1,
    )
    assert [round(cost) for cost in life.annual_cost_minor] == [13500, 12964, 12918, 13211, 13766]
    assert life.years == 3


def test_economic_life_of_blank_and_tarquin() -> None:
    # Blank and Tarquin, Engineering Economy, example 11.2: the first three are printed
    life = economic_life(
        price_minor=13_000,
        resale_minor=[9_000, 8_000, 6_000, 2_000, 0],
        upkeep_minor=[2_500, 2_700, 3_000, 3_500, 4_500],
        interest=0.1,
    )
    assert [round(cost) for cost in life.annual_cost_minor[:3]] == [7800, 6276, 6132]
    assert life.years == 3
