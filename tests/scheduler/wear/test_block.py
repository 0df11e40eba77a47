"""Renewing all at once against renewing each at its own age."""

import numpy as np
import pytest

from scheduler.errors import InvalidInput
from scheduler.wear.block import advise_block, block_cost_rate, renewals
from scheduler.wear.replacement import ReplacementCosts, advise_replacement
from scheduler.wear.weibull import Weibull

COSTS = ReplacementCosts(planned_minor=3_000, failure_minor=30_000)
WEARING = Weibull(shape=2.5, scale=1000)


def test_renewals_are_the_mean_of_simulated_ones() -> None:
    # 20,000 parts renewed at each failure until 2000; the mean has a deviation of about 0.0055
    draw = np.random.default_rng(2)
    fails = (WEARING.scale * draw.weibull(WEARING.shape, (20_000, 12))).cumsum(axis=1)
    assert fails[:, -1].min() > 2000
    counted = (fails <= 2000).sum() / 20_000
    assert renewals(WEARING, 2000)[-1] == pytest.approx(counted, abs=0.02)


def test_the_interval_found_is_the_best_of_a_fine_grid() -> None:
    advice = advise_block(WEARING, COSTS, advise_replacement(WEARING, COSTS))
    assert advice is not None
    rates = [block_cost_rate(WEARING, COSTS, days) for days in range(50, 1500, 5)]
    assert advice.cost_rate == pytest.approx(min(rates), rel=1e-3)
    assert advice.interval == pytest.approx(50 + 5 * int(np.argmin(rates)), abs=10)


@pytest.mark.parametrize("shape", [1.5, 2.5, 4.0])
def test_at_the_same_cost_each_at_its_own_age_is_never_dearer(shape: float) -> None:
    # Barlow and Proschan 1965, chapter 4: age replacement is the best of all policies
    law = Weibull(shape=shape, scale=1000)
    alone = advise_replacement(law, COSTS)
    together = advise_block(law, COSTS, alone)
    assert together is not None
    assert together.dearer_share > 0
    # and at the break-even both cost the same
    shared = ReplacementCosts(
        planned_minor=COSTS.planned_minor - together.breaks_even_minor,
        failure_minor=COSTS.failure_minor,
    )
    assert block_cost_rate(law, shared, together.interval) == pytest.approx(
        alone.cost_rate, rel=1e-3
    )


def test_a_limit_of_law_or_maker_shortens_the_interval() -> None:
    alone = advise_replacement(WEARING, COSTS, limit_age=200)
    together = advise_block(WEARING, COSTS, alone, limit_age=200)
    assert together is not None
    assert together.interval == pytest.approx(200)
    even_so = Weibull(shape=0.8, scale=1000)
    early = advise_block(
        even_so, COSTS, advise_replacement(even_so, COSTS, limit_age=200), limit_age=200
    )
    assert early is not None
    assert early.interval == pytest.approx(200)


def test_parts_that_do_not_age_are_never_renewed_together() -> None:
    law = Weibull(shape=1, scale=1000)
    assert advise_block(law, COSTS, advise_replacement(law, COSTS)) is None


def test_the_verdict_in_words() -> None:
    together = advise_block(WEARING, COSTS, advise_replacement(WEARING, COSTS))
    assert together is not None
    assert together.because == (
        "All at the same visit every 350 days: 2.5% dearer than each at its own age, since young "
        "ones are renewed with the old; it pays where sharing the visit saves more than 1.24 a "
        "part."
    )


def test_no_time_has_no_renewals() -> None:
    with pytest.raises(InvalidInput, match="until must be > 0"):
        renewals(WEARING, 0)
