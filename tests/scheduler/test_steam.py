"""Limits and consistency of the boiling line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.steam import ambient_bar, boiler_celsius, boiler_gauge_bar, saturation_bar
from scheduler.steam import saturation_celsius as boils_at


@given(st.floats(0.1, 16), st.floats(0, 4000))
def test_gauge_and_temperature_belong_to_each_other(bar: float, altitude: float) -> None:
    assert boiler_gauge_bar(boiler_celsius(bar, altitude), altitude) == pytest.approx(bar, abs=1e-6)


@given(st.floats(1, 370), st.floats(0.01, 3))
def test_hotter_water_needs_more_pressure(celsius: float, more: float) -> None:
    assert saturation_bar(celsius) < saturation_bar(celsius + more)


def test_temperatures_and_pressures_off_the_line_are_refused() -> None:
    with pytest.raises(InvalidInput, match=r"between 0 and 373\.9 °C, got -5"):
        saturation_bar(-5)
    with pytest.raises(InvalidInput, match=r"between 0\.00611 and 220\.64 bar, got 300"):
        boils_at(300)
    with pytest.raises(InvalidInput, match=r"altitude_metres must be in -500\.\.11000, got 12000"):
        ambient_bar(12_000)
    with pytest.raises(InvalidInput, match="got nan"):
        saturation_bar(float("nan"))
