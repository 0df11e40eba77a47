"""Whether water leaves scale in a boiler or eats its metal, and what to do about it.

The saturation index of W. F. Langelier, *J. Amer. Water Works Assoc.* 28 (1936) 1500-1521: the
water's pH less the one at which it would neither dissolve chalk nor leave any, here by the usual
approximation to his tables (Carrier 1965, from memory). It was drawn up for water up to the boiling
point; at the 120 to 128 °C of a boiler it is drawn on, so a tendency is told, no rate. It says
nothing of chloride, which pits stainless steel whatever the index.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import log10

from scipy.optimize import brentq

from scheduler.errors import InvalidInput
from scheduler.water import MILLIGRAMS_PER_LITRE, HardnessUnit

BALANCED = 0.5
"""An index this far from 0 either way is balanced (common practice, no source)."""

USUAL_SOLIDS_MG_L = 300.0
"""Dissolved solids taken where nobody measured them; ten times as many lower the index by 0.1."""

_MG_PER_DH = MILLIGRAMS_PER_LITRE[HardnessUnit.GERMAN_DEGREE]
_LEAST_MG_L = 1.0  # less than this no drop test shows, and its logarithm means nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterAnalysis:
    """What a test of the water showed.

    Attributes
    ----------
    hardness_dh, calcium_dh
        Total hardness, and the part of it that is calcium; all of it when None, which errs towards
        scale.
    alkalinity_mg_l
        As CaCO3.
    solids_mg_l
        Total dissolved solids.
    """

    hardness_dh: float
    ph: float
    alkalinity_mg_l: float
    calcium_dh: float | None = None
    solids_mg_l: float = USUAL_SOLIDS_MG_L

    def __post_init__(self) -> None:
        if not 0 < self.ph < 14:
            raise InvalidInput(f"ph must be between 0 and 14, got {self.ph}")
        for name in ("hardness_dh", "alkalinity_mg_l", "calcium_mg_l"):
            if not getattr(self, name) >= 0:
                raise InvalidInput(f"{name} must be >= 0, got {getattr(self, name)}")
        if not self.solids_mg_l > 0:
            raise InvalidInput(f"solids_mg_l must be > 0, got {self.solids_mg_l}")

    @property
    def calcium_mg_l(self) -> float:
        """Calcium hardness as CaCO3."""
        dh = self.hardness_dh if self.calcium_dh is None else self.calcium_dh
        return dh * _MG_PER_DH


def saturation_ph(water: WaterAnalysis, celsius: float) -> float:
    """Return the pH at which the water would be saturated with chalk at a temperature."""
    if not 0 <= celsius <= 150:
        raise InvalidInput(f"the index is reckoned from 0 to 150 °C, got {celsius}")
    solids = (log10(max(water.solids_mg_l, _LEAST_MG_L)) - 1) / 10
    heat = -13.12 * log10(celsius + 273) + 34.55
    calcium = log10(max(water.calcium_mg_l, _LEAST_MG_L)) - 0.4
    alkalinity = log10(max(water.alkalinity_mg_l, _LEAST_MG_L))
    return 9.3 + solids + heat - calcium - alkalinity


def saturation_index(water: WaterAnalysis, celsius: float) -> float:
    """Return the Langelier index: above 0 the water leaves scale, below it dissolves it."""
    return water.ph - saturation_ph(water, celsius)


class Tendency(StrEnum):
    """What water does to a boiler."""

    SCALE_FORMING = "scale_forming"
    BALANCED = "balanced"
    CORROSIVE = "corrosive"


def tendency(index: float) -> Tendency:
    """Return what an index means."""
    if index > BALANCED:
        return Tendency.SCALE_FORMING
    return Tendency.CORROSIVE if index < -BALANCED else Tendency.BALANCED


class Cartridge(StrEnum):
    """What a treatment cartridge takes out."""

    DECARBONISING = "decarbonising"  # hardness together with as much alkalinity
    SOFTENING = "softening"  # hardness alone, for sodium


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterAdvice:
    """What the water of a site does to a boiler, and what to do.

    Attributes
    ----------
    index
        At the temperature of the boiler.
    cartridge, leave_dh
        The kind that suits this water, and the hardness its bypass should leave; None where none
        is needed.
    index_treated
        Then, if the pH stays; a decarbonising cartridge lowers it a little, and the index with it.
    """

    celsius: float
    index: float
    tendency: Tendency
    cartridge: Cartridge | None
    leave_dh: float | None
    index_treated: float | None
    because: str


def advise_water(water: WaterAnalysis, celsius: float, *, low: float, high: float) -> WaterAdvice:
    """Return what water does to a boiler at a temperature, and how to treat it.

    Parameters
    ----------
    low, high
        The range in °dH that treated water is kept in: some hardness is wanted, by level probes
        and by taste.
    """
    if not 0 < low < high:
        raise InvalidInput(f"treated water needs a range above 0 °dH, got {low} to {high}")
    index = saturation_index(water, celsius)
    found = tendency(index)
    said = f"Langelier index {index:+.1f} at {celsius:.0f} °C"
    if found is not Tendency.SCALE_FORMING or water.hardness_dh <= low:
        return WaterAdvice(
            celsius=celsius,
            index=index,
            tendency=found,
            cartridge=None,
            leave_dh=None,
            index_treated=None,
            because=f"{said}: {_left_alone(found, water, low)}",
        )
    cartridge = _kind(water, low)
    lowest = max(low, _least_left(water, cartridge))
    leave = _hardness_in_balance(water, celsius, cartridge, lowest, min(high, water.hardness_dh))
    treated = saturation_index(_treated(water, cartridge, leave), celsius)
    because = (
        f"{said}: scale-forming. Fit a {cartridge} cartridge and set its bypass so that "
        f"{leave:.1f} °dH are left (index {treated:+.1f})."
    )
    if treated > BALANCED + 0.05:
        because += " Some scale still comes: look into the boiler when it is open anyway."
    return WaterAdvice(
        celsius=celsius,
        index=index,
        tendency=found,
        cartridge=cartridge,
        leave_dh=leave,
        index_treated=treated,
        because=because,
    )


def _left_alone(found: Tendency, water: WaterAnalysis, low: float) -> str:
    if found is Tendency.CORROSIVE:
        return (
            f"corrosive. Bring it up to at least {low:g} °dH by opening a bypass or by a cartridge "
            "that adds minerals, and take no decarbonising one: it lowers the pH further."
        )
    if found is Tendency.BALANCED:
        return "balanced. Leave the bypass as it is; a filter against dirt and taste is enough."
    return (
        f"some scale in spite of only {water.hardness_dh:g} °dH, which is soft enough: look into "
        "the boiler when it is open anyway."
    )


def _kind(water: WaterAnalysis, low: float) -> Cartridge:
    """Decarbonising where it can do enough: it takes out no more than the alkalinity."""
    enough = _least_left(water, Cartridge.DECARBONISING) <= low
    return Cartridge.DECARBONISING if enough else Cartridge.SOFTENING


def _least_left(water: WaterAnalysis, cartridge: Cartridge) -> float:
    if cartridge is Cartridge.SOFTENING:
        return 0.0
    return max(0.0, water.hardness_dh - water.alkalinity_mg_l / _MG_PER_DH)


def _treated(water: WaterAnalysis, cartridge: Cartridge, leave_dh: float) -> WaterAnalysis:
    """Water behind a cartridge; calcium and magnesium are taken out alike."""
    share = leave_dh / water.hardness_dh
    taken = (water.hardness_dh - leave_dh) * _MG_PER_DH
    alkalinity = water.alkalinity_mg_l
    if cartridge is Cartridge.DECARBONISING:
        alkalinity = max(0.0, alkalinity - taken)
    return replace(
        water,
        hardness_dh=leave_dh,
        calcium_dh=None if water.calcium_dh is None else share * water.calcium_dh,
        alkalinity_mg_l=alkalinity,
    )


def _hardness_in_balance(
    water: WaterAnalysis, celsius: float, cartridge: Cartridge, low: float, high: float
) -> float:
    """Return the most hardness from ``low`` to ``high`` that is balanced, ``low`` if none is."""

    def excess(leave_dh: float) -> float:
        return saturation_index(_treated(water, cartridge, leave_dh), celsius) - BALANCED

    if low >= high or excess(low) >= 0:
        return low
    return high if excess(high) <= 0 else float(brentq(excess, low, high, xtol=1e-6))
