"""Replacement ages and economic lives against published ones."""

from dataclasses import dataclass

import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from scheduler.wear.block import block_cost_rate, renewals
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


@pytest.mark.parametrize(
    ("shape", "scale", "planned", "failure", "age", "rate"),
    [
        # the same documentation prints 0.0035; exact integration gives these (computed)
        (2.5, 1000, 1, 5, 493.0470, 0.00346204274),
        # HotWire 96: computed
        (3, 150, 2, 8, 83.1230, 0.0368503),
    ],
)
def test_exact_optima_and_their_cost_rates(
    shape: float, scale: float, planned: float, failure: float, age: float, rate: float
) -> None:
    law = Weibull(shape=shape, scale=scale)
    costs = ReplacementCosts(planned_minor=planned, failure_minor=failure)
    best = best_age(law, costs)
    assert best == pytest.approx(age, abs=5e-5)
    assert cost_rate(law, costs, best) == pytest.approx(rate, rel=1e-6)


@pytest.mark.parametrize(("shape", "limit"), [(0.8, 0.0044131), (1.0, 0.005)])
def test_without_ageing_waiting_always_pays(shape: float, limit: float) -> None:
    # Barlow and Proschan, chapter 4: the rate falls all the way to failure cost over mean life
    law = Weibull(shape=shape, scale=1000)
    costs = ReplacementCosts(planned_minor=1, failure_minor=5)
    rates = [cost_rate(law, costs, age) for age in range(50, 20_000, 50)]
    assert best_age(law, costs) is None
    assert rates == sorted(rates, reverse=True)
    # computed; from memory that it is the limit
    assert costs.failure_minor / law.mean == pytest.approx(limit, abs=1e-7)
    assert cost_rate(law, costs, 1e6) == pytest.approx(limit, abs=1e-7)


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
        # Barlow and Hunter 1960, closed form (from memory)
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


def test_overhaul_costs_are_not_swapped() -> None:
    # `reliability` 0.9.0 gives 1618.64 for a planned cost of 1 and a repair of 5 with minimal
    # repair: that is the answer with the two costs exchanged
    law = Weibull(shape=2.5, scale=1000)
    swapped = minimal_repair_age(law, overhaul_minor=5, repair_minor=1)
    assert swapped == pytest.approx(1618.64, abs=0.01)
    assert minimal_repair_age(law, overhaul_minor=1, repair_minor=5) < 0.3 * swapped


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
    # Blank and Tarquin, Engineering Economy, example 11.2: the first three are printed, the other
    # two computed
    life = economic_life(
        price_minor=13_000,
        resale_minor=[9_000, 8_000, 6_000, 2_000, 0],
        upkeep_minor=[2_500, 2_700, 3_000, 3_500, 4_500],
        interest=0.1,
    )
    assert [round(cost) for cost in life.annual_cost_minor] == [7800, 6276, 6132, 6556, 6580]
    assert life.years == 3


def test_economic_life_of_a_pump_that_delivers_less_and_less() -> None:
    # Jardine and Tsang, Maintenance, Replacement and Reliability, chapter 2, problem 1: a pump
    # delivers 10,000, 9,700, 9,400 and 8,900 in its months; what is lost against the first month
    # is its running cost, a new one costs 1200: average costs 1200, 750, 700, 800, replace after 3
    delivered = [10_000, 9_700, 9_400, 8_900]
    life = economic_life(
        price_minor=1200,
        resale_minor=[0, 0, 0, 0],
        upkeep_minor=[delivered[0] - each for each in delivered],
        interest=0,
    )
    assert life.annual_cost_minor == pytest.approx((1200, 750, 700, 800))
    assert life.years == 3


class NormalLife:
    """Five weeks on average, one week spread."""

    def survival(self, age: float) -> float:
        return float(norm.sf(age, 5, 1))

    def mean_until(self, age: float) -> float:
        return float(quad(self.survival, 0, age)[0])


def test_block_replacement_of_jardine_and_tsang() -> None:
    # the same book, section 2.4: lives N(5, 1) weeks, 5 planned, 10 at failure. The optimum of 4
    # weeks is from memory; failures by 4 weeks, and the costs, are computed. To within 0.0005 by
    # 400 steps
    costs = ReplacementCosts(planned_minor=5, failure_minor=10)
    assert renewals(NormalLife(), 4)[-1] == pytest.approx(0.1587, abs=5e-5)
    rates = [block_cost_rate(NormalLife(), costs, weeks) for weeks in range(1, 7)]
    assert rates == pytest.approx([5.000, 2.507, 1.743, 1.647, 2.000, 2.239], abs=6e-4)
    assert rates.index(min(rates)) + 1 == 4


def test_renewals_of_parts_that_do_not_age_are_as_many_as_mean_lives() -> None:
    # exponential lives of mean 1: exactly t renewals by t (theorem); 3 by 3
    found = renewals(Weibull(shape=1, scale=1), 3)
    assert found[-1] == pytest.approx(3, abs=1e-5)
    assert found[200] == pytest.approx(1.5, abs=1e-5)
