"""Random numbers: splitmix64 (Steele, Lea, Flood, OOPSLA 2014), its state inside the search.

numba's own generator is global to a thread, so a seeded search could not be repeated with it.
"""

import numpy as np

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.layout import Search

_TO_UNIT = 2.0**-53


@compiled
def uniform(search: Search) -> float:
    """Draw a number in [0, 1)."""
    state = search.chance[0] + np.uint64(0x9E3779B97F4A7C15)
    search.chance[0] = state
    mixed = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    mixed = mixed ^ (mixed >> np.uint64(31))
    return float(mixed >> np.uint64(11)) * _TO_UNIT


@compiled
def below(search: Search, count: int) -> int:
    """Draw a whole number in [0, count)."""
    return int(uniform(search) * count)
