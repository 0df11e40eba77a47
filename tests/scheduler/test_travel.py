"""Travel tables, with minutes worked out by hand."""

import random
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates
from scheduler.travel import (
    UNREACHABLE_MINUTES,
    RememberedTravel,
    SpeedBand,
    StraightLineTravel,
    TravelTable,
)
from scheduler.waters import Barrier, Crossing


def at(lat: float, lon: float) -> Coordinates:
    return Coordinates(lat=lat, lon=lon)


PLAIN = StraightLineTravel(
    circuity=1.25,
    speeds=(SpeedBand(from_km=0, km_per_hour=30), SpeedBand(from_km=10, km_per_hour=60)),
    stop_minutes=5,
)
# one degree of latitude is 111.19508 km
TEN_KM = 10 / 111.19508


def whole(table: TravelTable) -> tuple[list[list[int]], list[list[int]]]:
    return table.minutes.tolist(), table.metres.tolist()


def test_minutes_add_up_over_the_speed_bands() -> None:
    # straight 10 km = 12.5 km of road: 10 km at 30 km/h = 20 min, 2.5 km at 60 km/h = 2.5 min,
    # 5 min to park: 27.5, rounded up 28
    assert whole(PLAIN.between([at(0, 0), at(TEN_KM, 0)])) == (
        [[0, 28], [28, 0]],
        [[0, 12500], [12500, 0]],
    )


def test_two_machines_at_one_address_are_no_journey_apart() -> None:
    assert whole(PLAIN.between([at(44.8, -0.5), at(44.8, -0.5)])) == (
        [[0, 0], [0, 0]],
        [[0, 0], [0, 0]],
    )


def test_next_door_still_costs_parking() -> None:
    # 1.1 m: 5 minutes and a fraction, rounded up
    assert PLAIN.between([at(0, 0), at(0.00001, 0)]).minutes[0, 1] == 6


def test_ferry_minutes_are_added_and_not_driven() -> None:
    ferry = Crossing(name="ferry", one_end=at(0, -0.01), other_end=at(0, 0.01), ferry_minutes=30)
    sound = Barrier(name="sound", line=(at(1, 0), at(-1, 0)), crossings=(ferry,))
    travel = StraightLineTravel(
        circuity=1.25, speeds=PLAIN.speeds, stop_minutes=5, barriers=(sound,)
    )
    # two legs of 5 km = 12.5 km of road: 22.5 min, the ferry 30, parking 5: 57.5, rounded up 58
    offset = 0.01 + TEN_KM / 2
    assert whole(travel.between([at(0, -offset), at(0, offset)])) == (
        [[0, 58], [58, 0]],
        [[0, 12500], [12500, 0]],
    )


def test_no_way_is_marked() -> None:
    sea = Barrier(name="sea", line=(at(1, 0), at(-1, 0)))
    travel = StraightLineTravel(barriers=(sea,))
    table = travel.between([at(0, -0.1), at(0, 0.1)])
    assert table.minutes.tolist() == [[0, UNREACHABLE_MINUTES], [UNREACHABLE_MINUTES, 0]]
    assert table.metres.tolist() == [[0, 0], [0, 0]]
    assert table.reachable.tolist() == [[True, False], [False, True]]


def test_the_180th_meridian_and_the_poles_are_places_like_any() -> None:
    # 10 km straight in each pair, by the first test 28 minutes; at the pole longitudes mean nothing
    half = TEN_KM / 2
    for one, other in (
        (at(0, 180 - half), at(0, half - 180)),
        (at(90 - half, 10), at(90 - half, -170)),
        (at(-90, 33), at(TEN_KM - 90, -140)),
    ):
        assert whole(PLAIN.between([one, other])) == (
            [[0, 28], [28, 0]],
            [[0, 12500], [12500, 0]],
        )
    assert whole(PLAIN.between([at(90, 10), at(90, -170)])) == ([[0, 0], [0, 0]],) * 2
    assert whole(PLAIN.between([at(5, 180), at(5, -180)])) == ([[0, 0], [0, 0]],) * 2


def test_no_places_give_an_empty_table() -> None:
    assert StraightLineTravel().between([]).minutes.shape == (0, 0)


@given(st.lists(st.builds(at, lat=st.floats(44, 45), lon=st.floats(-1, 0)), min_size=3, max_size=3))
def test_a_detour_over_a_third_place_is_never_shorter(places: list[Coordinates]) -> None:
    minutes = StraightLineTravel().between(places).minutes
    assert minutes[0, 2] <= minutes[0, 1] + minutes[1, 2]
    assert (minutes == minutes.T).all()


def test_a_thousand_places_and_a_river_take_under_a_second() -> None:
    draw = np.random.default_rng(7)
    places = [at(lat, lon) for lat, lon in draw.uniform((44, -1), (45, 0), (1000, 2))]
    bends = [at(45 - n / 40, -0.5 + 0.05 * (n % 2)) for n in range(41)]
    crossings = tuple(
        Crossing(name=str(n), one_end=at(45 - n / 40, -0.6), other_end=at(45 - n / 40, -0.4))
        for n in range(1, 40, 4)
    )
    travel = StraightLineTravel(
        barriers=(Barrier(name="river", line=tuple(bends), crossings=crossings),)
    )
    started = time.process_time()
    table = travel.between(places)
    assert time.process_time() - started < 1.0
    assert table.reachable.all()


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"circuity": 0.9}, "circuity must be >= 1, got 0.9"),
        ({"stop_minutes": -1}, "stop_minutes must be >= 0, got -1"),
        ({"speeds": ()}, "speeds must begin at 0 km"),
        ({"speeds": (SpeedBand(from_km=1, km_per_hour=30),)}, "speeds must begin at 0 km"),
        (
            {
                "speeds": (
                    SpeedBand(from_km=0, km_per_hour=30),
                    SpeedBand(from_km=5, km_per_hour=20),
                )
            },
            "speeds must ascend",
        ),
    ],
)
def test_impossible_settings_are_refused(wrong: dict[str, object], message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        StraightLineTravel(**wrong)


def test_what_is_remembered_is_what_would_be_found_anew() -> None:
    rng = random.Random(4)
    river = Barrier(
        name="river",
        line=tuple(Coordinates(lat=47.0 + 0.1 * at, lon=8.0 + 0.02 * (at % 2)) for at in range(6)),
        crossings=(
            Crossing(
                name="bridge",
                one_end=Coordinates(lat=47.25, lon=7.99),
                other_end=Coordinates(lat=47.25, lon=8.03),
            ),
        ),
    )
    spots = [Coordinates(lat=rng.uniform(47.0, 47.5), lon=rng.uniform(7.8, 8.2)) for _ in range(30)]
    plain = StraightLineTravel(barriers=(river,))
    remembered = RememberedTravel(plain, most_places=20)
    for _ in range(40):  # now and then more than it may keep
        asked = rng.choices(spots, k=rng.randrange(25))
        table, expected = remembered.between(asked), plain.between(asked)
        assert np.array_equal(table.minutes, expected.minutes)
        assert np.array_equal(table.metres, expected.metres)
