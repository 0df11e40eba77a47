"""Places to minutes and metres: how long a technician drives between any two of them.

:class:`StraightLineTravel` estimates roads from great circles. A road network can stand behind the
same :class:`Travel` protocol.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from threading import Lock
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates, as_array
from scheduler.waters import Barrier, WayFinder, Ways

UNREACHABLE_MINUTES = 100_000
"""Stands for "no way": longer than any shift, small enough to be added up."""

_SAME_PLACE_METRES = 0.01
"""Rounding noise, where one place is written in two ways: at a pole, on the 180th meridian."""

_ROWS_AT_ONCE = 256
"""Places whose ways to all others are worked out in one go, to bound memory."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TravelTable:
    """Travel between all pairs of places, shape (n_places, n_places), [from, to].

    Attributes
    ----------
    minutes
        Whole minutes, rounded up; ``UNREACHABLE_MINUTES`` where there is no way.
    metres
        Driven metres; 0 where there is no way.
    """

    minutes: NDArray[np.int32]
    metres: NDArray[np.int32]

    @property
    def reachable(self) -> NDArray[np.bool_]:
        """Whether there is a way, shape (n_places, n_places)."""
        return self.minutes < UNREACHABLE_MINUTES


class Travel(Protocol):
    """Anything that knows the way."""

    def between(self, places: Sequence[Coordinates]) -> TravelTable:
        """Return travel between all pairs of ``places``, in their order."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedBand:
    """The speed of the part of a journey that lies beyond ``from_km``."""

    from_km: float
    km_per_hour: float


USUAL_CIRCUITY = 1.3
"""Road metres per straight metre. Published averages: 1.2 (Newell 1980), 1.21-1.23 (O'Sullivan and
Morrall 1996), 1.26 (Kim et al. 2015), 1.232 (Boeing 2018), about 1.3 (Wang et al. 2024, arXiv
2406.06490); the higher end, since waters given as barriers are not all the waters there are."""

USUAL_SPEEDS = (
    SpeedBand(from_km=0, km_per_hour=28),
    SpeedBand(from_km=4, km_per_hour=45),
    SpeedBand(from_km=15, km_per_hour=70),
    SpeedBand(from_km=50, km_per_hour=90),
)
"""Town, edge of town, country road, motorway: common practice, no source. The first agrees with the
medians of 27 and 36 km/h that a road router gave for short trips in two OpenStreetMap extracts (a
city centre and a small town)."""

USUAL_STOP_MINUTES = 4
"""Parking and walking to the door: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLineTravel:
    """Great circle times circuity, at speeds by distance band, led round the waters.

    The minutes of a journey grow with its length and never faster than its length does, so a detour
    over a third place is never shorter (waters aside: their crossings are the only known ways
    over). Places at the same coordinates are 0 minutes apart, all others ``stop_minutes`` at least.

    Attributes
    ----------
    circuity
        Road metres per straight metre, >= 1.
    speeds
        Ascending from 0 km, each band at least as fast as the one before.
    stop_minutes
        Added to every journey for parking and walking.
    barriers
        Waters that cannot be crossed but at their crossings.
    """

    circuity: float = USUAL_CIRCUITY
    speeds: tuple[SpeedBand, ...] = USUAL_SPEEDS
    stop_minutes: float = USUAL_STOP_MINUTES
    barriers: tuple[Barrier, ...] = ()

    def __post_init__(self) -> None:
        if not self.circuity >= 1:
            raise InvalidInput(f"circuity must be >= 1, got {self.circuity}")
        if not self.stop_minutes >= 0:
            raise InvalidInput(f"stop_minutes must be >= 0, got {self.stop_minutes}")
        if not self.speeds or self.speeds[0].from_km != 0 or self.speeds[0].km_per_hour <= 0:
            raise InvalidInput("speeds must begin at 0 km with a speed above 0")
        for slower, faster in pairwise(self.speeds):
            if slower.from_km >= faster.from_km or slower.km_per_hour > faster.km_per_hour:
                raise InvalidInput(f"speeds must ascend, got {slower} before {faster}")

    def between(self, places: Sequence[Coordinates]) -> TravelTable:
        """Return travel between all pairs of ``places``; symmetric."""
        return self.rows(places, 0)

    def rows(self, places: Sequence[Coordinates], first: int) -> TravelTable:
        """Return travel from ``places[first:]`` to all, shape (n_places - first, n_places)."""
        finder = self.way_finder(as_array(places))
        minutes = np.zeros((len(places) - first, len(places)), dtype=np.int32)
        metres = np.zeros_like(minutes)
        for start in range(first, len(places), _ROWS_AT_ONCE):
            stop = min(start + _ROWS_AT_ONCE, len(places))
            for whole, part in zip(
                (minutes, metres), self._of_ways(finder.rows(start, stop)), strict=True
            ):
                whole[start - first : stop - first, :stop] = part
                whole[: start - first, start:stop] = part[:, first:start].T
        return TravelTable(minutes=minutes, metres=metres)

    def _of_ways(self, ways: Ways) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return whole minutes and metres of some ways."""
        reachable = np.isfinite(ways.straight_metres)
        road_metres = np.where(reachable, ways.straight_metres, 0.0) * self.circuity
        minutes = self._driven_minutes(road_metres) + ways.ferry_minutes
        apart = (road_metres > _SAME_PLACE_METRES) | (ways.ferry_minutes > 0)
        minutes[~apart] = 0
        minutes[apart] += self.stop_minutes
        minutes[~reachable] = UNREACHABLE_MINUTES
        # a hair of rounding noise must not cost a minute
        return np.ceil(minutes - 1e-9), np.rint(road_metres)

    def way_finder(self, places: NDArray[np.float64]) -> WayFinder:
        """Return what knows the straight ways between places given in degrees."""
        fastest_metres_per_minute = self.speeds[-1].km_per_hour * 1000 / 60
        return WayFinder(
            places,
            self.barriers,
            metres_per_ferry_minute=fastest_metres_per_minute / self.circuity,
        )

    def minutes_by_band(self, road_metres: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the minutes driven in each band of speed, shape (..., n_bands)."""
        bands = range(len(self.speeds))
        return np.stack([self._minutes_in_band(band, road_metres) for band in bands], axis=-1)

    def _driven_minutes(self, road_metres: NDArray[np.float64]) -> NDArray[np.float64]:
        minutes = np.zeros_like(road_metres)
        for band in range(len(self.speeds)):
            minutes += self._minutes_in_band(band, road_metres)
        return minutes

    def _minutes_in_band(
        self, number: int, road_metres: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        band = self.speeds[number]
        end_km = self.speeds[number + 1].from_km if number + 1 < len(self.speeds) else np.inf
        minutes: NDArray[np.float64] = np.clip(road_metres / 1000, band.from_km, end_km)
        return (minutes - band.from_km) / band.km_per_hour * 60


class RememberedTravel:
    """Keeps the ways it has found: the places of a company are asked about again and again.

    For use by many threads at once.

    Parameters
    ----------
    travel
        Finds the ways.
    most_places
        How many places are kept at most; a question about more is not remembered, and one that
        brings too many new ones begins the memory anew. 2500 take 50 MB.
    """

    def __init__(self, travel: StraightLineTravel, *, most_places: int = 2500) -> None:
        self._travel, self._most = travel, most_places
        self._lock = Lock()
        self._index: dict[Coordinates, int] = {}
        self._table = travel.between(())

    def between(self, places: Sequence[Coordinates]) -> TravelTable:
        """Return travel between all pairs of ``places``, in their order."""
        if len(places) > self._most:
            return self._travel.between(places)
        with self._lock:
            self._learn(places)
            at = [self._index[place] for place in places]
            table = self._table  # never changed in place
        pairs = np.ix_(at, at)
        return TravelTable(minutes=table.minutes[pairs], metres=table.metres[pairs])

    def _learn(self, places: Sequence[Coordinates]) -> None:
        wanted = list(dict.fromkeys(places))
        if len(self._index.keys() | wanted) > self._most:
            self._index = {}
        known = len(self._index)
        for place in wanted:
            self._index.setdefault(place, len(self._index))
        if len(self._index) == known:
            return
        rows = self._travel.rows(list(self._index), known)

        def whole(kept: NDArray[np.int32], new: NDArray[np.int32]) -> NDArray[np.int32]:
            return np.block([[kept[:known, :known], new[:, :known].T], [new]])

        self._table = TravelTable(
            minutes=whole(self._table.minutes, rows.minutes),
            metres=whole(self._table.metres, rows.metres),
        )
