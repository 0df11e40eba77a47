"""Levels at which the workshop orders: against every pair of levels, and a simulated shelf."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.errors import InvalidInput, UnknownReference
from scheduler.reordering import OrderPolicy, _Course, reorder_levels, reorders
from scheduler.van_stock import PoissonDemand, expected_cost
from tests.scheduler.small_trade import CATALOGUE

POLICY = OrderPolicy()


def simulated_cost(
    reorder_at: int, order_up_to: int, *, mean: float, lead: int, order: float, short: float
) -> float:
    """Cost of each of 200,000 periods; keeping a piece costs 1, orders come ``lead`` later."""
    draw = np.random.default_rng(9)
    demand = draw.poisson(mean, 200_000)
    position, on_hand = order_up_to, order_up_to
    coming = [0] * (lead + 1)
    total = 0.0
    for asked in demand:
        if position <= reorder_at:
            total += order
            coming[lead] += order_up_to - position
            position = order_up_to
        on_hand += coming.pop(0)
        coming.append(0)
        on_hand -= asked
        position -= asked
        total += on_hand if on_hand > 0 else -short * on_hand
    return total / len(demand)


@pytest.mark.parametrize("lead", [0, 2])
def test_the_cost_is_that_of_a_simulated_shelf(lead: int) -> None:
    levels = reorder_levels(
        mean=3, order_cost=20, holding_cost=1, shortage_cost=9, lead_periods=lead
    )
    found = simulated_cost(
        levels.reorder_at, levels.order_up_to, mean=3, lead=lead, order=20, short=9
    )
    # 200,000 periods leave an error well under 1 %
    assert levels.cost == pytest.approx(found, rel=0.01)


@settings(deadline=None, max_examples=8)
@given(st.floats(0.1, 8), st.floats(0, 40), st.floats(0.1, 2), st.floats(2, 20))
def test_no_other_levels_nearby_cost_less(
    mean: float, order: float, holding: float, short: float
) -> None:
    found = reorder_levels(mean=mean, order_cost=order, holding_cost=holding, shortage_cost=short)
    costs = {
        level: expected_cost(level, PoissonDemand(mean), short, holding) for level in range(-40, 80)
    }
    course = _Course(mean)
    for low in range(found.reorder_at - 6, found.reorder_at + 7):
        for up_to in range(max(low + 1, found.order_up_to - 12), found.order_up_to + 13):
            seen = course.periods(up_to - low)
            held = sum(seen[gone] * costs[up_to - gone] for gone in range(up_to - low))
            assert found.cost <= (order + held) / seen.sum() + 1e-9


def test_a_dearer_order_is_placed_less_often_for_more() -> None:
    cheap, dear = (
        reorder_levels(mean=2, order_cost=cost, holding_cost=1, shortage_cost=9)
        for cost in (1, 100)
    )
    assert dear.order_up_to - dear.reorder_at > cheap.order_up_to - cheap.reorder_at


def test_a_longer_way_is_ordered_for_sooner() -> None:
    near, far = (
        reorder_levels(mean=2, order_cost=5, holding_cost=1, shortage_cost=9, lead_periods=lead)
        for lead in (0, 3)
    )
    # six more pieces are asked for on the longer way
    assert near.reorder_at + 4 <= far.reorder_at <= near.reorder_at + 12


def test_what_is_down_to_its_level_is_ordered_first() -> None:
    parts = dict.fromkeys(("burrs", "group_gasket"), 40.0)
    (first, second) = reorders(parts, {"burrs": 100, "group_gasket": 1}, CATALOGUE, POLICY)
    assert (first.part_type, first.in_stock) == ("group_gasket", 1)
    assert first.order_now == first.order_up_to - 1 > 0
    assert (second.part_type, second.order_now) == ("burrs", 0)


def test_of_a_workshop_never_counted_nothing_is_ordered() -> None:
    (only,) = reorders({"burrs": 40.0}, None, CATALOGUE, POLICY)
    assert (only.in_stock, only.order_now) == (None, 0)
    assert only.reorder_at < only.order_up_to


def test_parts_hardly_ever_asked_for_are_not_kept() -> None:
    assert reorders({"burrs": 0.4}, {}, CATALOGUE, POLICY) == ()


def test_impossible_questions_are_refused() -> None:
    with pytest.raises(InvalidInput, match="mean must be > 0"):
        reorder_levels(mean=0, order_cost=1, holding_cost=1, shortage_cost=1)
    with pytest.raises(InvalidInput, match="order_minor must be >= 0, got -1"):
        replace(POLICY, order_minor=-1)
    with pytest.raises(InvalidInput, match="review_days must be > 0, got 0"):
        replace(POLICY, review_days=0)
    with pytest.raises(UnknownReference):
        reorders({"feather": 4.0}, {}, CATALOGUE, POLICY)
