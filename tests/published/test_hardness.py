"""Water hardness units against published factors."""

import pytest

from scheduler.errors import InvalidInput
from scheduler.water import HardnessUnit, convert_hardness, german_degrees, litres_until_spent

# 1 °dH = 17.848 mg/L, 1 °e = 14.254 mg/L, 1 gpg = 17.118 mg/L of CaCO3: conversion tables of
# water chemistry; from atomic masses CaCO3 100.086 and CaO 56.077, and from the definition of the
# grain (64.79891 mg) and the two gallons. 1 °dH = 1.7848 °fH = 1.2522 °e.
FACTORS = [
    (HardnessUnit.GERMAN_DEGREE, HardnessUnit.MILLIGRAMS_PER_LITRE, 17.848),
    (HardnessUnit.FRENCH_DEGREE, HardnessUnit.MILLIGRAMS_PER_LITRE, 10.0),
    (HardnessUnit.ENGLISH_DEGREE, HardnessUnit.MILLIGRAMS_PER_LITRE, 14.2538),
    (HardnessUnit.GRAINS_PER_US_GALLON, HardnessUnit.MILLIGRAMS_PER_LITRE, 17.1181),
    (HardnessUnit.GERMAN_DEGREE, HardnessUnit.FRENCH_DEGREE, 1.7848),
    (HardnessUnit.GERMAN_DEGREE, HardnessUnit.ENGLISH_DEGREE, 1.2522),
]


@pytest.mark.parametrize(("unit", "to", "factor"), FACTORS)
def test_hardness_units_have_their_published_factors(
    unit: HardnessUnit, to: HardnessUnit, factor: float
) -> None:
    assert convert_hardness(1, unit, to) == pytest.approx(factor, rel=5e-5)
    assert convert_hardness(factor, to, unit) == pytest.approx(1, rel=5e-5)


@pytest.mark.parametrize(("unit", "to", "factor"), FACTORS)
def test_a_hardness_may_be_written_in_any_unit(
    unit: HardnessUnit, to: HardnessUnit, factor: float
) -> None:
    assert german_degrees(f"12.5 {unit}") == pytest.approx(
        german_degrees(f"{12.5 * factor} {to}"), rel=5e-5
    )


def test_a_hardness_without_a_unit_is_in_german_degrees() -> None:
    assert german_degrees("9.5") == german_degrees("9.5 °dH") == german_degrees(" 9.5 °DH ") == 9.5


@pytest.mark.parametrize("written", ["12 ppg", "gpg", "", "12gpg", "12 mg/L"])
def test_an_unknown_unit_of_hardness_is_refused_with_those_there_are(written: str) -> None:
    with pytest.raises(InvalidInput, match="the units are °dH, °fH, °e, gpg, mg/L CaCO3"):
        german_degrees(written)


def test_one_german_degree_is_ten_milligrams_of_lime() -> None:
    # DIN 38409-6 defines 1 °dH as 10 mg/L CaO, 0.1783 mmol/L of alkaline earths (from memory).
    millimoles = convert_hardness(1, HardnessUnit.GERMAN_DEGREE, HardnessUnit.MILLIGRAMS_PER_LITRE)
    assert millimoles / 100.086 == pytest.approx(0.17833, rel=5e-5)


def test_a_cartridge_lasts_its_capacity_over_the_degrees_taken_out() -> None:
    # Arithmetic only: 64,000 / (16 - 0) = 4,000 litres, with 4 °dH left 64,000 / 12 = 5,333.
    assert litres_until_spent(64_000, hardness_dh=16, left_dh=0) == 4_000
    assert litres_until_spent(64_000, hardness_dh=16, left_dh=4) == pytest.approx(
        5_333.33, rel=1e-6
    )
    assert litres_until_spent(64_000, hardness_dh=4, left_dh=4) is None


def test_a_negative_hardness_is_refused() -> None:
    with pytest.raises(InvalidInput, match="hardness must be >= 0, got -1 °dH"):
        convert_hardness(-1, HardnessUnit.GERMAN_DEGREE, HardnessUnit.FRENCH_DEGREE)
