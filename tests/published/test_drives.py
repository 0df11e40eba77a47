"""Estimated drives of the demo region against what travellers and tourist offices publish.

An estimate from straight lines is not a route: the tolerances say how far it may be off.
"""

import tomllib
from dataclasses import replace
from importlib.resources import files

import pytest

from scheduler.places import Coordinates
from scheduler.travel import StraightLineTravel
from scheduler.waters import Barrier

DOCUMENT = tomllib.loads((files("seed_data.company") / "barriers.toml").read_text("utf-8"))
BARRIERS = tuple(Barrier.from_document(barrier) for barrier in DOCUMENT["barriers"])

# GeoNames coordinates
ROYAN = Coordinates(lat=45.62811, lon=-1.03153)
LE_VERDON = Coordinates(lat=45.54627, lon=-1.06158)
BLAYE = Coordinates(lat=45.12764, lon=-0.66225)
LAMARQUE = Coordinates(lat=45.09615, lon=-0.71771)


def test_round_the_estuary_by_road_is_228_km_and_three_hours() -> None:
    # lespassionsdebasile.blogspot.com, September 2022: from the landing at Le Verdon to Royan "by
    # road, count on 228 km and 3 hours"; within 10 %
    bridges_only = tuple(
        replace(
            barrier,
            crossings=tuple(c for c in barrier.crossings if not c.ferry_minutes),
        )
        for barrier in BARRIERS
    )
    table = StraightLineTravel(barriers=bridges_only).between([ROYAN, LE_VERDON])
    assert table.metres[0, 1] == pytest.approx(228_000, rel=0.1)
    assert table.minutes[0, 1] == pytest.approx(180, rel=0.1)


@pytest.mark.parametrize(
    ("one_side", "other_side", "fewest_minutes", "most_minutes"),
    [
        # passage 20 to 35 minutes, departures every 45 to 50 minutes (same source,
        # placeimages.co.uk, meerfueruns.de): from 20 with no wait to 35 + 50, and a few minutes
        # to drive and park
        pytest.param(ROYAN, LE_VERDON, 20, 95, id="mouth"),
        # "little more than 20 minutes", four to ten times a day (margaux-tourisme.com)
        pytest.param(BLAYE, LAMARQUE, 20, 120, id="Blaye"),
    ],
)
def test_ferries_take_what_is_published(
    one_side: Coordinates, other_side: Coordinates, fewest_minutes: int, most_minutes: int
) -> None:
    table = StraightLineTravel(barriers=BARRIERS).between([one_side, other_side])
    assert table.metres[0, 1] < 10_000
    assert fewest_minutes < table.minutes[0, 1] < most_minutes
