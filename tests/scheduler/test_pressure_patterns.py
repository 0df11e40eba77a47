"""What patterns of pressure mean."""

import pytest

from scheduler.catalogue import SetPoint
from scheduler.errors import InvalidInput
from scheduler.pressure_patterns import (
    Meaning,
    Reheat,
    read_boiler,
    read_reheat,
    read_switching,
)
from scheduler.readings import Verdict

EXPANSION = SetPoint(
    id="expansion",
    name="Highest brew pressure during the reheat",
    unit="bar",
    low=12,
    high=13,
    stop_above=14,
    source="invented for the tests",
)


STEAM = SetPoint(
    id="steam",
    name="Steam boiler pressure",
    unit="bar",
    low=0.9,
    high=1.3,
    stop_above=1.8,
    source="invented for the tests",
)


def reheat(
    highest: float, *, expansion_drips: bool = False, brew_valve_drips: bool = False
) -> tuple[Meaning, Verdict]:
    seen = Reheat(
        line_bar=4,
        highest_bar=highest,
        expansion_drips=expansion_drips,
        brew_valve_drips=brew_valve_drips,
    )
    pattern = read_reheat(seen, EXPANSION)
    return pattern.meaning, pattern.verdict


def test_a_rise_that_stops_in_its_range_is_right() -> None:
    for highest in (12, 12.5, 13):
        assert reheat(highest, expansion_drips=True) == (Meaning.AS_IT_SHOULD_BE, Verdict.OK)


@pytest.mark.parametrize(
    ("expansion_drips", "brew_valve_drips", "meaning"),
    [
        (False, False, Meaning.CHECK_VALVE_LEAKS_BACK),
        (True, False, Meaning.EXPANSION_VALVE_LEAKS),
        (False, True, Meaning.BREW_VALVE_LEAKS),
    ],
)
def test_pressure_that_stays_at_line_pressure(
    expansion_drips: bool, brew_valve_drips: bool, meaning: Meaning
) -> None:
    for highest in (4.0, 4.4):
        assert reheat(
            highest, expansion_drips=expansion_drips, brew_valve_drips=brew_valve_drips
        ) == (meaning, Verdict.ADJUST)


def test_a_worn_brew_valve_opens_before_the_expansion_valve() -> None:
    assert reheat(12, brew_valve_drips=True) == (Meaning.BREW_VALVE_OPENS_EARLY, Verdict.ADJUST)


def test_an_expansion_valve_set_wrong() -> None:
    assert reheat(10, expansion_drips=True) == (Meaning.EXPANSION_VALVE_SET_LOW, Verdict.ADJUST)
    assert reheat(13.5) == (Meaning.EXPANSION_VALVE_SET_HIGH, Verdict.ADJUST)
    assert reheat(14.5) == (Meaning.EXPANSION_VALVE_SET_HIGH, Verdict.STOP_AND_MAKE_SAFE)


def test_too_much_pressure_stops_the_machine_whatever_drips() -> None:
    assert reheat(14.5, brew_valve_drips=True)[1] is Verdict.STOP_AND_MAKE_SAFE


def test_a_switch_with_a_scaled_connection_is_late_both_ways() -> None:
    late = read_switching(off_at_bar=1.25, on_at_bar=0.8, steam=STEAM)
    assert late.meaning is Meaning.SWITCH_REACTS_LATE
    assert "with the boiler cold and at zero pressure" in late.because
    right = read_switching(off_at_bar=1.05, on_at_bar=0.95, steam=STEAM)
    assert right.meaning is Meaning.AS_IT_SHOULD_BE


@pytest.mark.parametrize(
    ("off_at_bar", "meaning", "verdict"),
    [
        (2.1, Meaning.OVER_PRESSURE, Verdict.STOP_AND_MAKE_SAFE),
        (1.5, Meaning.STEAM_PRESSURE_HIGH, Verdict.ADJUST),
        (0.8, Meaning.STEAM_PRESSURE_LOW, Verdict.ADJUST),
    ],
)
def test_a_switch_that_is_quick_at_the_wrong_pressure_is_not_right(
    off_at_bar: float, meaning: Meaning, verdict: Verdict
) -> None:
    pattern = read_switching(off_at_bar=off_at_bar, on_at_bar=off_at_bar - 0.1, steam=STEAM)
    assert (pattern.meaning, pattern.verdict) == (meaning, verdict)


def test_gauge_and_temperature_that_agree_on_too_much_stop_the_machine() -> None:
    # steam table: 2.1 bar gauge is 134.8 °C at sea level
    pattern = read_boiler(gauge_bar=2.1, celsius=134.8, altitude_metres=0, steam=STEAM)
    assert (pattern.meaning, pattern.verdict) == (
        Meaning.OVER_PRESSURE,
        Verdict.STOP_AND_MAKE_SAFE,
    )
    for both in ("pressure control has failed", "safety valve has not held it"):
        assert both in pattern.because


def test_the_temperature_gives_away_a_pressure_that_the_gauge_does_not_show() -> None:
    pattern = read_boiler(gauge_bar=1.2, celsius=134.8, altitude_metres=0, steam=STEAM)
    assert pattern.verdict is Verdict.STOP_AND_MAKE_SAFE
    assert "The gauge shows 1.2 bar, but at 134.8 °C the boiler holds 2.1 bar" in pattern.because


@pytest.mark.parametrize(
    ("celsius", "altitude_metres", "meaning"),
    [
        # steam table: 1.0 bar gauge is 120.4 °C at sea level; at 1500 m, under 0.846 bar of air,
        # 1.846 bar absolute is 117.7 °C
        (120.4, 0, Meaning.AS_IT_SHOULD_BE),
        (117.7, 0, Meaning.AIR_IN_BOILER),
        (117.7, 1500, Meaning.AS_IT_SHOULD_BE),
        (120.4, 1500, Meaning.GAUGE_OR_PROBE_WRONG),
    ],
)
def test_gauge_and_temperature_have_to_agree_at_the_altitude(
    celsius: float, altitude_metres: float, meaning: Meaning
) -> None:
    pattern = read_boiler(
        gauge_bar=1.0, celsius=celsius, altitude_metres=altitude_metres, steam=STEAM
    )
    assert pattern.meaning is meaning
    assert pattern.verdict is (Verdict.OK if meaning is Meaning.AS_IT_SHOULD_BE else Verdict.ADJUST)


def test_contradicting_observations_are_refused() -> None:
    with pytest.raises(InvalidInput, match="say which dripped first"):
        Reheat(line_bar=4, highest_bar=8, expansion_drips=True, brew_valve_drips=True)
    with pytest.raises(InvalidInput, match="pressures must be >= 0"):
        Reheat(line_bar=-1, highest_bar=8, expansion_drips=False, brew_valve_drips=False)
    with pytest.raises(InvalidInput, match="goes off above where it comes on"):
        read_switching(off_at_bar=0.9, on_at_bar=1.0, steam=STEAM)
