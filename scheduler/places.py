"""Where things are: coordinates and the great circle between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidInput

MEAN_EARTH_RADIUS_METRES = 6_371_008.8
"""Mean radius (2a + b) / 3 of the IUGG; the sphere is within about 0.5 % of the ellipsoid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coordinates:
    """A point in degrees, north and east positive."""

    lat: float
    lon: float

    def __post_init__(self) -> None:
        # written so that NaN fails as well
        if not (-90 <= self.lat <= 90 and -180 <= self.lon <= 180):
            raise InvalidInput(
                f"lat must be in -90..90 and lon in -180..180, got {self.lat}, {self.lon}"
            )


def as_array(places: Sequence[Coordinates]) -> NDArray[np.float64]:
    """Return latitudes and longitudes in degrees, shape (n_places, 2)."""
    return np.array([(place.lat, place.lon) for place in places], dtype=np.float64).reshape(-1, 2)


def great_circle_metres(
    origins: NDArray[np.float64], targets: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return great-circle distances by the haversine formula, shape (n_origins, n_targets).

    Parameters
    ----------
    origins, targets
        Degrees, as from :func:`as_array`.
    """
    lat_from, lon_from = np.radians(origins).T[:, :, np.newaxis]
    lat_to, lon_to = np.radians(targets).T[:, np.newaxis, :]
    half_chord_squared = (
        np.sin((lat_to - lat_from) / 2) ** 2
        + np.cos(lat_from) * np.cos(lat_to) * np.sin((lon_to - lon_from) / 2) ** 2
    )
    half_chord = np.sqrt(np.minimum(half_chord_squared, 1.0))
    metres: NDArray[np.float64] = 2 * MEAN_EARTH_RADIUS_METRES * np.arcsin(half_chord)
    return metres
