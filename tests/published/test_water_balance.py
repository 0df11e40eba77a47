"""The Langelier index against published worked examples."""

import pytest

from scheduler.water import HardnessUnit, convert_hardness
from scheduler.water_balance import WaterAnalysis, saturation_index, saturation_ph


def water(
    *, ph: float, calcium_mg_l: float, alkalinity_mg_l: float, **more: float
) -> WaterAnalysis:
    hardness = convert_hardness(
        calcium_mg_l, HardnessUnit.MILLIGRAMS_PER_LITRE, HardnessUnit.GERMAN_DEGREE
    )
    return WaterAnalysis(hardness_dh=hardness, ph=ph, alkalinity_mg_l=alkalinity_mg_l, **more)


@pytest.mark.parametrize(
    ("celsius", "printed", "computed"),
    # corrosion-doctors.org, "Langelier Saturation Index", its example: pH 7.5, TDS 320, calcium 150
    # and alkalinity 34 mg/L as CaCO3; saturation pH and index printed to one decimal (found), and
    # computed to two
    [(25, (8.2, -0.7), (8.23, -0.73)), (82, (7.2, 0.3), (7.23, 0.27))],
)
def test_example_of_corrosion_doctors(
    celsius: float, printed: tuple[float, float], computed: tuple[float, float]
) -> None:
    example = water(ph=7.5, calcium_mg_l=150, alkalinity_mg_l=34, solids_mg_l=320)
    found = saturation_ph(example, celsius), saturation_index(example, celsius)
    assert found == pytest.approx(printed, abs=0.05)
    assert found == pytest.approx(computed, abs=0.005)


@pytest.mark.parametrize(
    ("alkalinity", "ph", "calcium", "fahrenheit", "printed"),
    # sample problems for pool operators (pooloperationmanagement.com, found): alkalinity, pH,
    # calcium hardness and temperature; index -0.9, +0.2, +1.1. Theirs is the sum of pH and three
    # factors from a table, each rounded to one decimal, less 12.1 for any amount of solids: three
    # roundings of 0.05 are the tolerance
    [(50, 7.0, 200, 76, -0.9), (75, 7.6, 300, 84, 0.2), (150, 8.0, 400, 94, 1.1)],
)
def test_sample_problems_by_factor_table(
    alkalinity: float, ph: float, calcium: float, fahrenheit: float, printed: float
) -> None:
    sample = water(ph=ph, calcium_mg_l=calcium, alkalinity_mg_l=alkalinity)
    assert saturation_index(sample, (fahrenheit - 32) / 1.8) == pytest.approx(printed, abs=0.15)


@pytest.mark.parametrize(
    ("value", "factor"),
    # the same table: the factor of 50 mg/L of calcium is 1.3, of 100 1.6, of 200 1.9, of 400 2.2,
    # of 800 2.5 (found): how much the index rises from one to the next
    [(100, 0.3), (200, 0.6), (400, 0.9), (800, 1.2)],
)
def test_steps_of_the_factor_table(value: float, factor: float) -> None:
    def index(calcium: float) -> float:
        return saturation_index(water(ph=7, calcium_mg_l=calcium, alkalinity_mg_l=100), 25)

    assert index(value) - index(50) == pytest.approx(factor, abs=0.05)
