"""What the road service said, kept: one packed row per place, with the places asked before it."""

import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import delete
from sqlmodel import Session, col, select

from api.storage.tables import (
    CompanyRow,
    RoadPlaceRow,
    RoadServiceRow,
    RoadWaysRow,
    SiteRow,
    TechnicianRow,
)
from scheduler.places import Coordinates
from scheduler.road_travel import NOT_KNOWN, RoadWays

MOST_OFF_ROAD_METRES = 1_000.0
"""A place further from any road is not driven to by the network's word: perhaps a slip of the pen,
or the map lacks its road. Common practice, no source."""

_AT_ONCE = 500
_SERVICE = 1
_WAY = np.dtype(
    [
        ("other", "<i4"),
        ("there", "<u2"),
        ("back", "<u2"),
        ("tens_there", "<u2"),
        ("tens_back", "<u2"),
    ]
)
"""Seconds and tens of metres to and from another place, twelve octets before packing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadPlace:
    """A place by its number; ``on_road`` when the road service found a road near enough."""

    number: int
    at: Coordinates
    on_road: bool


def road_service(session: Session) -> RoadServiceRow | None:
    """Return the road service whose times are in use, None when travel is estimated."""
    return session.get(RoadServiceRow, _SERVICE)


def new_road_service(address: str) -> RoadServiceRow:
    """Return the one row of a road service nobody has asked yet."""
    return RoadServiceRow(id=_SERVICE, address=address)


def wanted_places(session: Session) -> set[Coordinates]:
    """Return everywhere anybody may drive: sites, homes and the workshop."""
    found = [
        *session.exec(select(SiteRow.lat, SiteRow.lon)),
        *session.exec(
            select(TechnicianRow.lat, TechnicianRow.lon).where(col(TechnicianRow.active))
        ),
        *session.exec(select(CompanyRow.workshop_lat, CompanyRow.workshop_lon)),
    ]
    return {Coordinates(lat=lat, lon=lon) for lat, lon in found}


def road_places(session: Session, *, asked: bool = True) -> list[RoadPlace]:
    """Return the places the road service was asked about, or is yet to be, in order of number."""
    rows = session.exec(
        select(
            col(RoadPlaceRow.number),
            RoadPlaceRow.lat,
            RoadPlaceRow.lon,
            RoadPlaceRow.off_road_metres,
        )
        .where(col(RoadPlaceRow.asked_at).is_not(None) == asked)
        .order_by(col(RoadPlaceRow.number))
    )
    return [
        RoadPlace(
            number=number,
            at=Coordinates(lat=lat, lon=lon),
            on_road=metres is not None and metres <= MOST_OFF_ROAD_METRES,
        )
        for number, lat, lon, metres in rows
        if number is not None
    ]


def add_road_places(session: Session, places: Iterable[Coordinates]) -> None:
    """Number some more places, in their order."""
    session.add_all(RoadPlaceRow(lat=place.lat, lon=place.lon) for place in places)
    session.flush()


def drop_road_places(session: Session, numbers: Sequence[int]) -> None:
    """Forget some places and the ways kept with them."""
    for begin in range(0, len(numbers), _AT_ONCE):
        some = numbers[begin : begin + _AT_ONCE]
        session.exec(delete(RoadWaysRow).where(col(RoadWaysRow.place).in_(some)))
        session.exec(delete(RoadPlaceRow).where(col(RoadPlaceRow.number).in_(some)))


def fetched_at(session: Session) -> dict[int, datetime]:
    """Return when the ways of each place were asked, by its number."""
    return dict(session.exec(select(RoadWaysRow.place, RoadWaysRow.fetched_at)).all())


def keep_ways(
    session: Session,
    place: int,
    others: NDArray[np.int64],
    there: tuple[NDArray[np.uint16], NDArray[np.uint16]],
    back: tuple[NDArray[np.uint16], NDArray[np.uint16]],
    *,
    now: datetime,
) -> None:
    """Store the ways between a place and ``others``: seconds and tens of metres, both directions.

    All arrays have the shape (n_others,); whatever was kept before is replaced.
    """
    ways = np.empty(len(others), dtype=_WAY)
    ways["other"] = others
    ways["there"], ways["tens_there"] = there
    ways["back"], ways["tens_back"] = back
    octets = zlib.compress(ways.tobytes(), level=1)
    row = RoadWaysRow(place=place, fetched_at=now, pairs=2 * len(others), octets=octets)
    session.merge(row)


def ways_among(session: Session, places: Iterable[Coordinates]) -> RoadWays:
    """Return what is known of the ways among some places."""
    wanted = set(places)
    asked = [place for place in road_places(session) if place.at in wanted]
    on_road = [place for place in asked if place.on_road]
    n_places = len(on_road)
    seconds = np.full((n_places, n_places), NOT_KNOWN, dtype=np.uint16)
    np.fill_diagonal(seconds, 0)
    tens = np.zeros((n_places, n_places), dtype=np.uint16)
    at = {place.number: row for row, place in enumerate(on_road)}
    oldest = _fill(session, at, seconds, tens)
    return RoadWays(
        places=tuple(place.at for place in on_road),
        seconds=seconds,
        tens_of_metres=tens,
        off_road=frozenset(place.at for place in asked if not place.on_road),
        oldest=oldest,
    )


def _fill(
    session: Session,
    at: Mapping[int, int],
    seconds: NDArray[np.uint16],
    tens: NDArray[np.uint16],
) -> datetime | None:
    """Unpack the rows of some places into matrices; return when the oldest row was asked."""
    oldest: datetime | None = None
    lookup = np.full(max(at, default=0) + 1, -1, dtype=np.int64)
    lookup[list(at)] = list(at.values())
    numbers = sorted(at)
    for begin in range(0, len(numbers), _AT_ONCE):
        some = numbers[begin : begin + _AT_ONCE]
        for row in session.exec(
            select(RoadWaysRow.place, RoadWaysRow.fetched_at, RoadWaysRow.octets).where(
                col(RoadWaysRow.place).in_(some)
            )
        ):
            place, fetched, octets = row
            ways = np.frombuffer(zlib.decompress(octets), dtype=_WAY)
            ways = ways[ways["other"] < len(lookup)]
            other = lookup[ways["other"]]
            ways, other = ways[other >= 0], other[other >= 0]
            here = at[place]
            seconds[here, other], tens[here, other] = ways["there"], ways["tens_there"]
            seconds[other, here], tens[other, here] = ways["back"], ways["tens_back"]
            oldest = fetched if oldest is None else min(oldest, fetched)
    return oldest
