"""Ways by road as they are kept, on either database."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlmodel import select

from api.storage.database import Database
from api.storage.road_ways import (
    add_road_places,
    drop_road_places,
    fetched_at,
    keep_ways,
    road_places,
    ways_among,
)
from api.storage.tables import RoadPlaceRow, RoadWaysRow
from scheduler.places import Coordinates
from scheduler.road_travel import NO_WAY, NOT_KNOWN

NOW = datetime(2027, 3, 1, tzinfo=UTC)
MILL, QUAY, ISLE, FIELD = (Coordinates(lat=45 + n / 100, lon=0.1) for n in range(4))


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    database = Database(database_url)
    database.create_or_upgrade()
    with database.write() as session:
        add_road_places(session, [MILL, QUAY, ISLE, FIELD])
    with database.write() as session:
        for row in session.exec(select(RoadPlaceRow)):
            row.asked_at = NOW
            row.off_road_metres = 1_500.0 if row.lat == FIELD.lat else 12.5
            session.add(row)
    yield database
    database.close()


def keep(database: Database, at: Coordinates, ways: dict[Coordinates, int], now: datetime) -> None:
    with database.write() as session:
        number = {place.at: place.number for place in road_places(session)}
        seconds = np.array(list(ways.values()), dtype=np.uint16)
        others = np.array([number[other] for other in ways])
        back = np.where(seconds == NO_WAY, NO_WAY, seconds + 1).astype(np.uint16)
        keep_ways(session, number[at], others, (seconds, seconds), (back, back), now=now)


def test_ways_come_back_as_they_were_kept(database: Database) -> None:
    keep(database, QUAY, {MILL: 100}, NOW)
    keep(database, ISLE, {MILL: NO_WAY, QUAY: 60_000}, NOW + timedelta(days=1))
    with database.read() as session:
        ways = ways_among(session, [ISLE, MILL, QUAY, FIELD])
        some = ways_among(session, [ISLE, QUAY])
    assert ways.places == (MILL, QUAY, ISLE)
    assert ways.seconds.tolist() == [
        [0, 101, NO_WAY],
        [100, 0, 60_001],
        [NO_WAY, 60_000, 0],
    ]
    assert ways.off_road == {FIELD}
    assert ways.oldest == NOW
    assert some.places == (QUAY, ISLE)
    assert some.seconds.tolist() == [[0, 60_001], [60_000, 0]]


def test_a_row_is_replaced_as_a_whole(database: Database) -> None:
    keep(database, ISLE, {MILL: 50, QUAY: 60}, NOW)
    keep(database, ISLE, {QUAY: 70}, NOW + timedelta(days=1))
    with database.read() as session:
        ways = ways_among(session, [MILL, QUAY, ISLE])
        assert list(fetched_at(session).values()) == [NOW + timedelta(days=1)]
    assert ways.seconds[2].tolist() == [NOT_KNOWN, 70, 0]


def test_a_place_that_is_dropped_takes_its_ways_along(database: Database) -> None:
    keep(database, QUAY, {MILL: 100}, NOW)
    keep(database, ISLE, {MILL: 50, QUAY: 60}, NOW)
    with database.write() as session:
        number = {place.at: place.number for place in road_places(session)}
        drop_road_places(session, [number[QUAY]])
    with database.read() as session:
        assert len(session.exec(select(RoadWaysRow)).all()) == 1
        ways = ways_among(session, [MILL, QUAY, ISLE])
    assert ways.places == (MILL, ISLE)
    assert ways.seconds.tolist() == [[0, 51], [50, 0]]


def test_nothing_kept_is_nothing_known(database: Database) -> None:
    with database.read() as session:
        assert ways_among(session, []).places == ()
        ways = ways_among(session, [MILL, QUAY])
    assert ways.seconds.tolist() == [[0, NOT_KNOWN], [NOT_KNOWN, 0]]
    assert ways.oldest is None
