"""What water does to a boiler, and what to do about it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.water_balance import (
    BALANCED,
    Cartridge,
    Tendency,
    WaterAnalysis,
    advise_water,
    saturation_index,
    tendency,
)

HARD = WaterAnalysis(hardness_dh=15, ph=7.3, alkalinity_mg_l=260)
BOILER = 127.0


def test_hot_water_leaves_more_scale_than_cold() -> None:
    assert saturation_index(HARD, BOILER) > saturation_index(HARD, 60) > saturation_index(HARD, 10)


@pytest.mark.parametrize(
    ("index", "expected"),
    [
        (0.51, Tendency.SCALE_FORMING),
        (0.5, Tendency.BALANCED),
        (-0.5, Tendency.BALANCED),
        (-0.51, Tendency.CORROSIVE),
    ],
)
def test_half_a_unit_either_way_is_balanced(index: float, expected: Tendency) -> None:
    assert tendency(index) is expected


def test_hard_water_with_much_alkalinity_is_decarbonised() -> None:
    # 260 mg/L are 14.6 °dH: a decarbonising cartridge can leave 0.4. With 3.2 left the alkalinity
    # is 260 - 11.8 * 17.85 = 50; by the formula 9.3 + 0.148 + 0.411 - (1.36 + 1.69) = 6.8, which
    # is 0.5 below the pH
    advice = advise_water(HARD, BOILER, low=3, high=6)
    assert advice.cartridge is Cartridge.DECARBONISING
    assert advice.leave_dh == pytest.approx(3.2, abs=0.05)
    assert advice.index_treated == pytest.approx(BALANCED)
    assert advice.because == (
        "Langelier index +1.9 at 127 °C: scale-forming. Fit a decarbonising cartridge and set its "
        "bypass so that 3.2 °dH are left (index +0.5)."
    )


def test_hard_water_with_little_alkalinity_is_softened() -> None:
    # 150 mg/L are 8.4 °dH: a decarbonising cartridge could not bring 15 °dH below 6.6
    advice = advise_water(replace(HARD, alkalinity_mg_l=150), BOILER, low=3, high=6)
    assert (advice.cartridge, advice.leave_dh) == (Cartridge.SOFTENING, 3)
    assert advice.because.endswith("look into the boiler when it is open anyway.")


def test_soft_sour_water_is_corrosive_and_gets_no_cartridge_that_sours_it() -> None:
    advice = advise_water(
        WaterAnalysis(hardness_dh=0.5, ph=6.5, alkalinity_mg_l=10), BOILER, low=3, high=6
    )
    assert (advice.tendency, advice.cartridge) == (Tendency.CORROSIVE, None)
    assert "take no decarbonising one" in advice.because


def test_balanced_water_is_left_alone() -> None:
    good = WaterAnalysis(hardness_dh=4, ph=7.0, alkalinity_mg_l=60)
    advice = advise_water(good, BOILER, low=3, high=6)
    assert (advice.tendency, advice.leave_dh) == (Tendency.BALANCED, None)
    assert advice.because == (
        "Langelier index +0.4 at 127 °C: balanced. Leave the bypass as it is; a filter against "
        "dirt and taste is enough."
    )


def test_magnesium_makes_no_chalk() -> None:
    less = replace(HARD, calcium_dh=7.5)
    assert saturation_index(HARD, 80) - saturation_index(less, 80) == pytest.approx(0.301, abs=1e-3)


@given(st.floats(0, 60), st.floats(5, 10), st.floats(0, 1000), st.floats(100, 130))
def test_treatment_stays_within_what_a_cartridge_can_do(
    hardness_dh: float, ph: float, alkalinity: float, celsius: float
) -> None:
    water = WaterAnalysis(hardness_dh=hardness_dh, ph=ph, alkalinity_mg_l=alkalinity)
    advice = advise_water(water, celsius, low=3, high=6)
    assert (advice.cartridge is None) == (advice.leave_dh is None)
    if advice.leave_dh is not None and advice.index_treated is not None:
        assert 3 <= advice.leave_dh <= min(6, hardness_dh)
        assert advice.index_treated <= advice.index + 1e-9
        if advice.cartridge is Cartridge.DECARBONISING:
            assert hardness_dh - advice.leave_dh <= alkalinity / 17.8 + 1e-6


def test_impossible_water_is_refused() -> None:
    with pytest.raises(InvalidInput, match="ph must be between 0 and 14, got 70"):
        replace(HARD, ph=70)
    with pytest.raises(InvalidInput, match="alkalinity_mg_l must be >= 0, got -1"):
        replace(HARD, alkalinity_mg_l=-1)
    with pytest.raises(InvalidInput, match="solids_mg_l must be > 0"):
        replace(HARD, solids_mg_l=0)
    with pytest.raises(InvalidInput, match="from 0 to 150 °C, got 200"):
        saturation_index(HARD, 200)
    with pytest.raises(InvalidInput, match="needs a range above 0"):
        advise_water(HARD, 120, low=6, high=3)
