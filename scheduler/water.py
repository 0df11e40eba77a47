"""How hard the water is, and how many litres a treatment cartridge lasts in it."""

from enum import StrEnum

from scheduler.errors import InvalidInput


class HardnessUnit(StrEnum):
    """A unit of total hardness, with its symbol."""

    GERMAN_DEGREE = "°dH"
    FRENCH_DEGREE = "°fH"
    ENGLISH_DEGREE = "°e"
    GRAINS_PER_US_GALLON = "gpg"
    MILLIGRAMS_PER_LITRE = "mg/L CaCO3"


# 1 °dH is 10 mg/L of CaO, which is 10 x 100.086 / 56.077 mg/L of CaCO3 by molar masses; 1 °fH is
# 10 mg/L; 1 °e is a grain (64.79891 mg) per imperial gallon (4.54609 L); gpg is a grain per US
# gallon (3.785411784 L). The three last are exact by definition.
MILLIGRAMS_PER_LITRE: dict[HardnessUnit, float] = {
    HardnessUnit.GERMAN_DEGREE: 10 * 100.086 / 56.077,
    HardnessUnit.FRENCH_DEGREE: 10.0,
    HardnessUnit.ENGLISH_DEGREE: 64.79891 / 4.54609,
    HardnessUnit.GRAINS_PER_US_GALLON: 64.79891 / 3.785411784,
    HardnessUnit.MILLIGRAMS_PER_LITRE: 1.0,
}


_UNITS = {unit.casefold(): unit for unit in HardnessUnit}


def convert_hardness(value: float, unit: HardnessUnit, to: HardnessUnit) -> float:
    """Return a hardness in another unit.

    Raises
    ------
    InvalidInput
        When ``value`` is negative.
    """
    if not value >= 0:
        raise InvalidInput(f"hardness must be >= 0, got {value} {unit}")
    return value * MILLIGRAMS_PER_LITRE[unit] / MILLIGRAMS_PER_LITRE[to]


def german_degrees(written: str) -> float:
    """Return a hardness written with its unit, "12 gpg", in °dH; without one it is in °dH.

    Raises
    ------
    InvalidInput
        When it is no number, negative, or of an unknown unit.
    """
    number, _, symbol = written.strip().partition(" ")
    try:
        value = float(number)
        unit = _UNITS[symbol.strip().casefold()] if symbol else HardnessUnit.GERMAN_DEGREE
    except (ValueError, KeyError):
        raise InvalidInput(
            'write a hardness as a number of °dH, or with its unit as in "12 gpg", '
            f"got {written!r}; the units are {', '.join(HardnessUnit)}"
        ) from None
    return convert_hardness(value, unit, HardnessUnit.GERMAN_DEGREE)


def litres_until_spent(
    capacity_dh_litres: float, *, hardness_dh: float, left_dh: float
) -> float | None:
    """Return the litres of water a cartridge treats before it is spent.

    Parameters
    ----------
    capacity_dh_litres : litres times degrees of German hardness the cartridge can take out.
    hardness_dh, left_dh : hardness of the supply and of the blend behind the bypass, in °dH.

    Returns
    -------
    ``capacity / (hardness - left)``; None when the supply is no harder than the blend, so that
    nothing has to be taken out.
    """
    taken_out = hardness_dh - left_dh
    return capacity_dh_litres / taken_out if taken_out > 0 else None
