"""Coordinates and great circles."""

import math

import numpy as np
import pytest

from scheduler.errors import InvalidInput
from scheduler.places import MEAN_EARTH_RADIUS_METRES, Coordinates, as_array, great_circle_metres

QUARTER_METRES = math.pi / 2 * MEAN_EARTH_RADIUS_METRES


def test_a_quarter_and_a_half_of_the_globe() -> None:
    north_pole = as_array([Coordinates(lat=90, lon=0)])
    others = as_array([Coordinates(lat=0, lon=77), Coordinates(lat=-90, lon=0)])
    assert great_circle_metres(north_pole, others).tolist() == [
        [pytest.approx(QUARTER_METRES), pytest.approx(2 * QUARTER_METRES)]
    ]


def test_distances_over_the_180th_meridian_are_short() -> None:
    west, east = (
        as_array([Coordinates(lat=0, lon=179.5)]),
        as_array([Coordinates(lat=0, lon=-179.5)]),
    )
    assert great_circle_metres(west, east)[0, 0] == pytest.approx(QUARTER_METRES / 90)


def test_no_places_give_an_empty_array() -> None:
    assert as_array([]).shape == (0, 2)
    assert great_circle_metres(as_array([]), as_array([])).shape == (0, 0)


@pytest.mark.parametrize(("lat", "lon"), [(90.1, 0), (0, -181), (math.nan, 0), (0, math.inf)])
def test_points_off_the_globe_are_refused(lat: float, lon: float) -> None:
    with pytest.raises(InvalidInput, match=r"lat must be in -90\.\.90"):
        Coordinates(lat=lat, lon=lon)


def test_distance_to_itself_is_zero() -> None:
    places = as_array([Coordinates(lat=44.84, lon=-0.58), Coordinates(lat=45.63, lon=-1.03)])
    assert np.diagonal(great_circle_metres(places, places)).tolist() == [0, 0]
