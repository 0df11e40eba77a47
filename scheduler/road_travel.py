"""Travel as a road network knows it, and estimated where it does not.

The network itself is asked elsewhere, long before anybody plans: what is here is what it answered.
Between two places the answer is a time, "no way", or nothing at all. No way stays no way; only
where there is no answer an estimate steps in, and whoever plans is told how often.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates
from scheduler.travel import UNREACHABLE_MINUTES, StraightLineTravel, TravelTable

NO_WAY = 65_535
"""In place of seconds: the network was asked, and there is no way."""

NOT_KNOWN = 65_534
"""In place of seconds: the network was not asked, or could not say."""

LONGEST_SECONDS = 65_533
METRES_PER_UNIT = 10

_ROWS_AT_ONCE = 256

OSM_ATTRIBUTION = "© OpenStreetMap contributors, ODbL 1.0, openstreetmap.org/copyright"
"""To be shown wherever times of a network made from OpenStreetMap are shown."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadWays:
    """What a road network said of some places, [from, to].

    Attributes
    ----------
    places
        Each once.
    seconds
        Of driving, shape (n_places, n_places), uint16: at most `LONGEST_SECONDS`, or `NO_WAY` or
        `NOT_KNOWN`.
    tens_of_metres
        Of driving, of the same shape and kind; 0 where there is no time.
    off_road
        Places too far from any road to be driven to by the network's word.
    oldest
        When the oldest of it was asked; None when nothing is known.
    """

    places: tuple[Coordinates, ...]
    seconds: NDArray[np.uint16]
    tens_of_metres: NDArray[np.uint16]
    off_road: frozenset[Coordinates] = frozenset()
    oldest: datetime | None = None

    def __post_init__(self) -> None:
        shape = len(self.places), len(self.places)
        if len(set(self.places)) != len(self.places):
            raise InvalidInput("the places of a road network must differ")
        for name in ("seconds", "tens_of_metres"):
            array = getattr(self, name)
            if array.shape != shape or array.dtype != np.uint16:
                raise InvalidInput(
                    f"{name} must be uint16 of shape {shape}, got {array.dtype} of {array.shape}"
                )


class Source(StrEnum):
    """Where the times of travel come from."""

    ESTIMATE = "estimate"
    ROADS = "roads"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliance:
    """How much of the travel between some places rests on the network.

    Attributes
    ----------
    pairs, estimated
        Ordered pairs of different places, and those of them that are estimated.
    off_road
        Places the network finds no road near; all their drives are estimated.
    cut_off
        Places on the road that no other of them can be reached from or driven to from.
    """

    pairs: int
    estimated: int
    off_road: tuple[Coordinates, ...]
    cut_off: tuple[Coordinates, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadTravel:
    """Times of a road network, and an estimate where it has none.

    ``estimate`` also knows the minutes for parking and walking, which the network does not count.
    """

    ways: RoadWays
    estimate: StraightLineTravel

    def between(self, places: Sequence[Coordinates]) -> TravelTable:
        """Return travel between all pairs of ``places``; rarely symmetric, for one-way streets."""
        table = self.estimate.between(places)
        rows, at = self._rows(places)
        for begin in range(0, len(rows), _ROWS_AT_ONCE):
            self._overlay(table, rows, at, slice(begin, begin + _ROWS_AT_ONCE))
        return table

    def _overlay(
        self,
        table: TravelTable,
        rows: NDArray[np.int64],
        at: NDArray[np.int64],
        some: slice,
    ) -> None:
        """Write what the network knows over some rows of an estimated table."""
        ways = np.ix_(at[some], at)
        seconds, tens = self.ways.seconds[ways], self.ways.tens_of_metres[ways]
        # the same place, named twice, is no journey; two places at one kerb still cost parking
        known = (seconds <= LONGEST_SECONDS) & (at[some, np.newaxis] != at)
        no_way = seconds == NO_WAY
        driven = np.ceil(seconds / 60 + self.estimate.stop_minutes - 1e-9)
        here = np.ix_(rows[some], rows)
        for whole, by_road, without in (
            (table.minutes, driven, UNREACHABLE_MINUTES),
            (table.metres, METRES_PER_UNIT * tens.astype(np.int32), 0),
        ):
            whole[here] = np.where(no_way, without, np.where(known, by_road, whole[here]))

    def reliance(self, places: Sequence[Coordinates]) -> Reliance:
        """Tell how much of the travel between ``places`` rests on the network."""
        different = list(dict.fromkeys(places))
        _, at = self._rows(different)
        seconds = self.ways.seconds[np.ix_(at, at)]
        others = ~np.eye(len(at), dtype=np.bool_)
        pairs = len(different) * (len(different) - 1)
        answered = int(((seconds != NOT_KNOWN) & others).sum())
        no_way = (seconds == NO_WAY) | ~others
        lonely = no_way.all(axis=1) | no_way.all(axis=0)
        alone = lonely if len(at) > 1 else np.zeros(len(at), dtype=np.bool_)
        return Reliance(
            pairs=pairs,
            estimated=pairs - answered,
            off_road=tuple(place for place in different if place in self.ways.off_road),
            cut_off=tuple(self.ways.places[number] for number in at[alone]),
        )

    def _rows(self, places: Sequence[Coordinates]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return which of ``places`` the network was asked about, and their numbers there."""
        number = {place: at for at, place in enumerate(self.ways.places)}
        found = [(row, number[place]) for row, place in enumerate(places) if place in number]
        both = np.array(found, dtype=np.int64).reshape(-1, 2)
        return both[:, 0], both[:, 1]
