"""How long parts of the demo company last before they fail: Weibull lives, invented.

The scale of a life is a multiple of the days between two planned renewals of the part at the
machine's duty, so that hard-worked machines fail sooner. A shape near 1 fails by chance at any age,
a large one wears out at much the same age. Parts that are not listed never fail in the demo.
"""

from dataclasses import dataclass
from math import log
from random import Random


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """The Weibull life of a part: ``shape``, and ``scale`` in planned intervals."""

    shape: float
    scale: float


LIVES = {
    "steam_safety_valve": Life(shape=1.8, scale=4.0),
    "vacuum_relief_valve": Life(shape=2.2, scale=2.6),
    "steam_valve": Life(shape=2.4, scale=2.5),
    "steam_wand": Life(shape=1.5, scale=3.0),
    "pressure_switch": Life(shape=1.3, scale=2.2),
    "heating_contactor": Life(shape=3.2, scale=1.3),
    "sight_glass_tube": Life(shape=3.0, scale=1.6),
    "level_probe": Life(shape=1.6, scale=1.9),
    "steam_element": Life(shape=2.0, scale=2.4),
    "expansion_valve": Life(shape=2.0, scale=1.8),
    "brew_valve": Life(shape=2.6, scale=2.2),
    "brew_check_valve": Life(shape=1.9, scale=1.7),
    "mechanical_thermostat": Life(shape=2.0, scale=1.4),
    "exchanger_seal_set": Life(shape=2.5, scale=2.0),
    "group_gasket": Life(shape=3.2, scale=2.6),
    "group_screen": Life(shape=2.5, scale=4.2),
    "flow_meter": Life(shape=1.7, scale=2.2),
    "board_fan": Life(shape=1.6, scale=2.0),
    "hot_water_valve": Life(shape=2.2, scale=2.8),
    "rotary_pump": Life(shape=2.4, scale=1.6),
    "grinder_capacitor": Life(shape=1.2, scale=1.8),
    "membrane": Life(shape=2.2, scale=2.0),
}


def days_left(life: Life, usual_days: float, age_days: float, rng: Random) -> float:
    """Draw the days until failure of a part that has come to ``age_days`` unharmed.

    By inversion of the conditional survivor function exp((a/s)^k - (t/s)^k) of a Weibull life.
    """
    scale = life.scale * usual_days
    hazard = (age_days / scale) ** life.shape - log(1.0 - rng.random())
    return scale * float(hazard ** (1.0 / life.shape)) - age_days
