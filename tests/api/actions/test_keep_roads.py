"""Ways by road: asked by the clock, kept with their age, planned by, and missed aloud."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlmodel import select

from api.actions.keep_roads import Extent, keep_roads
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.solving import solve_plan
from api.clock import Clock
from api.road_service import RoadService
from api.storage.company_travel import company_travel, tell_travel
from api.storage.database import Database
from api.storage.road_ways import fetched_at, road_places, wanted_places
from api.storage.tables import PlanRow, RoadServiceRow, RoadWaysRow, SiteRow, TechnicianRow
from scheduler.catalogue import Catalogue
from scheduler.places import Coordinates
from scheduler.road_travel import OSM_ATTRIBUTION, Source
from scheduler.travel import UNREACHABLE_MINUTES, StraightLineTravel
from tests.api.actions.conftest import NOW, TESTER
from tests.api.road_world import RoadWorld

DAY = timedelta(days=1)
NO_CATALOGUE = Catalogue.__new__(Catalogue)  # nothing here looks into it


def at(lat: float, lon: float) -> Coordinates:
    return Coordinates(lat=lat, lon=lon)


def service_of(world: RoadWorld) -> RoadService:
    return RoadService("http://roads:8002", transport=world.transport())


def keep(
    database: Database,
    world: RoadWorld | None,
    *,
    now: datetime = NOW,
    holder: str = "one",
    **options: Any,
) -> int:
    return keep_roads(
        database,
        None if world is None else service_of(world),
        holder=holder,
        clock=lambda: now,
        **options,
    )


def everywhere(database: Database) -> list[Coordinates]:
    with database.read() as session:
        return sorted(wanted_places(session), key=lambda place: (place.lat, place.lon))


def minutes(database: Database, places: Sequence[Coordinates]) -> np.ndarray:
    with database.read() as session:
        return company_travel(session, places).between(places).minutes


def told(database: Database, places: Sequence[Coordinates]) -> Any:
    with database.read() as session:
        return tell_travel(session, company_travel(session, places), places)


def move_site(database: Database, site: str, to: Coordinates) -> None:
    with database.write() as session:
        row = session.get_one(SiteRow, site)
        row.lat, row.lon = to.lat, to.lon
        session.add(row)


def test_without_a_service_travel_is_estimated(database: Database) -> None:
    assert keep(database, None) == 0
    places = everywhere(database)
    assert len(places) == 5  # two homes, two sites, the workshop
    estimate = StraightLineTravel().between(places).minutes
    assert (minutes(database, places) == estimate).all()
    assert told(database, places).source is Source.ESTIMATE
    assert told(database, places).warnings == ()


def test_every_pair_is_asked_once_and_then_driven_by(database: Database) -> None:
    world = RoadWorld()
    assert keep(database, world) == 5 * 4
    places = everywhere(database)
    metres = StraightLineTravel(circuity=1).between(places).metres
    by_road = np.ceil(metres / 10 / 60 + 4)  # 10 m/s, 4 minutes to park
    np.fill_diagonal(by_road, 0)
    assert minutes(database, places) == pytest.approx(by_road, abs=1)
    found = told(database, places)
    assert (found.source, found.pairs, found.estimated) == (Source.ROADS, 20, 0)
    assert (found.oldest, found.attribution, found.warnings) == (NOW, OSM_ATTRIBUTION, ())
    calls = len(world.calls)
    assert keep(database, world, now=NOW + DAY) == 0
    assert len(world.calls) == calls


def test_a_moved_site_costs_its_own_pairs_and_no_others(database: Database) -> None:
    world = RoadWorld()
    keep(database, world)
    before = world.pairs_asked
    move_site(database, "si-1", at(44.7, -0.5))
    # until the service is asked, the new place is estimated, and that is said
    places = everywhere(database)
    assert told(database, places).estimated == 8
    assert "8 of 20 drives are estimated" in told(database, places).warnings[0]
    assert keep(database, world, now=NOW + DAY) == 8
    assert world.pairs_asked - before == 8
    assert told(database, places).warnings == ()
    with database.read() as session:
        assert len(road_places(session)) == 5  # the old place is forgotten
        assert len(fetched_at(session)) == 5


def test_ways_are_asked_anew_when_they_are_a_month_old(database: Database) -> None:
    world = RoadWorld()
    keep(database, world)
    slower = RoadWorld(seconds_factor=2.0)
    assert keep(database, slower, now=NOW + 30 * DAY) == 0
    before = minutes(database, everywhere(database))
    later = NOW + 31 * DAY
    assert keep(database, slower, now=later) == 20
    after = minutes(database, everywhere(database))
    assert (after[0, 1:] > before[0, 1:]).all()
    assert told(database, everywhere(database)).oldest == later


def test_a_silent_service_leaves_what_is_known_and_is_said_aloud(database: Database) -> None:
    world = RoadWorld()
    keep(database, world)
    move_site(database, "si-1", at(44.7, -0.5))
    world.down = True
    places = everywhere(database)
    assert keep(database, world, now=NOW + DAY) == 0
    assert keep(database, world, now=NOW + 2 * DAY) == 0
    found = told(database, places)
    assert found.source is Source.ROADS
    assert found.warnings[0] == (
        "The road service has not answered since 2027-03-23 05:30Z "
        "(the road service does not answer: nobody there)."
    )
    world.down = False
    assert keep(database, world, now=NOW + 3 * DAY) == 8
    assert told(database, places).warnings == ()


def test_a_service_that_never_answered_leaves_the_estimate_and_says_so(database: Database) -> None:
    keep(database, RoadWorld(down=True))
    places = everywhere(database)
    found = told(database, places)
    assert found.source is Source.ESTIMATE
    assert found.attribution == ""
    assert found.warnings[1] == (
        "No time of the road service is known here yet: all travel is estimated."
    )
    assert (minutes(database, places) == StraightLineTravel().between(places).minutes).all()


def test_a_service_that_is_given_up_is_not_used_any_more(database: Database) -> None:
    keep(database, RoadWorld())
    keep(database, None)
    places = everywhere(database)
    assert (minutes(database, places) == StraightLineTravel().between(places).minutes).all()
    # and taken up again where it stopped
    world = RoadWorld()
    assert keep(database, world) == 0
    assert told(database, places).source is Source.ROADS


def test_a_place_far_from_any_road_is_estimated_and_named(database: Database) -> None:
    with database.read() as session:
        site = session.get_one(SiteRow, "si-1")
    lost = at(site.lat, site.lon)
    places = everywhere(database)
    for degrees in (0.02, 5.0):  # a road 2 km away, and none at all
        keep(database, RoadWorld(off_road={lost: degrees}))
        found = told(database, places)
        assert found.estimated == 8
        assert found.warnings[1].startswith(f"No road is within 1,000 metres of {site.name}")
        with database.write() as session:
            for row in session.exec(select(RoadServiceRow)):
                session.delete(row)


def test_an_island_is_no_short_drive_and_is_named(database: Database) -> None:
    with database.read() as session:
        site = session.get_one(SiteRow, "si-1")
    isle = at(site.lat, site.lon)
    keep(database, RoadWorld(islands={isle: "isle"}))
    places = everywhere(database)
    row = minutes(database, places)[places.index(isle)]
    assert sorted(row.tolist()) == [0, *[UNREACHABLE_MINUTES] * 4]
    assert told(database, places).warnings == (
        f"No road leads to {site.name} and back, so nobody can be sent by it. Check its place on "
        "the map, and whether the road service knows its ferry.",
    )


def test_work_cut_short_goes_on_where_it_stopped(database: Database) -> None:
    world = RoadWorld()
    stop_after = iter([False, False, True])
    one_by_one = Extent(batch=1)
    first = keep(database, world, should_stop=lambda: next(stop_after), extent=one_by_one)
    assert 0 < first < 20
    with database.read() as session:
        assert len(session.exec(select(RoadWaysRow)).all()) == 2
    assert first + keep(database, world) == 20


def test_one_process_asks_at_a_time_and_a_dead_one_is_replaced(database: Database) -> None:
    world = RoadWorld()
    others: list[int] = []
    world.before_answer = lambda: others.append(keep(database, RoadWorld(), holder="two"))
    assert keep(database, world) == 20
    assert others == [0] * len(world.calls)

    with database.write() as session:  # the first dies at its work
        row = session.exec(select(RoadServiceRow)).one()
        row.holder, row.lease_until = "one", NOW + timedelta(minutes=10)
        session.add(row)
    move_site(database, "si-1", at(44.7, -0.5))
    assert keep(database, RoadWorld(), holder="two", now=NOW + timedelta(minutes=9)) == 0
    assert keep(database, RoadWorld(), holder="two", now=NOW + timedelta(minutes=11)) == 8


def test_one_that_was_replaced_stores_nothing(database: Database) -> None:
    world = RoadWorld()

    def taken_over() -> None:
        if "/sources_to_targets" in world.calls:
            with database.write() as session:
                row = session.exec(select(RoadServiceRow)).one()
                row.holder = "two"
                session.add(row)

    world.before_answer = taken_over
    assert keep(database, world) == 0
    with database.read() as session:
        assert session.exec(select(RoadWaysRow)).all() == []


def test_pairs_out_of_reach_are_not_asked_and_estimated(database: Database) -> None:
    move_site(database, "si-1", at(48.85, 2.35))  # 500 km away
    world = RoadWorld()
    assert keep(database, world) == 4 * 3
    places = everywhere(database)
    found = told(database, places)
    assert (found.estimated, found.pairs) == (8, 20)
    assert "too long to be asked for" in found.warnings[0]


def test_a_place_with_many_neighbours_is_asked_about_the_nearest(database: Database) -> None:
    # numbered one after the other: 0, 1, 2, 2 and 2 places before
    assert keep(database, RoadWorld(), extent=Extent(neighbours=2)) == 2 * (0 + 1 + 2 + 2 + 2)
    assert told(database, everywhere(database)).estimated == 6


def solved(database: Database) -> PlanRow:
    request = PlanRequest(first_day=date(2027, 3, 23), days=5, iterations=200)
    plan = request_plan(database, request, now=NOW, origin=TESTER)
    claimed = claim_plan(database, holder="solver", now=NOW, only=plan.id)
    assert claimed == plan.id
    return solve_plan(database, plan.id, holder="solver", clock=lambda: NOW)


def test_a_plan_says_what_its_times_rest_on_and_leaves_out_who_cannot_be_reached(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        site = session.get_one(SiteRow, "si-1")
        home = session.get_one(TechnicianRow, "te-1")
    keep(database, RoadWorld(islands={at(site.lat, site.lon): "isle"}))
    plan = solved(database)
    assert plan.travel is not None
    assert plan.travel["source"] == "roads"
    assert plan.travel["attribution"] == OSM_ATTRIBUTION
    assert site.name in plan.travel["warnings"][0]
    assert plan.solution is not None
    left_out = plan.solution["left_out"]
    assert {each["reason"] for each in left_out} == {"too_far"}
    assert "No way leads there and back" in left_out[0]["detail"]

    # one technician lives on the isle as well: only they are sent there
    keep(
        database,
        RoadWorld(islands=dict.fromkeys([at(site.lat, site.lon), at(home.lat, home.lon)], "isle")),
        now=NOW + 40 * DAY,
    )
    again = solved(database)
    assert again.solution is not None
    assert again.solution["left_out"] == []
    problem_sites = {stop["shift"].split("/")[0] for stop in again.solution["stops"]}
    assert problem_sites == {"te-1", "te-2"}


def test_a_plan_without_a_service_tells_of_the_estimate(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    plan = solved(database)
    assert plan.travel is not None
    assert (plan.travel["source"], plan.travel["warnings"]) == ("estimate", [])
    assert plan.travel["pairs"] == plan.travel["estimated"]


def test_the_clock_keeps_the_roads_and_survives_a_broken_service(database: Database) -> None:
    world = RoadWorld()
    clock = Clock(database, NO_CATALOGUE, tell_time=lambda: NOW, roads=service_of(world))
    assert clock.keep_roads() == 20
    assert Clock(database, NO_CATALOGUE, tell_time=lambda: NOW).keep_roads() == 0
    places = everywhere(database)
    assert told(database, places).source is Source.ESTIMATE  # this clock has no service
