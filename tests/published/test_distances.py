"""Great circles against published distances and the geodesics of the ellipsoid."""

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import assume, given
from hypothesis import strategies as st

from scheduler.places import MEAN_EARTH_RADIUS_METRES, Coordinates, as_array, great_circle_metres

STATUTE_MILE_METRES = 1609.344


def metres(lat_1: float, lon_1: float, lat_2: float, lon_2: float) -> float:
    origin, target = Coordinates(lat=lat_1, lon=lon_1), Coordinates(lat=lat_2, lon=lon_2)
    return float(great_circle_metres(as_array([origin]), as_array([target]))[0, 0])


def test_mean_radius_is_that_of_the_iugg() -> None:
    # (2a + b) / 3 of GRS 80: a = 6378137 m, b = 6356752.3141 m
    assert pytest.approx((2 * 6378137 + 6356752.3141) / 3, abs=0.1) == MEAN_EARTH_RADIUS_METRES


def test_published_great_circles() -> None:
    # geopy's documentation of great_circle: Newport RI to Cleveland OH, 536.997990696 miles
    newport_cleveland = metres(41.49008, -71.312796, 41.499498, -81.695391)
    assert newport_cleveland == pytest.approx(536.997990696 * STATUTE_MILE_METRES, abs=1.0)
    # Rosetta Code, haversine: BNA to LAX 2887.25995 km on a radius of 6372.8 km (from memory)
    bna_lax = metres(36.12, -86.67, 33.94, -118.40) * 6372.8e3 / MEAN_EARTH_RADIUS_METRES
    assert bna_lax == pytest.approx(2_887_259.95, abs=0.1)
    # scikit-learn's haversine_distances: Ezeiza to Paris CDG 11099.54 km on 6371 km (from memory)
    ezeiza_cdg = metres(-34.83333, -58.5166646, 49.0083899664, 2.53844117956)
    assert ezeiza_cdg * 6371e3 / MEAN_EARTH_RADIUS_METRES == pytest.approx(11_099_540, abs=10)


@pytest.mark.parametrize(
    ("lat_1", "lon_1", "lat_2", "lon_2", "geodesic_metres"),
    [
        # geographiclib's documentation: Wellington to Salamanca
        (-41.32, 174.81, 40.96, -5.50, 19959679.26735382),
        # Karney's test cases, as shipped with geographiclib
        (35.60777, -139.44815, -11.17491, -69.95921, 8935244.56048183),
        # GDA Technical Manual: Flinders Peak to Buninyong (numbers from memory)
        (-37.95103341666667, 144.42486788888889, -37.65282113888889, 143.92649552777777, 54972.271),
    ],
)
def test_sphere_is_within_half_a_percent_of_published_geodesics(
    lat_1: float, lon_1: float, lat_2: float, lon_2: float, geodesic_metres: float
) -> None:
    assert metres(lat_1, lon_1, lat_2, lon_2) == pytest.approx(geodesic_metres, rel=0.0056)


degrees_lat, degrees_lon = st.floats(-89, 89), st.floats(-180, 180)


@given(degrees_lat, degrees_lon, degrees_lat, degrees_lon)
def test_sphere_is_within_0_56_percent_of_the_ellipsoid(
    lat_1: float, lon_1: float, lat_2: float, lon_2: float
) -> None:
    # 0.56 % is the worst case, along a meridian at the equator (b^2 / a against the mean radius)
    geodesic = Geodesic.WGS84.Inverse(lat_1, lon_1, lat_2, lon_2)["s12"]
    assume(geodesic > 1.0)
    assert metres(lat_1, lon_1, lat_2, lon_2) == pytest.approx(geodesic, rel=0.0057)
