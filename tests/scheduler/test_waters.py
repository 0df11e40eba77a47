"""Ways round waters, on a plan drawn at the equator where a degree is the same both ways.

The river flows north to south along 0 degrees of longitude, from 1 N to 1 S. Legs are worked out by
hand from Pythagoras; over one degree the sphere differs from the plane by less than 1 in 10,000.
"""

from itertools import pairwise
from math import hypot, inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates, as_array, great_circle_metres
from scheduler.waters import Barrier, Crossing, WayFinder, Ways, meets

METRES_PER_DEGREE = 111_195.08
FERRY_METRES = 1000.0


def at(lat: float, lon: float) -> Coordinates:
    return Coordinates(lat=lat, lon=lon)


RIVER = (at(1, 0), at(0.2, 0), at(-1, 0))
BRIDGE = Crossing(name="bridge", one_end=at(0.5, -0.01), other_end=at(0.5, 0.01))
FERRY = Crossing(name="ferry", one_end=at(0, -0.01), other_end=at(0, 0.01), ferry_minutes=30)


def ways(places: list[Coordinates], *barriers: Barrier) -> Ways:
    finder = WayFinder(as_array(places), barriers, metres_per_ferry_minute=FERRY_METRES)
    return finder.rows(0, len(places))


def river(*crossings: Crossing) -> Barrier:
    return Barrier(name="river", line=RIVER, crossings=crossings)


def test_one_bank_is_not_led_round() -> None:
    places = [at(0, 0.1), at(0.3, 0.5)]  # a triangle of 3, 4 and 5 tenths of a degree
    found = ways(places, river(BRIDGE))
    assert found.straight_metres[0, 1] == pytest.approx(0.5 * METRES_PER_DEGREE, rel=1e-4)
    assert not found.ferry_minutes.any()


def test_the_other_bank_is_reached_over_the_bridge() -> None:
    # to the west landing: 0.29 west, 0.5 north; the bridge: 0.02; from the east landing: 0.29, 0.5
    found = ways([at(0, -0.3), at(0, 0.3)], river(BRIDGE))
    degrees = 2 * hypot(0.29, 0.5) + 0.02
    assert found.straight_metres[0, 1] == pytest.approx(degrees * METRES_PER_DEGREE, rel=1e-4)
    assert found.straight_metres[1, 0] == found.straight_metres[0, 1]


def test_a_ferry_is_taken_when_its_minutes_are_worth_it() -> None:
    # by ferry 0.58 degrees and 30 min, worth 30 km; by bridge 1.176 degrees, 66 km longer
    found = ways([at(0, -0.3), at(0, 0.3)], river(BRIDGE, FERRY))
    assert found.straight_metres[0, 1] == pytest.approx(0.58 * METRES_PER_DEGREE, rel=1e-4)
    assert found.ferry_minutes.tolist() == [[0, 30], [30, 0]]


def test_a_ferry_is_left_when_the_bridge_is_near() -> None:
    found = ways([at(0.5, -0.3), at(0.5, 0.3)], river(BRIDGE, FERRY))
    assert found.straight_metres[0, 1] == pytest.approx(0.6 * METRES_PER_DEGREE, rel=1e-4)
    assert not found.ferry_minutes.any()


def test_without_a_crossing_there_is_no_way() -> None:
    found = ways([at(0, -0.3), at(0, 0.3), at(0.1, 0.3)], river())
    assert found.straight_metres[0].tolist() == [0, inf, inf]
    assert found.straight_metres[1, 2] == pytest.approx(0.1 * METRES_PER_DEGREE, rel=1e-4)


def test_two_rivers_are_crossed_one_after_the_other() -> None:
    second = Barrier(
        name="second river",
        line=(at(1, 1), at(-1, 1)),
        crossings=(Crossing(name="far bridge", one_end=at(-0.5, 0.99), other_end=at(-0.5, 1.01)),),
    )
    # 0.29 along 0.5 N to the bridge and 0.02 over it, then 1.0 south and 0.98 east to the far
    # bridge, 0.02 over it and 0.29 on along 0.5 S
    found = ways([at(0.5, -0.3), at(-0.5, 1.3)], river(BRIDGE), second)
    degrees = 0.29 + 0.02 + hypot(1.0, 0.98) + 0.02 + 0.29
    assert found.straight_metres[0, 1] == pytest.approx(degrees * METRES_PER_DEGREE, rel=1e-4)


def test_a_bend_is_driven_round_along_the_bank() -> None:
    # a spit of land's end at (0, 0): water from the north-west and from the south-west meets there
    bay = Barrier(name="bay", line=(at(1, -1), at(0, 0), at(-1, -1)))
    # both places lie east of the water; the straight line between them cuts the corner
    found = ways([at(0.9, -0.8), at(-0.9, -0.8)], bay)
    degrees = 2 * hypot(0.9, 0.8)
    assert found.straight_metres[0, 1] == pytest.approx(degrees * METRES_PER_DEGREE, rel=2e-3)


def test_nothing_is_driven_round_the_end_of_a_line() -> None:
    # passing north of 1 N would be shorter, but the line ends in the sea there
    found = ways([at(0.9, -0.3), at(0.9, 0.3)], river(FERRY))
    assert found.ferry_minutes[0, 1] == 30


coordinates = st.builds(
    at, lat=st.integers(-9, 9).map(lambda n: n / 10 + 0.017), lon=st.integers(1, 9).map(float)
)


@given(st.lists(coordinates, min_size=2, max_size=6), st.booleans())
def test_ways_are_symmetric_and_never_shorter_than_straight(
    places: list[Coordinates], with_ferry: bool
) -> None:
    mirrored = [at(p.lat, p.lon / 10 * (-1) ** i) for i, p in enumerate(places)]
    found = ways(mirrored, river(BRIDGE, *([FERRY] if with_ferry else [])))
    straight = great_circle_metres(as_array(mirrored), as_array(mirrored))
    longest_landing_metres = 0.02 * METRES_PER_DEGREE  # a ferry's passage is not driven
    assert (found.straight_metres == found.straight_metres.T).all()
    assert (found.ferry_minutes == found.ferry_minutes.T).all()
    assert (found.straight_metres >= straight - longest_landing_metres - 1e-6).all()


@given(st.lists(coordinates, min_size=2, max_size=7), st.integers(1, 3))
def test_rows_in_pieces_are_those_of_the_whole(places: list[Coordinates], step: int) -> None:
    mirrored = as_array([at(p.lat, p.lon / 10 * (-1) ** i) for i, p in enumerate(places)])
    finder = WayFinder(mirrored, [river(BRIDGE, FERRY)], metres_per_ferry_minute=FERRY_METRES)
    whole = finder.rows(0, len(places))
    for start in range(0, len(places), step):
        stop = min(start + step, len(places))
        piece = finder.rows(start, stop)
        assert (piece.straight_metres == whole.straight_metres[start:stop, :stop]).all()
        assert (piece.ferry_minutes == whole.ferry_minutes[start:stop, :stop]).all()


@pytest.mark.parametrize("middle", [0, 179.95, -179.95, 180, -180])
def test_ways_are_the_same_wherever_the_180th_meridian_runs(middle: float) -> None:
    def moved(point: Coordinates) -> Coordinates:
        return at(point.lat, (point.lon + middle + 180) % 360 - 180)

    bridge = Crossing(name="bridge", one_end=moved(at(0.5, -0.01)), other_end=moved(at(0.5, 0.01)))
    water = Barrier(name="river", line=tuple(map(moved, RIVER)), crossings=(bridge,))
    places = [at(0, -0.3), at(0, 0.3), at(-0.4, -0.2)]
    found = ways([moved(place) for place in places], water)
    at_home = ways(places, river(BRIDGE))
    assert found.straight_metres == pytest.approx(at_home.straight_metres, rel=1e-9)


def test_a_water_on_the_other_side_of_the_globe_is_not_in_the_way() -> None:
    # 0.2 degrees apart over the 180th meridian; counted the other way the river lies between
    found = ways([at(0, 179.9), at(0, -179.9)], river())
    assert found.straight_metres[0, 1] == pytest.approx(0.2 * METRES_PER_DEGREE, rel=1e-4)


# --- the crossing test itself, against the textbook way on whole numbers ----------------------


def on_left(a: tuple[int, int], b: tuple[int, int], p: tuple[int, int]) -> bool:
    return (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) >= 0


points = st.tuples(st.integers(-5, 5), st.integers(-5, 5))


@given(st.lists(points, min_size=1, max_size=5), st.lists(points, min_size=2, max_size=5))
def test_meets_equals_testing_every_pair_and_segment(
    places: list[tuple[int, int]], line: list[tuple[int, int]]
) -> None:
    pieces = list(pairwise(line))
    expected = [
        [
            any(
                on_left(s, e, a) != on_left(s, e, b) and on_left(a, b, s) != on_left(a, b, e)
                for s, e in pieces
            )
            for b in places
        ]
        for a in places
    ]
    array = np.array(places, dtype=float)
    assert meets(array, array, np.array(pieces, dtype=float)).tolist() == expected


# --- documents --------------------------------------------------------------------------------


def test_a_barrier_is_read_from_a_document() -> None:
    document = {
        "name": "river",
        "line": [[1, 0], [0.2, 0], [-1, 0]],
        "crossings": [
            {"name": "bridge", "from": [0.5, -0.01], "to": [0.5, 0.01]},
            {"name": "ferry", "from": [0, -0.01], "to": [0, 0.01], "ferry_minutes": 30},
        ],
    }
    assert Barrier.from_document(document) == river(BRIDGE, FERRY)


@pytest.mark.parametrize(
    ("document", "message"),
    [
        (
            {"line": [[1, 0], [0, 0]]},
            r"barrier '\?' cannot be read: it needs a name, .*KeyError\('name'\)",
        ),
        ({"name": "river", "line": [[1, 0]]}, "barrier 'river' needs at least 2 points"),
        ({"name": "river", "line": [[1, 0], [0]]}, "barrier 'river' cannot be read"),
        ({"name": "river", "line": [[1, 0], [95, 0]]}, "lat must be in"),
    ],
)
def test_a_wrong_document_is_refused(document: dict[str, object], message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        Barrier.from_document(document)


def test_a_crossing_that_does_not_cross_is_refused() -> None:
    beside = Crossing(name="bridge", one_end=at(0.5, 0.02), other_end=at(0.5, 0.01))
    with pytest.raises(InvalidInput, match="crossing 'bridge' does not cross barrier 'river'"):
        river(beside)


def test_negative_ferry_minutes_are_refused() -> None:
    with pytest.raises(InvalidInput, match="ferry_minutes must be >= 0, got -1"):
        Crossing(name="ferry", one_end=at(0, -1), other_end=at(0, 1), ferry_minutes=-1)
