"""A road service that speaks the documented API, over a world made up for the test.

Roads are straight lines along which one drives at 36 km/h, 10 m/s. Places may have no road near,
or lie on an island of their own.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import httpx

from scheduler.places import Coordinates, as_array, great_circle_metres

METRES_PER_SECOND = 10.0


@dataclass(kw_only=True)
class RoadWorld:
    """What the service knows, and what it was asked.

    ``most_pairs`` and ``most_metres`` are its limits; ``islands`` maps places to a name, all others
    are the mainland; ``down`` makes every call fail.
    """

    most_pairs: int = 2_500
    most_metres: float = 400_000.0
    off_road: dict[Coordinates, float] = field(default_factory=dict)  # degrees to the next road
    islands: dict[Coordinates, str] = field(default_factory=dict)
    down: bool = False
    seconds_factor: float = 1.0
    pairs_asked: int = 0
    calls: list[str] = field(default_factory=list)
    before_answer: Callable[[], None] = lambda: None

    def transport(self) -> httpx.MockTransport:
        return httpx.MockTransport(self._respond)

    def _respond(self, request: httpx.Request) -> httpx.Response:
        if self.down:
            raise httpx.ConnectError("nobody there", request=request)
        self.calls.append(request.url.path)
        self.before_answer()
        document = json.loads(request.content)
        status, answer = self.answer(request.url.path, document)
        return httpx.Response(status, json=answer)

    def answer(self, path: str, document: dict[str, Any]) -> tuple[int, Any]:
        assert document["costing"] == "auto"
        if path == "/locate":
            return 200, [self._located(_place(point)) for point in document["locations"]]
        assert path == "/sources_to_targets"
        assert document["units"] == "km"
        assert document["verbose"] is False
        origins, targets = (list(map(_place, document[key])) for key in ("sources", "targets"))
        return self._matrix(origins, targets)

    def _located(self, place: Coordinates) -> dict[str, Any]:
        degrees = self.off_road.get(place, 0.0)
        edges = [] if degrees > 1 else [{"correlated_lat": place.lat + degrees,
                                         "correlated_lon": place.lon}]  # fmt: skip
        return {"input_lat": place.lat, "input_lon": place.lon, "edges": edges, "nodes": []}

    def _matrix(
        self, origins: Sequence[Coordinates], targets: Sequence[Coordinates]
    ) -> tuple[int, Any]:
        if len(origins) * len(targets) > self.most_pairs:
            return _refusal(150, f"Exceeded max locations: {self.most_pairs}")
        metres = great_circle_metres(as_array(origins), as_array(targets))
        if (metres > self.most_metres).any():
            return _refusal(154, "Path distance exceeds the max distance limit")
        if any(self.off_road.get(place, 0) > 1 for place in (*origins, *targets)):
            return _refusal(171, "No suitable edges near location")
        self.pairs_asked += metres.size
        durations = [
            [
                round(metres[i, j] / METRES_PER_SECOND * self.seconds_factor)
                if self.islands.get(origin) == self.islands.get(target)
                else None
                for j, target in enumerate(targets)
            ]
            for i, origin in enumerate(origins)
        ]
        distances = [
            [
                None if durations[i][j] is None else round(metres[i, j] / 1000, 3)
                for j in range(len(targets))
            ]
            for i in range(len(origins))
        ]
        return 200, {
            "sources_to_targets": {"durations": durations, "distances": distances},
            "units": "kilometers",
            "algorithm": "costmatrix",
        }


def _place(point: dict[str, float]) -> Coordinates:
    return Coordinates(lat=point["lat"], lon=point["lon"])


def _refusal(code: int, words: str) -> tuple[int, Any]:
    return 400, {
        "error_code": code, "error": words, "status_code": 400, "status": "Bad Request"
    }  # fmt: skip
