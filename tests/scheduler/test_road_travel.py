"""Travel by a road network's word: what it says, what it does not, and what stands in."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates
from scheduler.road_travel import NO_WAY, NOT_KNOWN, Reliance, RoadTravel, RoadWays
from scheduler.travel import UNREACHABLE_MINUTES, StraightLineTravel

MILL, QUAY, ISLE, FIELD, FAR = (Coordinates(lat=45 + n / 100, lon=0.0) for n in range(5))
ESTIMATE = StraightLineTravel(stop_minutes=4)
WAYS = RoadWays(
    places=(MILL, QUAY, ISLE),
    # a minute and a second there, two minutes back through one-way streets; no way to the isle
    seconds=np.array([[0, 61, NO_WAY], [120, 0, NO_WAY], [NO_WAY, NO_WAY, 0]], dtype=np.uint16),
    tens_of_metres=np.array([[0, 50, 0], [90, 0, 0], [0, 0, 0]], dtype=np.uint16),
    off_road=frozenset({FIELD}),
    oldest=datetime(2027, 3, 1, tzinfo=UTC),
)
ROADS = RoadTravel(ways=WAYS, estimate=ESTIMATE)


def test_known_ways_are_driven_as_told_with_the_minutes_to_park() -> None:
    table = ROADS.between([MILL, QUAY])
    # 61 s and 4 min: 5.02, rounded up 6; 120 s and 4 min: 6
    assert table.minutes.tolist() == [[0, 6], [6, 0]]
    assert table.metres.tolist() == [[0, 500], [900, 0]]


def test_no_way_is_never_made_up_for_by_an_estimate() -> None:
    table = ROADS.between([MILL, ISLE])
    assert table.minutes.tolist() == [[0, UNREACHABLE_MINUTES], [UNREACHABLE_MINUTES, 0]]
    assert table.metres.tolist() == [[0, 0], [0, 0]]
    assert ESTIMATE.between([MILL, ISLE]).minutes[0, 1] < 20


def test_what_was_not_asked_is_estimated() -> None:
    places = [FAR, QUAY, FIELD, MILL]
    table, estimated = ROADS.between(places), ESTIMATE.between(places)
    expected = estimated.minutes.copy()
    expected[1, 3] = expected[3, 1] = 6
    assert table.minutes.tolist() == expected.tolist()
    unknown = replace(WAYS, seconds=np.full((3, 3), NOT_KNOWN, dtype=np.uint16))
    nothing = RoadTravel(ways=unknown, estimate=ESTIMATE)
    assert nothing.between(places).minutes.tolist() == estimated.minutes.tolist()


def test_a_place_named_twice_is_no_journey_but_one_kerb_for_two_places_is() -> None:
    same_kerb = replace(WAYS, seconds=np.zeros((3, 3), dtype=np.uint16))
    table = RoadTravel(ways=same_kerb, estimate=ESTIMATE).between([MILL, MILL, QUAY])
    assert table.minutes.tolist() == [[0, 0, 4], [0, 0, 4], [4, 4, 0]]


def test_reliance_counts_what_is_estimated_and_names_what_is_amiss() -> None:
    # of 20 ordered pairs, the 6 among mill, quay and isle were answered
    assert ROADS.reliance([MILL, QUAY, ISLE, FIELD, FAR]) == Reliance(
        pairs=20, estimated=14, off_road=(FIELD,), cut_off=(ISLE,)
    )
    assert ROADS.reliance([MILL, QUAY, MILL]) == Reliance(
        pairs=2, estimated=0, off_road=(), cut_off=()
    )
    assert ROADS.reliance([ISLE]) == Reliance(pairs=0, estimated=0, off_road=(), cut_off=())
    assert ROADS.reliance([]).pairs == 0


def test_a_place_that_can_only_be_left_is_cut_off_too() -> None:
    seconds = np.array([[0, NO_WAY], [60, 0]], dtype=np.uint16)  # nobody gets to the quay
    ways = RoadWays(
        places=(MILL, QUAY), seconds=seconds, tens_of_metres=np.zeros((2, 2), dtype=np.uint16)
    )
    found = RoadTravel(ways=ways, estimate=ESTIMATE).reliance([MILL, QUAY])
    assert found.cut_off == (MILL, QUAY)  # the mill cannot reach anything either


def test_hundreds_of_places_are_overlaid_row_by_row() -> None:
    random = np.random.default_rng(1)
    places = tuple(Coordinates(lat=45 + n / 1000, lon=0.0) for n in range(600))
    seconds = random.integers(1, 3000, (600, 600)).astype(np.uint16)
    np.fill_diagonal(seconds, 0)
    ways = RoadWays(places=places, seconds=seconds, tens_of_metres=seconds)
    order = random.permutation(600)
    table = RoadTravel(ways=ways, estimate=ESTIMATE).between([places[at] for at in order])
    expected = np.ceil(seconds / 60 + 4)
    np.fill_diagonal(expected, 0)
    assert (table.minutes == expected[np.ix_(order, order)]).all()


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"places": (MILL, MILL, QUAY)}, "must differ"),
        ({"seconds": np.zeros((2, 2), dtype=np.uint16)}, "seconds must be uint16 of shape"),
        ({"tens_of_metres": np.zeros((3, 3))}, "tens_of_metres must be uint16"),
    ],
)
def test_ways_that_do_not_fit_are_refused(wrong: dict[str, object], message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        replace(WAYS, **wrong)
