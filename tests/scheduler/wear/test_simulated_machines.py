"""From dates in the records to a replacement age, for machines whose true law of life is known.

The wished-for bounds: the age found costs at most 3 % more a year than the true optimum with 200
lives on record, at most 10 % with 30. They hold on average over fleets and for most single ones,
not for every one: thirty lives can be unlucky, which the limits of the fitted law then show.
"""

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.duty import DutyClass
from scheduler.wear.part_wear import FailurePolicy, part_wear
from scheduler.wear.records import PartRecord, lives_by_kind
from scheduler.wear.replacement import best_age, cost_rate
from scheduler.wear.weibull import Weibull
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
TODAY = date(2027, 3, 1)
GASKET = "group_gasket"
FLEETS = 40


def records(truth: Weibull, count: int, draw: np.random.Generator) -> list[PartRecord]:
    """One part in each of ``count`` machines: failed, renewed in time, or still running."""
    found = []
    for n in range(count):
        fitted_on = TODAY - timedelta(days=int(draw.uniform(150, 900)))
        fails_on = fitted_on + timedelta(days=int(truth.scale * draw.weibull(truth.shape)) + 1)
        renewed_on = fitted_on + timedelta(days=int(draw.uniform(200, 1200)))
        removed_on = min(fails_on, renewed_on)
        found.append(
            PartRecord(
                part=f"p{n}",
                part_type=GASKET,
                machine=f"m{n}",
                position="group 1",
                duty=DutyClass.STANDARD,
                fitted_on=fitted_on,
                removed_on=removed_on if removed_on <= TODAY else None,
                failed=removed_on == fails_on and fails_on <= TODAY,
                renewals=(),
                records_begin=date(2024, 1, 1),
            )
        )
    return found


@pytest.mark.parametrize(
    ("count", "most_extra", "fleets_within"), [(200, 0.03, 0.9), (30, 0.10, 0.75)]
)
@pytest.mark.parametrize("shape", [1.7, 2.5, 4.0])
def test_the_age_found_costs_little_more_than_the_true_optimum(
    shape: float, count: int, most_extra: float, fleets_within: float
) -> None:
    truth = Weibull(shape=shape, scale=500)
    draw = np.random.default_rng(count)
    extra = []
    for _ in range(FLEETS):
        lives = lives_by_kind(records(truth, count, draw), TODAY)[GASKET, DutyClass.STANDARD]
        wear = part_wear(GASKET, DutyClass.STANDARD, lives, CATALOGUE, FailurePolicy())
        best = best_age(truth, wear.costs)
        assert best is not None
        age = wear.advice.age
        rate = cost_rate(truth, wear.costs, age) if age else wear.costs.failure_minor / truth.mean
        extra.append(rate / cost_rate(truth, wear.costs, best) - 1)
    assert min(extra) >= -1e-12
    assert np.mean(extra) <= most_extra
    assert np.mean(np.array(extra) <= most_extra) >= fleets_within
