"""What a pattern of pressures at a machine means.

The patterns are common practice of the trade, no source; the boiler's temperature is the steam
table's. Everything here is read on a machine that is hot and under pressure: read gauges, open
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from scheduler.catalogue import SetPoint
from scheduler.errors import InvalidInput
from scheduler.readings import Verdict
from scheduler.steam import boiler_celsius, boiler_gauge_bar

# common practice, no source
_NO_RISE_BAR = 0.5  # a needle that moves less than this through a reheat stands still
_WIDEST_SWITCHING_BAR = 0.3
_GAUGE_AND_PROBE_CELSIUS = 2.0

_FREEZING_CELSIUS = 0.01  # where the steam table begins


class Meaning(StrEnum):
    """What is behind a pattern."""

    AS_IT_SHOULD_BE = "as_it_should_be"
    CHECK_VALVE_LEAKS_BACK = "check_valve_leaks_back"
    BREW_VALVE_LEAKS = "brew_valve_leaks"
    BREW_VALVE_OPENS_EARLY = "brew_valve_opens_early"
    EXPANSION_VALVE_LEAKS = "expansion_valve_leaks"
    EXPANSION_VALVE_SET_LOW = "expansion_valve_set_low"
    EXPANSION_VALVE_SET_HIGH = "expansion_valve_set_high"
    SWITCH_REACTS_LATE = "switch_reacts_late"
    AIR_IN_BOILER = "air_in_boiler"
    GAUGE_OR_PROBE_WRONG = "gauge_or_probe_wrong"
    OVER_PRESSURE = "over_pressure"
    STEAM_PRESSURE_HIGH = "steam_pressure_high"
    STEAM_PRESSURE_LOW = "steam_pressure_low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A pattern with its meaning, the verdict and what to do, in one sentence."""

    meaning: Meaning
    verdict: Verdict
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reheat:
    """What was seen while the brew boiler heated up from cold, nothing being drawn.

    ``expansion_drips`` and ``brew_valve_drips`` say what let water out first; at most one did.
    """

    line_bar: float
    highest_bar: float
    expansion_drips: bool
    brew_valve_drips: bool

    def __post_init__(self) -> None:
        if not (self.line_bar >= 0 and self.highest_bar >= 0):
            raise InvalidInput(
                f"pressures must be >= 0, got {self.line_bar} and {self.highest_bar} bar"
            )
        if self.expansion_drips and self.brew_valve_drips:
            raise InvalidInput("say which dripped first: the expansion valve or a brew valve")


def read_reheat(reheat: Reheat, expansion: SetPoint) -> Pattern:
    """Return what a reheat means; ``expansion`` is the range in which the rise has to stop.

    Heated water must expand: brew pressure climbs until the expansion valve lets go. If it does not
    climb, the water goes somewhere else: out by a leaking valve, or back into the supply.
    """
    highest = f"{reheat.highest_bar:g} bar"
    if expansion.stop_above is not None and reheat.highest_bar > expansion.stop_above:
        return Pattern(
            meaning=Meaning.EXPANSION_VALVE_SET_HIGH,
            verdict=Verdict.STOP_AND_MAKE_SAFE,
            because=f"Brew pressure climbed to {highest}, above {expansion.stop_above:g}: switch "
            "off, let it cool, free or replace the expansion valve.",
        )
    if reheat.highest_bar < reheat.line_bar + _NO_RISE_BAR:
        meaning, because = _flat(reheat)
        return Pattern(meaning=meaning, verdict=Verdict.ADJUST, because=because)
    if reheat.brew_valve_drips:
        return Pattern(
            meaning=Meaning.BREW_VALVE_OPENS_EARLY,
            verdict=Verdict.ADJUST,
            because=f"A brew valve opened at {highest}, before the expansion valve did: "
            "it is worn, rebuild it.",
        )
    if reheat.highest_bar > expansion.high:
        return Pattern(
            meaning=Meaning.EXPANSION_VALVE_SET_HIGH,
            verdict=Verdict.ADJUST,
            because=f"Brew pressure climbed to {highest}: screw the expansion valve out until it "
            f"stops at {expansion.low:g} to {expansion.high:g}.",
        )
    if reheat.highest_bar < expansion.low:
        return Pattern(
            meaning=Meaning.EXPANSION_VALVE_SET_LOW,
            verdict=Verdict.ADJUST,
            because=f"Brew pressure stopped at {highest}: screw the expansion valve in until it "
            f"stops at {expansion.low:g} to {expansion.high:g}; if it will not, it is worn.",
        )
    return Pattern(
        meaning=Meaning.AS_IT_SHOULD_BE,
        verdict=Verdict.OK,
        because=f"Brew pressure climbed to {highest} and stopped, as it should.",
    )


def _flat(reheat: Reheat) -> tuple[Meaning, str]:
    stayed = f"Brew pressure stayed at line pressure ({reheat.line_bar:g} bar) through the reheat"
    if reheat.brew_valve_drips:
        return Meaning.BREW_VALVE_LEAKS, f"{stayed} and a brew valve drips: rebuild it."
    if reheat.expansion_drips:
        return (
            Meaning.EXPANSION_VALVE_LEAKS,
            f"{stayed} and the expansion valve drips: clean its seat or replace it.",
        )
    return (
        Meaning.CHECK_VALVE_LEAKS_BACK,
        f"{stayed} and nothing drips: the check valve lets water back, replace it.",
    )


def read_switching(*, off_at_bar: float, on_at_bar: float, steam: SetPoint) -> Pattern:
    """Return what the pressures mean at which the heating goes off and comes on again.

    A scaled connection makes the switch late both ways, so the two lie far apart. ``steam`` is the
    range of the boiler: beyond its stop limit nothing else matters.
    """
    if not off_at_bar > on_at_bar >= 0:
        raise InvalidInput(
            f"the heating goes off above where it comes on, got {off_at_bar} and {on_at_bar} bar"
        )
    if steam.stop_above is not None and off_at_bar > steam.stop_above:
        return _over_pressure(f"The heating goes off at {off_at_bar:g} bar only", steam.stop_above)
    apart = off_at_bar - on_at_bar
    if apart > _WIDEST_SWITCHING_BAR:
        return Pattern(
            meaning=Meaning.SWITCH_REACTS_LATE,
            verdict=Verdict.ADJUST,
            because=f"The heating goes off at {off_at_bar:g} and on at {on_at_bar:g} bar, "
            f"{apart:.2g} apart: with the boiler cold and at zero pressure, uncap and clear the "
            "connection of the pressure switch.",
        )
    wanted = f"{steam.low:g} to {steam.high:g} bar"
    if off_at_bar > steam.high:
        return Pattern(
            meaning=Meaning.STEAM_PRESSURE_HIGH,
            verdict=Verdict.ADJUST,
            because=f"The heating goes off at {off_at_bar:g} bar, above {wanted}: set the pressure "
            "control lower; if it does not hold, renew it, and look at the safety valve.",
        )
    if off_at_bar < steam.low:
        return Pattern(
            meaning=Meaning.STEAM_PRESSURE_LOW,
            verdict=Verdict.ADJUST,
            because=f"The heating goes off at {off_at_bar:g} bar, below {wanted}: compare the "
            "gauge, then set the pressure control within the rating plate.",
        )
    return Pattern(
        meaning=Meaning.AS_IT_SHOULD_BE,
        verdict=Verdict.OK,
        because=f"The heating switches within {apart:.2g} bar, as it should.",
    )


def _over_pressure(said: str, stop_above: float) -> Pattern:
    return Pattern(
        meaning=Meaning.OVER_PRESSURE,
        verdict=Verdict.STOP_AND_MAKE_SAFE,
        because=f"{said}, above {stop_above:g}: switch off, let it cool, open nothing. The "
        "pressure control has failed and the safety valve has not held it: see to both, with the "
        "boiler cold and at zero pressure, before it heats again. Never plug or re-set a safety "
        "valve.",
    )


def read_boiler(
    *, gauge_bar: float, celsius: float, altitude_metres: float, steam: SetPoint
) -> Pattern:
    """Return whether a boiler's gauge and its temperature belong together at the site's altitude.

    Air left in the boiler adds to the pressure, so the water is cooler than the gauge says; water
    hotter than the gauge says cannot be, so then an instrument is wrong. Whichever of the two says
    more counts against the stop limit of ``steam``.
    """
    by_heat = boiler_gauge_bar(celsius, altitude_metres) if celsius > _FREEZING_CELSIUS else 0.0
    if steam.stop_above is not None and max(gauge_bar, by_heat) > steam.stop_above:
        said = f"The gauge shows {gauge_bar:g} bar"
        if by_heat > steam.stop_above >= gauge_bar:
            said += f", but at {celsius:g} °C the boiler holds {by_heat:.2g} bar"
        return _over_pressure(said, steam.stop_above)
    expected = boiler_celsius(gauge_bar, altitude_metres)
    said = f"At {gauge_bar:g} bar the boiler should be at {expected:.1f} °C"
    if celsius < expected - _GAUGE_AND_PROBE_CELSIUS:
        return Pattern(
            meaning=Meaning.AIR_IN_BOILER,
            verdict=Verdict.ADJUST,
            because=f"{said} and is at {celsius:g}: air is left in it; look whether the vacuum "
            "relief valve lets it out while heating, then whether gauge and probe are right.",
        )
    if celsius > expected + _GAUGE_AND_PROBE_CELSIUS:
        return Pattern(
            meaning=Meaning.GAUGE_OR_PROBE_WRONG,
            verdict=Verdict.ADJUST,
            because=f"{said} and reads {celsius:g}: the gauge reads low or the probe high; trust "
            "neither until they are checked, the true pressure may be higher.",
        )
    return Pattern(
        meaning=Meaning.AS_IT_SHOULD_BE,
        verdict=Verdict.OK,
        because=f"{said} and is at {celsius:g}: gauge and temperature agree.",
    )
