"""What travel times rest on, as the dispatcher is told."""

from datetime import timedelta

from fastapi.testclient import TestClient

from api.actions.keep_roads import keep_roads
from api.road_service import RoadService
from api.storage.database import Database
from api.storage.tables import SiteRow, TravelCalibrationRow
from scheduler.road_travel import OSM_ATTRIBUTION
from tests.api.http.conftest import NOW, Caller
from tests.api.road_world import RoadWorld


def keep(database: Database, world: RoadWorld) -> None:
    service = RoadService("http://roads:8002", transport=world.transport())
    keep_roads(database, service, holder="test", clock=lambda: NOW)


def test_without_drives_and_roads_the_usual_estimate_is_told(dispatcher: TestClient) -> None:
    told = dispatcher.get("/v1/travel").json()
    assert told["source"] == "estimate"
    assert told["roads"] is None
    estimate = told["estimate"]
    assert estimate["sentence"].startswith("No drive has been recorded yet")
    assert (estimate["drives"], estimate["calibrated_at"]) == (0, None)
    assert [band["km_per_hour"] for band in estimate["bands"]] == [28, 45, 70, 90]


def test_what_drives_have_taught_is_told_in_a_sentence(
    database: Database, dispatcher: TestClient
) -> None:
    odd = {
        "appointment": "ap-a",
        "technician": "t-a",
        "arrived_at": (NOW - timedelta(days=3)).isoformat(),
        "minutes": 170.0,
        "expected_minutes": 22.5,
    }
    with database.write() as session:
        session.add(
            TravelCalibrationRow(
                id="tc-1",
                made_at=NOW,
                since=NOW - timedelta(days=180),
                drives=412,
                by_ferry=2,
                passed_over={"break": 90, "waited": 31},
                odd=[odd],
                odd_drives=1,
                stop_minutes=5.24,
                bands=[
                    {"from_km": 0, "km_per_hour": 23.73, "factor": 1.18, "drives": 412},
                    {"from_km": 4, "km_per_hour": 45.0, "factor": 1.0, "drives": 260},
                ],
                usual_error_minutes=3.61,
                error_minutes=1.94,
            )
        )
    estimate = dispatcher.get("/v1/travel").json()["estimate"]
    assert estimate["sentence"] == (
        "Drives of the last 180 days: 412, 1 odd ones left out; by road from 0 km factor 1.18 "
        "(412 drives); from 4 km factor 1.00 (260 drives); 5.2 minutes to park. Half of them are "
        "met within 1.9 minutes, 3.6 as is usual."
    )
    assert (estimate["drives"], estimate["by_ferry"], estimate["odd_drives"]) == (412, 2, 1)
    assert estimate["passed_over"] == {"break": 90, "waited": 31}
    assert estimate["odd"][0]["minutes"] == 170
    assert estimate["bands"][0]["km_per_hour"] == 23.7


def test_the_road_service_is_told_with_whose_map_it_is(
    database: Database, dispatcher: TestClient
) -> None:
    world = RoadWorld()
    keep(database, world)
    told = dispatcher.get("/v1/travel").json()
    assert told["source"] == "roads"
    roads = told["roads"]
    assert roads["attribution"] == OSM_ATTRIBUTION
    assert (roads["missing"], roads["old"], roads["off_road"]) == (0, 0, 0)
    assert roads["places"] > 1
    assert (roads["failure"], roads["failing_since"]) == (None, None)

    world.down = True
    with database.write() as session:
        session.get_one(SiteRow, "s-a").lat += 0.1
    keep(database, world)
    roads = dispatcher.get("/v1/travel").json()["roads"]
    assert roads["failure"] == "the road service does not answer: nobody there"
    assert roads["failing_since"] is not None
    assert roads["answered_at"] is not None


def test_a_service_that_never_answered_leaves_the_estimate(
    database: Database, dispatcher: TestClient
) -> None:
    keep(database, RoadWorld(down=True))
    told = dispatcher.get("/v1/travel").json()
    assert told["source"] == "estimate"
    assert told["roads"]["places"] == 0


def test_technicians_are_not_told(caller: Caller) -> None:
    assert caller("technician-a").get("/v1/travel").status_code == 403
