"""Where the demo company works: GeoNames' towns, and the waters between them from memory."""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from geographiclib.geodesic import Geodesic

from scheduler.places import Coordinates, as_array
from scheduler.travel import StraightLineTravel
from scheduler.waters import Barrier, meets
from seed_data.company.crew import barriers
from seed_data.company.geography import TOWN_PLANS, centre_of, town_plan
from seed_data.company.records import DemoCompany

GIRONDE_AND_GARONNE, DORDOGNE, ARCACHON_BAY = barriers()

# Which towns lie on which side, from any map.
LEFT_OF_THE_GARONNE = (
    "Le Verdon-sur-Mer", "Soulac-sur-Mer", "Lesparre-Médoc", "Pauillac", "Margaux", "Lamarque",
    "Macau", "Blanquefort", "Bordeaux", "Bègles", "Villenave-d'Ornon", "Cadaujac", "Portets",
    "Podensac", "Cérons", "Barsac", "Preignac", "Langon", "Bazas", "Fontet",
)  # fmt: skip
RIGHT_OF_THE_GARONNE = (
    "Royan", "Meschers-sur-Gironde", "Mortagne-sur-Gironde", "Blaye", "Bourg", "Lormont", "Cenon",
    "Floirac", "Bouliac", "Latresne", "Quinsac", "Cambes", "Langoiran", "Rions", "Cadillac",
    "Loupiac", "Saint-Macaire", "La Réole",
)  # fmt: skip
NORTH_OF_THE_DORDOGNE = (
    "Blaye", "Bourg", "Saint-Gervais", "Cubzac-les-Ponts", "Asques", "Fronsac", "Libourne",
    "Saint-Émilion", "Vignonet", "Sainte-Terre", "Castillon-la-Bataille", "Lamothe-Montravel",
    "Port-Sainte-Foy-et-Ponchapt",
)  # fmt: skip
BETWEEN_THE_RIVERS = (
    "Ambès", "Saint-Vincent-de-Paul", "Ambarès-et-Lagrave", "Izon", "Vayres", "Arveyres",
    "Génissac", "Moulon", "Branne", "Créon", "Saint-Pey-de-Castets", "Mouliets-et-Villemartin",
    "Sainte-Foy-la-Grande", "La Réole",
)  # fmt: skip


def _crossings_odd(one: str, other: str, barrier: Barrier) -> bool:
    """Whether the two towns lie on different sides: the line between them meets it oddly often."""
    ends = as_array([Coordinates(lat=lat, lon=lon) for lat, lon in map(centre_of, (one, other))])
    pieces = [as_array(piece)[None] for piece in pairwise(barrier.line)]
    return sum(bool(meets(ends[:1], ends[1:], piece)[0, 0]) for piece in pieces) % 2 == 1


def _flaws(
    towns: Sequence[str], reference: str, barrier: Barrier, *, other_side: bool
) -> list[str]:
    return [town for town in towns if _crossings_odd(town, reference, barrier) is not other_side]


def test_towns_lie_on_their_side_of_the_garonne() -> None:
    assert _flaws(LEFT_OF_THE_GARONNE, "Mérignac", GIRONDE_AND_GARONNE, other_side=False) == []
    assert _flaws(RIGHT_OF_THE_GARONNE, "Mérignac", GIRONDE_AND_GARONNE, other_side=True) == []


def test_towns_lie_on_their_side_of_the_dordogne() -> None:
    assert _flaws(NORTH_OF_THE_DORDOGNE, "Coutras", DORDOGNE, other_side=False) == []
    assert _flaws(BETWEEN_THE_RIVERS, "Coutras", DORDOGNE, other_side=True) == []


def test_arcachon_and_andernos_face_each_other_over_the_bay() -> None:
    south, north = ("Arcachon", "La Teste-de-Buch", "Gujan-Mestras"), ("Andernos-les-Bains", "Arès")
    assert [_crossings_odd(one, other, ARCACHON_BAY) for one in south for other in north] == (
        [True] * 6
    )


@pytest.mark.parametrize(
    ("one", "other", "least_minutes", "most_minutes"),
    [
        # the ferry of 45 minutes is nearer than the bridges, 110 km round
        ("Blaye", "Pauillac", 60, 80),
        ("Royan", "Soulac-sur-Mer", 65, 85),
        # round the head of the bay, about 40 km
        ("Arcachon", "Andernos-les-Bains", 40, 60),
        # over a bridge in town
        ("Bordeaux", "Cenon", 10, 20),
        # no water between them
        ("Mérignac", "Pessac", 10, 20),
        ("Libourne", "Saint-Émilion", 12, 25),
    ],
)
def test_drives_go_round_the_water(
    one: str, other: str, least_minutes: int, most_minutes: int
) -> None:
    places = [Coordinates(lat=lat, lon=lon) for lat, lon in map(centre_of, (one, other))]
    minutes = StraightLineTravel(barriers=barriers()).between(places).minutes[0, 1]
    assert least_minutes <= minutes <= most_minutes


def test_every_site_and_home_can_be_reached(company: DemoCompany) -> None:
    places = [Coordinates(lat=p.lat, lon=p.lon) for p in (*company.sites, *company.technicians)]
    table = StraightLineTravel(barriers=barriers()).between(places)
    assert bool(table.reachable.all())


def test_sites_lie_within_three_kilometres_of_their_town(company: DemoCompany) -> None:
    distances = [
        Geodesic.WGS84.Inverse(*centre_of(site.town), site.lat, site.lon)["s12"]
        for site in company.sites
    ]
    assert max(distances) < 3_000


def test_no_site_lies_across_the_water_from_its_town(company: DemoCompany) -> None:
    pieces = [as_array(piece)[None] for water in barriers() for piece in pairwise(water.line)]
    wrong = [
        site.id
        for site in company.sites
        for centre in [
            as_array([Coordinates(lat=centre_of(site.town)[0], lon=centre_of(site.town)[1])])
        ]
        if any(
            meets(centre, as_array([Coordinates(lat=site.lat, lon=site.lon)]), piece)[0, 0]
            for piece in pieces
        )
    ]
    assert wrong == []


def test_towns_are_those_of_the_region() -> None:
    # the centre of Bordeaux by any atlas: 44°50′ N, 0°35′ W
    assert centre_of("Bordeaux") == pytest.approx((44.84, -0.58), abs=0.01)
    outside = [
        plan.name
        for plan in TOWN_PLANS
        for lat, lon in [centre_of(plan.name)]
        if not (44.3 < lat < 45.7 and -1.3 < lon < 0.3)
    ]
    assert outside == []
    assert town_plan("Royan").area.seaside
