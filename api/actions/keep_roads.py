"""Keeping what the road service knows: asked by the clock, long before anybody plans by it.

Each place is numbered and asked about once, with the places numbered before it, in both
directions. So a new or moved site costs one row, a row is written whole or not at all, and work
that is cut short goes on where it stopped. Any number of clocks may do this; a lease lets one.
"""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session

from api.road_service import RoadService, RoadServiceSilent
from api.storage.database import Database
from api.storage.road_ways import (
    RoadPlace,
    add_road_places,
    drop_road_places,
    fetched_at,
    keep_ways,
    new_road_service,
    road_places,
    road_service,
    wanted_places,
)
from api.storage.tables import RoadPlaceRow, RoadServiceRow
from scheduler.places import Coordinates, as_array, great_circle_metres

REFRESH_AFTER = timedelta(days=30)
"""Ways older than this are asked anew."""

_LEASE = timedelta(minutes=10)
_CELL_DEGREES = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """How much is asked of a road service.

    Attributes
    ----------
    reach_metres
        Straight metres beyond which nobody is sent from one visit to the next: such pairs are
        never asked for, and estimated where one is needed after all.
    neighbours
        Places numbered before, the nearest ones, that a place is asked about.
    batch
        Places whose ways are asked for and stored together.
    seconds
        After which no further batch is begun; the next tick goes on.
    """

    reach_metres: float = 120_000.0
    neighbours: int = 2_000
    batch: int = 50
    seconds: float = 45.0


USUAL_EXTENT = Extent()


def keep_roads(
    database: Database,
    service: RoadService | None,
    *,
    holder: str,
    clock: Callable[[], datetime],
    should_stop: Callable[[], bool] = lambda: False,
    extent: Extent = USUAL_EXTENT,
) -> int:
    """Ask the road service for what is missing or old, for some time; return the pairs asked.

    Without a service what was known is no longer used, and kept in case it comes back.

    Parameters
    ----------
    holder : the process that asks; another one that is at it already is left to it.
    """
    if service is None:
        _give_up(database)
        return 0
    if not _claim(database, service.address, holder, clock()):
        return 0
    failure: str | None = None
    answered, asked = False, 0
    try:
        ends = time.monotonic() + extent.seconds
        _number_places(database)
        answered = _locate(database, service, clock)
        for batch, known in _batches(database, extent.batch, clock()):
            if should_stop() or time.monotonic() > ends:
                break
            found = _ask(service, batch, known, extent)
            answered = True
            with database.write() as session:
                if not _still_ours(session, holder, clock()):
                    return asked
                asked += _keep(session, found, clock())
    except RoadServiceSilent as error:
        failure = str(error)
    _release(database, holder, failure, answered, clock())
    return asked


def _give_up(database: Database) -> None:
    with database.read() as session:
        if road_service(session) is None:
            return
    with database.write() as session:
        if (row := road_service(session)) is not None:
            session.delete(row)


def _claim(database: Database, address: str, holder: str, now: datetime) -> bool:
    with database.write() as session:
        row = road_service(session) or new_road_service(address)
        if row.holder not in (None, holder) and row.lease_until and row.lease_until > now:
            return False
        if row.address != address:  # whatever was wrong was wrong with the other one
            row.address, row.failing_since, row.failure = address, None, None
        row.holder, row.lease_until = holder, now + _LEASE
        session.add(row)
        return True


def _still_ours(session: Session, holder: str, now: datetime) -> bool:
    row = road_service(session)
    if row is None or row.holder != holder:
        return False
    row.lease_until = now + _LEASE
    session.add(row)
    return True


def _release(
    database: Database, holder: str, failure: str | None, answered: bool, now: datetime
) -> None:
    """Give up the lease and note how the service was, where it was asked at all."""
    with database.write() as session:
        row: RoadServiceRow | None = road_service(session)
        if row is None or row.holder != holder:
            return
        row.holder = row.lease_until = None
        row.failure = failure
        row.failing_since = None if failure is None else row.failing_since or now
        if answered:
            row.answered_at = now
        session.add(row)


def _number_places(database: Database) -> None:
    """Number the places that are new, neighbours in a row; forget those nobody drives to."""
    with database.read() as session:
        wanted = wanted_places(session)
        known = [*road_places(session), *road_places(session, asked=False)]
    gone = [place.number for place in known if place.at not in wanted]
    new = wanted - {place.at for place in known}
    if gone or new:
        with database.write() as session:
            drop_road_places(session, gone)
            add_road_places(session, sorted(new, key=_along_the_rows))


def _along_the_rows(place: Coordinates) -> tuple[float, float, float, float]:
    """Sort by cells of a map, row by row to and fro, so that one batch lies close together."""
    row = place.lat // _CELL_DEGREES
    column = place.lon // _CELL_DEGREES
    return row, column if row % 2 else -column, place.lat, place.lon


def _locate(database: Database, service: RoadService, clock: Callable[[], datetime]) -> bool:
    """Ask where the next road is to each new place; return whether anything was asked."""
    with database.read() as session:
        new = road_places(session, asked=False)
    if not new:
        return False
    found = service.off_road_metres([place.at for place in new])
    with database.write() as session:
        for place, metres in zip(new, found, strict=True):
            row = session.get(RoadPlaceRow, place.number)
            if row is not None:
                row.off_road_metres, row.asked_at = metres, clock()
                session.add(row)
    return True


def _batches(
    database: Database, size: int, now: datetime
) -> Iterable[tuple[list[RoadPlace], list[RoadPlace]]]:
    """Yield places whose ways are to be asked, the missing ones first, and all on the road."""
    with database.read() as session:
        known = [place for place in road_places(session) if place.on_road]
        asked = fetched_at(session)
    missing = [place for place in known if place.number not in asked]
    old = sorted(
        (place for place in known if asked.get(place.number, now) < now - REFRESH_AFTER),
        key=lambda place: asked[place.number],
    )
    for places in (missing, old):
        for begin in range(0, len(places), size):
            yield places[begin : begin + size], known


def _ask(
    service: RoadService,
    batch: Sequence[RoadPlace],
    known: Sequence[RoadPlace],
    extent: Extent,
) -> list[tuple[int, NDArray[np.int64], NDArray[np.uint16], NDArray[np.uint16]]]:
    """Return for each place its number, those of its neighbours, and the ways there and back.

    The ways have the shape (2, n_neighbours): seconds, tens of metres.
    """
    number = np.array([place.number for place in known], dtype=np.int64)
    ours = np.array([place.number for place in batch], dtype=np.int64)
    metres = great_circle_metres(
        as_array([place.at for place in batch]), as_array([place.at for place in known])
    )
    metres[number >= ours[:, np.newaxis]] = np.inf
    near = metres <= extent.reach_metres
    if len(known) > extent.neighbours:
        last = extent.neighbours - 1
        farthest = np.partition(metres, last, axis=1)[:, last]
        near &= metres <= farthest[:, np.newaxis]
    columns = np.flatnonzero(near.any(axis=0))
    here, there = [place.at for place in batch], [known[at].at for at in columns.tolist()]
    out, home = service.ways(here, there), service.ways(there, here)
    found = []
    for row, place in enumerate(batch):
        own = near[row, columns]
        found.append(
            (
                place.number,
                number[columns[own]],
                np.stack([out.seconds[row, own], out.tens_of_metres[row, own]]),
                np.stack([home.seconds[own, row], home.tens_of_metres[own, row]]),
            )
        )
    return found


def _keep(
    session: Session,
    found: Iterable[tuple[int, NDArray[np.int64], NDArray[np.uint16], NDArray[np.uint16]]],
    now: datetime,
) -> int:
    asked = 0
    for place, others, there, back in found:
        if session.get(RoadPlaceRow, place) is not None:  # else its site has just moved away
            keep_ways(session, place, others, (there[0], there[1]), (back[0], back[1]), now=now)
            asked += 2 * len(others)
    return asked
