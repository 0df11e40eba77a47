"""What kept ways by road cost: disk, memory and time, for as many places as a large company has.

    python -m tests.benchmarks.road_ways --places 10000

Places lie in a square country, 40 to the hundred square kilometres. Every one is kept with the
nearest of those before it, as the clock would keep what a road service said; then all ways are
loaded, and those among a few hundred places, as an offer needs them.
"""

import argparse
import resource
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from api.actions.keep_roads import USUAL_EXTENT
from api.storage.database import Database
from api.storage.road_ways import keep_ways, ways_among
from api.storage.tables import RoadPlaceRow
from scheduler.places import Coordinates, as_array, great_circle_metres
from scheduler.road_travel import RoadTravel
from scheduler.travel import StraightLineTravel

NOW = datetime(2027, 3, 1, tzinfo=UTC)
METRES_PER_SECOND = 12.0
PLACES_PER_SQUARE_KM = 0.4
_BATCH = 100


def some_places(count: int) -> list[Coordinates]:
    """Return places at random around 45 N."""
    side_degrees = (count / PLACES_PER_SQUARE_KM) ** 0.5 / 111.195
    spots = np.random.default_rng(1).uniform(0, side_degrees, (count, 2))
    return [Coordinates(lat=float(45 + y), lon=float(x / np.cos(np.radians(45)))) for y, x in spots]


def fill(database: Database, places: list[Coordinates]) -> int:
    """Keep the ways of all places; return the pairs."""
    points, random, pairs = as_array(places), np.random.default_rng(2), 0
    extent = USUAL_EXTENT
    with database.write() as session:
        session.add_all(
            RoadPlaceRow(
                number=at + 1, lat=place.lat, lon=place.lon, off_road_metres=5.0, asked_at=NOW
            )
            for at, place in enumerate(places)
        )
    for begin in range(0, len(places), _BATCH):
        with database.write() as session:
            for at in range(begin, min(begin + _BATCH, len(places))):
                metres = great_circle_metres(points[at : at + 1], points[:at])[0]
                near = np.flatnonzero(metres <= extent.reach_metres)
                if len(near) > extent.neighbours:
                    nearest = np.argpartition(metres[near], extent.neighbours)
                    near = near[nearest[: extent.neighbours]]
                ways = []
                for _ in range(2):
                    road = metres[near] * random.uniform(1.1, 1.6, len(near))
                    seconds = np.minimum(road / METRES_PER_SECOND, 60_000).astype(np.uint16)
                    ways.append((seconds, (road / 10).astype(np.uint16)))
                keep_ways(session, at + 1, near + 1, ways[0], ways[1], now=NOW)
                pairs += 2 * len(near)
    return pairs


def main() -> None:
    """Fill, load and print."""
    parser = argparse.ArgumentParser(description="Measure the keeping of ways by road.")
    parser.add_argument("--places", type=int, default=10_000)
    options = parser.parse_args()
    places = some_places(options.places)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "roads.sqlite"
        database = Database(f"sqlite:///{file}")
        database.create_or_upgrade()
        begun = time.process_time()
        pairs = fill(database, places)
        _tell(f"{pairs:,} pairs kept", begun)
        for count in (300, options.places):
            some = places[:: max(1, options.places // count)][:count]
            begun = time.process_time()
            with database.read() as session:
                ways = ways_among(session, some)
            _tell(f"ways among {len(some):,} places loaded", begun)
            begun = time.process_time()
            travel = RoadTravel(ways=ways, estimate=StraightLineTravel())
            travel.between(some)
            _tell("made into minutes", begun)
        database.close()
        size = sum(each.stat().st_size for each in Path(folder).iterdir())
    print(f"{size / 2**20:,.0f} MB on disk, {size / max(pairs, 1):.1f} octets a pair")


def _tell(what: str, begun: float) -> None:
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{what}: {time.process_time() - begun:.2f} CPU s, most {most:,} MB", flush=True)


if __name__ == "__main__":
    main()
