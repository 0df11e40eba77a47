"""Boiling water against the release of IAPWS and the package `iapws`."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws.iapws97 import _PSat_T, _TSat_P

from scheduler.steam import (
    ambient_bar,
    boiler_celsius,
    boiler_gauge_bar,
    saturation_bar,
    saturation_celsius,
)


@pytest.mark.parametrize(
    ("kelvin", "megapascal"),
    # IAPWS R7-97(2012), table 35 (500 K from the documentation of `iapws`, the others from memory)
    [(300, 0.353658941e-2), (500, 0.263889776e1), (600, 0.123443146e2)],
)
def test_saturation_pressures_of_table_35(kelvin: float, megapascal: float) -> None:
    assert saturation_bar(kelvin - 273.15) / 10 == pytest.approx(megapascal, rel=2e-9)


@pytest.mark.parametrize(
    ("megapascal", "kelvin"),
    # table 36 (10 MPa from the documentation of `iapws`, the others from memory)
    [(0.1, 0.372755919e3), (1, 0.453035632e3), (10, 0.584149488e3)],
)
def test_saturation_temperatures_of_table_36(megapascal: float, kelvin: float) -> None:
    assert saturation_celsius(10 * megapascal) + 273.15 == pytest.approx(kelvin, abs=5e-7)


@given(st.floats(0.01, 373.9))
def test_the_whole_line_equals_the_package(celsius: float) -> None:
    megapascal = _PSat_T(celsius + 273.15)
    assert saturation_bar(celsius) / 10 == pytest.approx(megapascal, rel=1e-11)
    assert saturation_celsius(10 * megapascal) == pytest.approx(
        _TSat_P(megapascal) - 273.15, abs=1e-9
    )


def test_boilers_at_sea_level() -> None:
    # computed with the package at 101.325 kPa
    gauges = (0.8, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.8, 1.9, 2.0)
    assert [round(boiler_celsius(bar), 2) for bar in gauges] == [
        *(117.14, 120.42, 121.96, 123.44, 124.87, 126.25, 127.59, 131.35, 132.53, 133.68)
    ]
    assert [round(boiler_gauge_bar(celsius), 3) for celsius in (118, 120, 123, 125)] == [
        *(0.851, 0.973, 1.170, 1.309)
    ]


def test_a_boiler_under_thin_air_is_cooler() -> None:
    # computed with the package: 1.2 bar gauge under 83.4 kPa is 120.75 °C
    assert saturation_celsius(1.2 + 0.834) == pytest.approx(120.75, abs=0.005)
    assert boiler_celsius(1.2, 1616) == pytest.approx(120.75, abs=0.02)


@pytest.mark.parametrize(
    ("metres", "bar"),
    # ISO 2533 Standard Atmosphere (from memory): 0, 1000, 2000, 5000 and 11,000 m
    [(0, 1.01325), (1000, 0.898746), (2000, 0.794952), (5000, 0.540199), (11_000, 0.226321)],
)
def test_air_pressure_of_the_standard_atmosphere(metres: float, bar: float) -> None:
    assert ambient_bar(metres) == pytest.approx(bar, rel=3e-4)
