"""The calls to a road service: their format, its limits, and everything that can go wrong."""

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import httpx
import numpy as np
import pytest

from api.road_service import RoadService, RoadServiceSilent
from scheduler.places import Coordinates
from scheduler.road_travel import LONGEST_SECONDS, NO_WAY, NOT_KNOWN
from tests.api.road_world import RoadWorld

PLACES = [Coordinates(lat=45 + n / 100, lon=0.0) for n in range(7)]
STEP_SECONDS = 111  # a hundredth of a degree is 1,112 m, at 10 m/s

# what a service answered about central Helsinki: tests/published/test_road_network.py
RECORDED = {
    "/sources_to_targets": {
        "sources_to_targets": {
            "durations": [[0, 117, None], [212, 0, None], [None, None, 0]],
            "distances": [[0.0, 0.746, None], [1.397, 0.0, None], [None, None, 0.0]],
        },
        "units": "kilometers",
        "algorithm": "costmatrix",
    },
    "/locate": [
        {
            "input_lat": 60.1693,
            "input_lon": 24.9386,
            "edges": [
                {
                    "way_id": 25522290,
                    "correlated_lat": 60.169432,
                    "correlated_lon": 24.938954,
                    "side_of_street": "right",
                    "percent_along": 0.96282,
                }
            ],
            "nodes": [],
        },
        {"input_lat": 70.3, "input_lon": 24.9, "edges": [], "nodes": []},
    ],
}


@pytest.fixture
def recorded_address() -> Iterator[str]:
    """The address of a server on this machine that gives the recorded answers."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            body = json.dumps(RECORDED[self.path]).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json;charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None: ...

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


def service_of(world: RoadWorld) -> RoadService:
    return RoadService("http://roads:8002", transport=world.transport())


def test_a_recorded_matrix_is_read_over_the_wire(recorded_address: str) -> None:
    service = RoadService(recorded_address)
    ways = service.ways(PLACES[:3], PLACES[:3])
    assert ways.seconds.tolist() == [[0, 117, NO_WAY], [212, 0, NO_WAY], [NO_WAY, NO_WAY, 0]]
    assert ways.tens_of_metres.tolist() == [[0, 75, 0], [140, 0, 0], [0, 0, 0]]
    service.close()


def test_recorded_locations_are_read_over_the_wire(recorded_address: str) -> None:
    service = RoadService(recorded_address)
    places = [Coordinates(lat=60.1693, lon=24.9386), Coordinates(lat=70.3, lon=24.9)]
    # 0.000132 degrees north and 0.000354 east at 60 N: 14.7 and 19.6 m
    assert service.off_road_metres(places) == [pytest.approx(24.5, abs=0.1), None]
    service.close()


def test_a_matrix_is_asked_for_in_pieces_and_put_together() -> None:
    world = RoadWorld(most_pairs=4)
    ways = service_of(world).ways(PLACES[:5], PLACES)
    expected = [[abs(i - j) * STEP_SECONDS for j in range(7)] for i in range(5)]
    assert ways.seconds == pytest.approx(np.array(expected), abs=2)
    assert world.pairs_asked == 35  # none twice


def test_no_more_is_asked_at_once_than_a_service_usually_answers() -> None:
    world = RoadWorld()
    many = [Coordinates(lat=45 + n / 10_000, lon=0.0) for n in range(120)]
    ways = service_of(world).ways(many, many)
    assert (ways.seconds[0, 1:] > 0).all()
    assert world.pairs_asked == 120 * 120
    assert len(world.calls) == 8  # halved until at most 2,500 pairs: pieces of 30 by 60


def test_too_long_a_way_is_not_known_and_spoils_no_other() -> None:
    far = Coordinates(lat=49.5, lon=0.0)
    ways = service_of(RoadWorld()).ways(PLACES[:3], [*PLACES[:2], far])
    assert (ways.seconds[:, 2] == NOT_KNOWN).all()
    assert (ways.seconds[:, :2] != NOT_KNOWN).all()


def test_a_place_without_a_road_is_not_known_and_spoils_no_other() -> None:
    world = RoadWorld(off_road={PLACES[1]: 5.0})
    ways = service_of(world).ways(PLACES[:3], PLACES[:3])
    assert (ways.seconds[1] == NOT_KNOWN).all()
    assert (ways.seconds[:, 1] == NOT_KNOWN).all()
    assert ways.seconds[0, 2] == pytest.approx(2 * STEP_SECONDS, abs=2)


def test_an_island_has_no_way() -> None:
    ways = service_of(RoadWorld(islands={PLACES[2]: "isle"})).ways(PLACES[:3], PLACES[:3])
    assert ways.seconds[0, 2] == ways.seconds[2, 0] == NO_WAY
    assert ways.seconds[2, 2] == 0


def test_a_way_of_a_day_is_long_and_not_missing() -> None:
    world = RoadWorld(seconds_factor=1_000)
    ways = service_of(world).ways(PLACES[:2], PLACES[:2])
    assert ways.seconds[0, 1] == LONGEST_SECONDS


def test_nothing_is_asked_about_no_places() -> None:
    world = RoadWorld()
    service = service_of(world)
    assert service.ways([], PLACES).seconds.shape == (0, 7)
    assert service.ways(PLACES, []).seconds.shape == (7, 0)
    assert service.off_road_metres([]) == []
    assert world.calls == []


def answering(status: int, content: bytes) -> RoadService:
    def respond(_: httpx.Request) -> httpx.Response:
        return httpx.Response(status, content=content)

    return RoadService("http://roads:8002", transport=httpx.MockTransport(respond))


ONE = b'{"sources_to_targets": {"durations": [[%s]], "distances": [[%s]]}, "units": "%s"}'


@pytest.mark.parametrize(
    ("status", "content"),
    [
        pytest.param(200, b"<html>welcome</html>", id="another server"),
        pytest.param(200, b"\xff\xfe", id="no text"),
        pytest.param(200, b"[]", id="a list"),
        pytest.param(200, b"null", id="nothing"),
        pytest.param(200, b'{"sources_to_targets": [[{"time": 5}]]}', id="the long form"),
        pytest.param(200, ONE % (b"5, 6", b"1, 1", b"kilometers"), id="too many"),
        pytest.param(200, ONE % (b"-5", b"1", b"kilometers"), id="back in time"),
        pytest.param(200, ONE % (b'"x"', b"1", b"kilometers"), id="no number"),
        pytest.param(200, ONE % (b"5", b"1", b"miles"), id="miles"),
        pytest.param(500, b"{}", id="broken"),
        pytest.param(401, b'{"error": "who are you"}', id="not let in"),
        pytest.param(400, b'{"error_code": 125, "error": "No costing"}', id="declined"),
        pytest.param(400, b'{"error_code": 150, "error": "Exceeded"}', id="not even one pair"),
    ],
)
def test_an_answer_that_cannot_be_used_is_no_answer(status: int, content: bytes) -> None:
    with pytest.raises(RoadServiceSilent, match="road service"):
        answering(status, content).ways(PLACES[:1], PLACES[1:2])


@pytest.mark.parametrize(
    "content",
    [b"[]", b'{"edges": []}', b"[{}]", b'[{"edges": [{}]}]', b'[{"edges": [{"correlated_lat": 99, '
     b'"correlated_lon": 0}]}]'],
)  # fmt: skip
def test_a_location_that_cannot_be_read_is_no_answer(content: bytes) -> None:
    with pytest.raises(RoadServiceSilent, match="/locate"):
        answering(200, content).off_road_metres(PLACES[:1])


def test_no_road_in_the_words_of_a_refusal() -> None:
    refusal = b'{"error_code": 171, "error": "No suitable edges near location"}'
    with pytest.raises(RoadServiceSilent, match="will not locate: No suitable edges"):
        answering(400, refusal).off_road_metres(PLACES[:1])
    assert answering(400, refusal).ways(PLACES[:1], PLACES[1:2]).seconds.tolist() == [[NOT_KNOWN]]
    no_path = b'{"error_code": 442, "error": "No path could be found for input"}'
    assert answering(400, no_path).ways(PLACES[:1], PLACES[1:2]).seconds.tolist() == [[NO_WAY]]


def test_a_service_that_is_down_is_said_to_be() -> None:
    with pytest.raises(RoadServiceSilent, match="does not answer: nobody there"):
        service_of(RoadWorld(down=True)).ways(PLACES, PLACES)


def test_a_service_that_takes_too_long_is_not_waited_for() -> None:
    def respond(request: httpx.Request) -> httpx.Response:
        raise httpx.ReadTimeout("", request=request)

    service = RoadService("http://roads:8002", transport=httpx.MockTransport(respond))
    with pytest.raises(RoadServiceSilent, match="does not answer: ReadTimeout"):
        service.off_road_metres(PLACES)
