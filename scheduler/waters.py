"""Rivers, estuaries and bays that a straight line cannot cross, and the best way over them.

A barrier is a polyline; a crossing joins one landing on each side of it: a bridge, a ferry, or the
road round the head of a bay. A pair of places whose straight line meets a barrier is led along the
bank and over crossings, the shortest chain of straight legs, over several barriers if need be.
Lines are straight in longitude and latitude. Longitudes are counted on over the 180th meridian, so
that neither places nor waters mind it, as long as they lie within half the globe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidInput
from scheduler.places import Coordinates, as_array, great_circle_metres


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """A way over a barrier, both directions.

    Attributes
    ----------
    one_end, other_end
        The landings, on different sides of the barrier and clear of it.
    ferry_minutes
        Usual wait and passage of a ferry, during which nothing is driven; 0 means a bridge or road.
    """

    name: str
    one_end: Coordinates
    other_end: Coordinates
    ferry_minutes: int = 0

    def __post_init__(self) -> None:
        if self.ferry_minutes < 0:
            raise InvalidInput(f"ferry_minutes must be >= 0, got {self.ferry_minutes}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Barrier:
    """Water as a polyline, and the crossings over it (none: nobody gets across)."""

    name: str
    line: tuple[Coordinates, ...]
    crossings: tuple[Crossing, ...] = ()

    def __post_init__(self) -> None:
        if len(self.line) < 2:
            raise InvalidInput(f"barrier {self.name!r} needs at least 2 points")
        for crossing in self.crossings:
            ends = as_array([crossing.one_end, crossing.other_end])
            segments = _segments([self])
            ends, segments = (unwrapped(each, ends[:1, 1]) for each in (ends, segments))
            if not meets(ends[:1], ends[1:], segments)[0, 0]:
                raise InvalidInput(
                    f"crossing {crossing.name!r} does not cross barrier {self.name!r}: "
                    "put its landings on different sides of the line"
                )

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Barrier:
        """Read ``{"name", "line": [[lat, lon], ...], "crossings": [{"name", "from", "to"}]}``.

        A crossing may carry ``ferry_minutes``; one without is a bridge.

        Raises
        ------
        InvalidInput
            Naming the barrier and what is wrong.
        """
        try:
            return cls(
                name=str(document["name"]),
                line=tuple(Coordinates(lat=lat, lon=lon) for lat, lon in document["line"]),
                crossings=tuple(
                    Crossing(
                        name=str(crossing["name"]),
                        one_end=Coordinates(lat=crossing["from"][0], lon=crossing["from"][1]),
                        other_end=Coordinates(lat=crossing["to"][0], lon=crossing["to"][1]),
                        ferry_minutes=crossing.get("ferry_minutes", 0),
                    )
                    for crossing in document.get("crossings", ())
                ),
            )
        except (KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
            name = document.get("name", "?") if isinstance(document, Mapping) else document
            raise InvalidInput(
                f"barrier {name!r} cannot be read: it needs a name, a line of [lat, lon] pairs, "
                f"and crossings with name, from and to ({error!r})"
            ) from error


def barriers_from_documents(documents: Sequence[Mapping[str, Any]]) -> tuple[Barrier, ...]:
    """Read several barriers; see :meth:`Barrier.from_document`."""
    return tuple(map(Barrier.from_document, documents))


class Ways(NamedTuple):
    """The way from each of some places to each of others, each of shape (n_from, n_to)."""

    straight_metres: NDArray[np.float64]
    """Great-circle length of the driven legs; infinite where there is no way."""
    ferry_minutes: NDArray[np.float64]


class WayFinder:
    """Looks for the shortest ways between all of some places, some rows at a time.

    Parameters
    ----------
    places
        Degrees, shape (n_places, 2), from :func:`scheduler.places.as_array`.
    metres_per_ferry_minute
        What a minute on a ferry is worth in straight metres when ways are compared.
    """

    def __init__(
        self,
        places: NDArray[np.float64],
        barriers: Sequence[Barrier],
        *,
        metres_per_ferry_minute: float,
    ) -> None:
        nearby = places[:1, 1] if len(places) else np.zeros(1)
        self._places = unwrapped(places, nearby)
        self._segments = unwrapped(_segments(barriers), nearby)
        self._metres_per_ferry_minute = metres_per_ferry_minute
        crossings = [crossing for barrier in barriers for crossing in barrier.crossings]
        landings = [end for c in crossings for end in (c.one_end, c.other_end)]
        corners = [_corners(barrier) for barrier in barriers]
        self._turns = unwrapped(np.concatenate([as_array(landings), *corners]), nearby)
        self._chains = _chains(crossings, self._turns, self._segments, metres_per_ferry_minute)
        self._legs = _clear_legs(self._places, self._turns, self._segments)

    def rows(self, start: int, stop: int) -> Ways:
        """Return the ways from the places ``start:stop`` to all places up to ``stop``.

        Shape (stop - start, stop); all ways are as long there as back.
        """
        origins, targets = self._places[start:stop], self._places[:stop]
        metres = great_circle_metres(origins, targets)
        ferry_minutes = np.zeros_like(metres)
        blocked = meets(origins, targets, self._segments)
        if not len(self._turns):
            metres[blocked] = np.inf
            return Ways(metres, ferry_minutes)
        blocked[:, start:] &= np.tri(stop - start, dtype=np.bool_)  # the other half is mirrored
        for row in np.flatnonzero(blocked.any(axis=1)).tolist():
            columns = np.flatnonzero(blocked[row])
            straight, ferry = self._led_round(start + row, columns)
            metres[row, columns], ferry_minutes[row, columns] = straight, ferry
            inside = columns >= start
            metres[columns[inside] - start, start + row] = straight[inside]
            ferry_minutes[columns[inside] - start, start + row] = ferry[inside]
        return Ways(metres, ferry_minutes)

    def _led_round(
        self, origin: int, targets: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return straight metres and ferry minutes to places that cannot be reached straight."""
        # the best chain from here to each turn, then one more leg to each place that is blocked
        to_turn = self._legs[origin, :, np.newaxis] + self._chains.cost
        first_turn = to_turn.argmin(axis=0)
        reach_ferry = self._chains.ferry_minutes[first_turn, np.arange(len(self._turns))]
        to_target = self._legs[targets] + to_turn.min(axis=0)
        cost = to_target.min(axis=1)
        ferry = np.where(np.isinf(cost), 0, reach_ferry[to_target.argmin(axis=1)])
        return cost - ferry * self._metres_per_ferry_minute, ferry


class _Chains(NamedTuple):
    cost: NDArray[np.float64]
    ferry_minutes: NDArray[np.float64]


def _chains(
    crossings: Sequence[Crossing],
    turns: NDArray[np.float64],
    segments: NDArray[np.float64],
    metres_per_ferry_minute: float,
) -> _Chains:
    """Return the cheapest chain between all turns (Floyd and Warshall), the landings first."""
    cost = _clear_legs(turns, turns, segments)
    ferry_minutes = np.zeros_like(cost)
    straight = great_circle_metres(turns, turns)
    for index, crossing in enumerate(crossings):
        one, other = 2 * index, 2 * index + 1
        carried = crossing.ferry_minutes * metres_per_ferry_minute
        cost[one, other] = cost[other, one] = carried if carried else straight[one, other]
        ferry_minutes[one, other] = ferry_minutes[other, one] = crossing.ferry_minutes
    for via in range(len(turns)):
        cost_via = cost[:, via, np.newaxis] + cost[via]
        ferry_via = ferry_minutes[:, via, np.newaxis] + ferry_minutes[via]
        ferry_minutes = np.where(cost_via < cost, ferry_via, ferry_minutes)
        cost = np.minimum(cost_via, cost)
    return _Chains(cost, ferry_minutes)


_CLEARANCE_DEGREES = 0.0003
"""How far off a barrier its corners are rounded: some 30 m."""


def _corners(barrier: Barrier) -> NDArray[np.float64]:
    """Return a point just off each bend, on the side that has to go round it.

    The ends are no such points: a river's mouth ends in the sea, and its head is far off.
    """
    line = as_array(barrier.line)
    line = unwrapped(line, line[:1, 1])
    back, on = line[:-2] - line[1:-1], line[2:] - line[1:-1]
    inwards = _unit(back) + _unit(on)
    bends = np.linalg.norm(inwards, axis=1) > 1e-6
    corners: NDArray[np.float64] = line[1:-1][bends] - _CLEARANCE_DEGREES * _unit(inwards[bends])
    return corners


def _unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    units: NDArray[np.float64] = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    return units


def _clear_legs(
    origins: NDArray[np.float64], targets: NDArray[np.float64], segments: NDArray[np.float64]
) -> NDArray[np.float64]:
    metres = great_circle_metres(origins, targets)
    metres[meets(origins, targets, segments)] = np.inf
    return metres


def _segments(barriers: Sequence[Barrier]) -> NDArray[np.float64]:
    """Return all pieces of all barriers, shape (n_segments, 2 ends, 2)."""
    lines = [as_array(barrier.line) for barrier in barriers]
    pieces = [np.stack([line[:-1], line[1:]], axis=1) for line in lines]
    return np.concatenate([np.empty((0, 2, 2)), *pieces])


def unwrapped(points: NDArray[np.float64], longitude: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return points with their longitudes counted on from ``longitude``, within half the globe.

    Parameters
    ----------
    points
        Degrees, shape (..., 2).
    """
    lat, lon = points[..., 0], points[..., 1]
    return np.stack([lat, longitude + (lon - longitude + 180) % 360 - 180], axis=-1)


def meets(
    origins: NDArray[np.float64], targets: NDArray[np.float64], segments: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return whether the line from each origin to each target meets any segment.

    Shape (n_origins, n_targets). A line through a corner of a polyline meets it once.
    """
    # a point lies left of the line from o to t when (t - o) x (point - o) >= 0, which is
    # t x point - o x point >= t x o; only pairs on different sides of a segment need the test
    turn = _cross(targets[np.newaxis, :, :], origins[:, np.newaxis, :])
    met = np.zeros(turn.shape, dtype=np.bool_)
    for start, end in segments:
        left_origins = _cross(end - start, origins - start) >= 0
        left_targets = _cross(end - start, targets - start) >= 0
        for side in (True, False):
            rows = np.flatnonzero(left_origins == side)
            columns = np.flatnonzero(left_targets != side)
            if not (len(rows) and len(columns)):
                continue
            pairs = np.ix_(rows, columns)
            turn_here = turn[pairs]
            start_left, end_left = (
                _cross(targets[columns], corner) - _cross(origins[rows], corner)[:, np.newaxis]
                >= turn_here
                for corner in (start, end)
            )
            met[pairs] |= start_left != end_left
    return met


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    product: NDArray[np.float64] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product
