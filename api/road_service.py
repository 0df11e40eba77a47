"""Asking a road network for ways: a self-hosted service that speaks Valhalla's documented API.

Two of its calls are used, both POST with JSON: ``/locate`` (where is the next road) and
``/sources_to_targets`` (the matrix). The operator names its address, so it may be anywhere in
their own network.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import httpx
import numpy as np
from numpy.typing import NDArray

from scheduler.errors import Impossible, InvalidInput
from scheduler.places import Coordinates, as_array, great_circle_metres
from scheduler.road_travel import LONGEST_SECONDS, METRES_PER_UNIT, NO_WAY, NOT_KNOWN

MOST_PAIRS = 2_500
"""Pairs asked for at once: what such a service answers unless its operator lets it do more."""

MOST_LOCATED = 200
_TIMEOUT = httpx.Timeout(60.0, connect=5.0)
_KILOMETRES = "kilometers"

# the service's own numbers for what it will not do
_TOO_MANY_PAIRS = frozenset({150})
_TOO_FAR = frozenset({154})
_NO_ROAD_NEAR = frozenset({170, 171})
_NO_PATH = frozenset({441, 442})
_DIVIDED = _TOO_MANY_PAIRS | _TOO_FAR | _NO_ROAD_NEAR | _NO_PATH


class RoadServiceSilent(Impossible):
    """The road service did not answer, or not in its own words."""


class _Declined(Exception):
    """The service answered that it will not do this; ``code`` says why."""

    def __init__(self, code: int, words: str) -> None:
        self.code = code
        self.words = words
        super().__init__(f"{words} ({code})")


@dataclass(frozen=True, slots=True, kw_only=True)
class WaysBetween:
    """Ways from some places to others, as in :class:`scheduler.road_travel.RoadWays`.

    Both of shape (n_origins, n_targets).
    """

    seconds: NDArray[np.uint16]
    tens_of_metres: NDArray[np.uint16]


class RoadService:
    """A service at an address.

    Parameters
    ----------
    address
        ``http://roads:8002``, without a slash at the end.
    transport
        How requests leave the house; the network by default.
    """

    def __init__(self, address: str, *, transport: httpx.BaseTransport | None = None) -> None:
        self.address = address
        # neither proxies nor credentials of the environment: the service stands next door
        self._client = httpx.Client(
            base_url=address, transport=transport, timeout=_TIMEOUT, trust_env=False
        )

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    def off_road_metres(self, places: Sequence[Coordinates]) -> list[float | None]:
        """Return how far each place is from the next road a car may use, None without any.

        Raises
        ------
        RoadServiceSilent
            The service gave no answer that can be read.
        """
        found: list[float | None] = []
        for begin in range(0, len(places), MOST_LOCATED):
            some = places[begin : begin + MOST_LOCATED]
            asked = {"locations": _points(some), "costing": "auto", "verbose": False}
            try:
                answer = self._ask("/locate", asked)
            except _Declined as refusal:
                raise RoadServiceSilent(f"the road service will not locate: {refusal}") from None
            if not isinstance(answer, list) or len(answer) != len(some):
                raise _unreadable("/locate")
            found.extend(_next_road(place, one) for place, one in zip(some, answer, strict=True))
        return found

    def ways(self, origins: Sequence[Coordinates], targets: Sequence[Coordinates]) -> WaysBetween:
        """Return the ways from all origins to all targets, asked for in as many calls as it takes.

        Raises
        ------
        RoadServiceSilent
            The service gave no answer that can be read.
        """
        answer = WaysBetween(
            seconds=np.full((len(origins), len(targets)), NOT_KNOWN, dtype=np.uint16),
            tens_of_metres=np.zeros((len(origins), len(targets)), dtype=np.uint16),
        )
        self._fill(answer, origins, targets, 0, len(origins), 0, len(targets))
        return answer

    def _fill(
        self,
        answer: WaysBetween,
        origins: Sequence[Coordinates],
        targets: Sequence[Coordinates],
        top: int,
        bottom: int,
        left: int,
        right: int,
    ) -> None:
        """Fill in a rectangle of the answer; one the service declines is cut in two."""
        rows, columns = bottom - top, right - left
        if not (rows and columns):
            return
        code = 0
        if rows * columns <= MOST_PAIRS:
            asked = {
                "sources": _points(origins[top:bottom]),
                "targets": _points(targets[left:right]),
                "costing": "auto",
                "units": "km",
                "verbose": False,
            }
            try:
                found = self._ask("/sources_to_targets", asked)
            except _Declined as refusal:
                if refusal.code not in _DIVIDED:
                    raise RoadServiceSilent(f"the road service declined: {refusal}") from None
                code = refusal.code
            else:
                part = _matrix(found, rows, columns)
                answer.seconds[top:bottom, left:right] = part.seconds
                answer.tens_of_metres[top:bottom, left:right] = part.tens_of_metres
                return
        if rows == columns == 1:
            if code in _TOO_MANY_PAIRS:
                raise RoadServiceSilent("the road service will not answer for a single pair")
            answer.seconds[top, left] = NO_WAY if code in _NO_PATH else NOT_KNOWN
            return
        if rows >= columns:
            middle = top + rows // 2
            self._fill(answer, origins, targets, top, middle, left, right)
            self._fill(answer, origins, targets, middle, bottom, left, right)
        else:
            middle = left + columns // 2
            self._fill(answer, origins, targets, top, bottom, left, middle)
            self._fill(answer, origins, targets, top, bottom, middle, right)

    def _ask(self, path: str, document: dict[str, Any]) -> Any:
        try:
            reply = self._client.post(path, json=document)
            answer = reply.json()
        except httpx.HTTPError as error:
            words = str(error) or type(error).__name__
            raise RoadServiceSilent(f"the road service does not answer: {words}") from error
        except ValueError:  # no JSON, or no text at all
            raise _unreadable(path) from None
        if reply.status_code == httpx.codes.OK:
            return answer
        code = answer.get("error_code") if isinstance(answer, dict) else None
        if not isinstance(code, int):
            raise RoadServiceSilent(f"the road service answers {path} with {reply.status_code}")
        raise _Declined(code, str(answer.get("error", ""))[:200])


def _unreadable(path: str) -> RoadServiceSilent:
    return RoadServiceSilent(f"the road service answers {path} in a form that cannot be read")


def _points(places: Sequence[Coordinates]) -> list[dict[str, float]]:
    return [{"lat": place.lat, "lon": place.lon} for place in places]


def _next_road(place: Coordinates, found: Any) -> float | None:
    try:
        points = [
            Coordinates(lat=edge["correlated_lat"], lon=edge["correlated_lon"])
            for edge in found["edges"] or ()
        ]
    except (KeyError, TypeError, ValueError, InvalidInput):
        raise _unreadable("/locate") from None
    if not points:
        return None
    return float(great_circle_metres(as_array([place]), as_array(points)).min())


def _matrix(found: Any, rows: int, columns: int) -> WaysBetween:
    try:
        inner = found["sources_to_targets"]
        seconds, kilometres = (
            np.array(inner[name], dtype=np.float64) for name in ("durations", "distances")
        )
        units = found["units"]
    except (KeyError, TypeError, ValueError):
        raise _unreadable("/sources_to_targets") from None
    shapes = {seconds.shape, kilometres.shape}
    if shapes != {(rows, columns)} or units != _KILOMETRES:
        raise _unreadable("/sources_to_targets")
    no_way = np.isnan(seconds)
    if (seconds < 0).any() or (kilometres < 0).any() or np.isinf(seconds).any():
        raise _unreadable("/sources_to_targets")
    tens = np.nan_to_num(kilometres) * 1000 / METRES_PER_UNIT
    return WaysBetween(
        seconds=np.where(no_way, NO_WAY, np.minimum(np.nan_to_num(seconds), LONGEST_SECONDS))
        .round()
        .astype(np.uint16),
        tens_of_metres=np.where(no_way, 0, np.minimum(tens, 65_535)).round().astype(np.uint16),
    )
