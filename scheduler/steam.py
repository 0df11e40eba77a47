"""Boiling water: which temperature belongs to which pressure in a boiler.

Saturation line of IAPWS-IF97, region 4 (IAPWS R7-97(2012), equations 29 to 31), from 0 to 374 °C.
A gauge reads above the air around it, so the air pressure of the site takes part: International
Standard Atmosphere (ISO 2533), good to a few hundred pascals of weather.
"""

from __future__ import annotations

from math import sqrt

from scheduler.errors import InvalidInput

SEA_LEVEL_BAR = 1.01325

_ZERO_CELSIUS_KELVIN = 273.15
_LOWEST_KELVIN, _HIGHEST_KELVIN = 273.15, 647.096
_LOWEST_BAR, _HIGHEST_BAR = 0.00611213, 220.64
# the ten numbers of table 34
_N = (
    *(0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5),
    *(-0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6),
    *(-0.23855557567849, 0.65017534844798e3),
)


def saturation_bar(celsius: float) -> float:
    """Return the absolute pressure, in bar, at which water boils at a temperature."""
    kelvin = celsius + _ZERO_CELSIUS_KELVIN
    if not _LOWEST_KELVIN <= kelvin <= _HIGHEST_KELVIN:
        raise InvalidInput(f"water boils between 0 and 373.9 °C, got {celsius}")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    theta = kelvin + n9 / (kelvin - n10)
    a = theta**2 + n1 * theta + n2
    b = n3 * theta**2 + n4 * theta + n5
    c = n6 * theta**2 + n7 * theta + n8
    fourth_root = 2 * c / (-b + sqrt(b**2 - 4 * a * c))
    return float(10 * fourth_root**4)


def saturation_celsius(absolute_bar: float) -> float:
    """Return the temperature at which water boils under an absolute pressure, in bar."""
    if not _LOWEST_BAR <= absolute_bar <= _HIGHEST_BAR:
        raise InvalidInput(f"water boils between 0.00611 and 220.64 bar, got {absolute_bar}")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = (absolute_bar / 10) ** 0.25
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2 * g / (-f - sqrt(f**2 - 4 * e * g))
    kelvin = (n10 + d - sqrt((n10 + d) ** 2 - 4 * (n9 + n10 * d))) / 2
    return float(kelvin - _ZERO_CELSIUS_KELVIN)


def ambient_bar(altitude_metres: float) -> float:
    """Return the usual air pressure at an altitude, in bar, up to 11 km."""
    if not -500 <= altitude_metres <= 11_000:
        raise InvalidInput(f"altitude_metres must be in -500..11000, got {altitude_metres}")
    return float(SEA_LEVEL_BAR * (1 - 2.25577e-5 * altitude_metres) ** 5.25588)


def boiler_celsius(gauge_bar: float, altitude_metres: float = 0.0) -> float:
    """Return the temperature of a boiler full of water and steam from its gauge.

    It holds only when no air is left in the boiler; air makes it cooler than the gauge says.
    """
    return saturation_celsius(gauge_bar + ambient_bar(altitude_metres))


def boiler_gauge_bar(celsius: float, altitude_metres: float = 0.0) -> float:
    """Return what the gauge of a boiler shows at a temperature, no air in it."""
    return saturation_bar(celsius) - ambient_bar(altitude_metres)
