"""Lives of parts: drawn conditionally on the age they have reached."""

from random import Random

import pytest
from scipy.stats import kstest, weibull_min

from seed_data.company.lives import Life, days_left

LIFE = Life(shape=2.5, scale=2.0)


@pytest.mark.parametrize("age_days", [0.0, 150.0, 400.0])
def test_days_left_follow_the_conditional_weibull_law(age_days: float) -> None:
    # Oracle: scipy's weibull_min. P(T - a <= t | T > a) = 1 - S(a + t) / S(a), scale 2 x 180 days.
    law = weibull_min(LIFE.shape, scale=360.0)
    rng = Random(7)
    drawn = [days_left(LIFE, 180.0, age_days, rng) for _ in range(2_000)]
    fit = kstest(drawn, lambda t: 1 - law.sf(age_days + t) / law.sf(age_days))
    assert fit.pvalue > 0.01


def test_days_left_are_never_negative() -> None:
    rng = Random(1)
    assert min(days_left(LIFE, 180.0, 5_000.0, rng) for _ in range(500)) >= 0.0
