"""What to carry, what to load, what is short."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput, UnknownReference
from scheduler.van_stock import (
    Load,
    PoissonDemand,
    StockPolicy,
    Trip,
    TripLoad,
    critical_ratio,
    expected_cost,
    fault_demand_a_year,
    load_list,
    loads_ahead,
    newsvendor_pieces,
    van_stock,
)
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP, WITH_SHUT_OFFS

DAY = date(2027, 3, 10)


@given(st.floats(0.01, 30), st.floats(0.1, 50), st.floats(0.1, 50))
def test_no_other_stock_costs_less(mean: float, shortage: float, holding: float) -> None:
    pieces = newsvendor_pieces(mean, shortage, holding)
    cost = expected_cost(pieces, PoissonDemand(mean), shortage, holding)
    for other in range(pieces + 40):
        assert cost <= expected_cost(other, PoissonDemand(mean), shortage, holding) + 1e-9


def test_fault_demand_adds_up_over_machines() -> None:
    # Three machines: contactor 0.1, switch 0.2, gasket 0.15 a year each.
    assert fault_demand_a_year([TWO_GROUP, TWO_GROUP, WITH_SHUT_OFFS], CATALOGUE) == {
        "contactor": pytest.approx(0.3),
        "group_gasket": pytest.approx(0.45),
        "pressure_switch": pytest.approx(0.6),
    }


def test_cheap_parts_often_needed_are_carried() -> None:
    # For a week: a gasket costs 500 x 0.25 x 7/365 = 2.4 to carry, so 9000 / 9002.4 of the weeks
    # have to be covered (0.99973); 1 a week on average: P(at most 5) = 0.99941, of 6 0.99992.
    # A cartridge at 0.0001 a week is not worth one: P(none) = 0.9999 > 9000 / 9043.2 = 0.9952.
    assert van_stock(
        {"group_gasket": 365 / 7, "cartridge": 0.0001 * 365 / 7}, CATALOGUE, StockPolicy()
    ) == {"group_gasket": 6}


def test_load_list_says_where_parts_come_from_and_what_is_short() -> None:
    visits = [{"group_gasket": 2, "contactor": 1}, {"group_gasket": 3, "burrs": 2}]
    assert load_list(
        visits, {"group_gasket": 4, "burrs": 9}, {"group_gasket": 10}, CATALOGUE, DAY
    ) == (
        Load(
            part_type="contactor",
            needed=1,
            in_van=0,
            from_workshop=0,
            short=1,
            order_by=date(2027, 3, 7),  # three days of lead time
        ),
        Load(part_type="burrs", needed=2, in_van=2, from_workshop=0, short=0, order_by=None),
        Load(part_type="group_gasket", needed=5, in_van=4, from_workshop=1, short=0, order_by=None),
    )


def test_unknown_parts_and_impossible_costs_are_refused() -> None:
    with pytest.raises(UnknownReference, match="no part type 'gizmo'"):
        load_list([{"gizmo": 1}], {}, {}, CATALOGUE, DAY)
    with pytest.raises(UnknownReference, match="no part type 'gizmo'"):
        van_stock({"gizmo": 1.0}, CATALOGUE, StockPolicy())
    with pytest.raises(InvalidInput, match="costs must be > 0, got 1 and 0"):
        critical_ratio(1, 0)
    with pytest.raises(InvalidInput, match="mean must be >= 0, got -1"):
        newsvendor_pieces(-1, 1, 1)
    with pytest.raises(InvalidInput, match="restock_days must be > 0, got 0"):
        StockPolicy(restock_days=0)


def test_a_piece_is_given_out_once_and_the_later_trip_is_short() -> None:
    later = DAY + timedelta(days=1)
    trips = [
        Trip(day=later, technician="te-2", parts={"group_gasket": 2}),
        Trip(day=DAY, technician="te-1", parts={"group_gasket": 3}),
    ]
    # te-1 has one in the van and takes two of the workshop's three; te-2 finds one and lacks one,
    # to be ordered three days before
    assert loads_ahead(trips, {"te-1": {"group_gasket": 1}}, {"group_gasket": 3}, CATALOGUE) == (
        TripLoad(
            day=DAY,
            technician="te-1",
            loads=(
                Load(
                    part_type="group_gasket",
                    needed=3,
                    in_van=1,
                    from_workshop=2,
                    short=0,
                    order_by=None,
                ),
            ),
        ),
        TripLoad(
            day=later,
            technician="te-2",
            loads=(
                Load(
                    part_type="group_gasket",
                    needed=2,
                    in_van=0,
                    from_workshop=1,
                    short=1,
                    order_by=later - timedelta(days=3),
                ),
            ),
        ),
    )


def test_a_workshop_never_counted_is_taken_to_have_everything() -> None:
    trip = Trip(day=DAY, technician="te-1", parts={"group_gasket": 3})
    ((load,),) = (each.loads for each in loads_ahead([trip], {}, None, CATALOGUE))
    assert (load.from_workshop, load.short) == (3, 0)
