"""Counts, load lists and shortages, through the API."""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from api.storage.database import Database
from api.storage.tables import AppointmentRow, VisitRow
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import TODAY, Caller

TOMORROW = TODAY + timedelta(days=1)


@pytest.fixture
def gaskets_needed(database: Database) -> Database:
    """Technician a needs three gaskets tomorrow, technician b two the day after."""
    with database.write() as session:
        session.get_one(VisitRow, "v-a").parts = {"group_gasket": 3}
        session.get_one(VisitRow, "v-b").parts = {"group_gasket": 2}
        later = session.get_one(AppointmentRow, "ap-b")
        later.starts_at += timedelta(days=1)
        later.ends_at += timedelta(days=1)
    return database


def test_a_count_is_stored_whole_and_only_at_places_there_are(
    caller: Caller, dispatcher: TestClient
) -> None:
    assert dispatcher.get("/v1/stock/workshop").json() == {
        "place": "workshop",
        "counted": False,
        "pieces": {},
        "at_hand": {},
    }
    first = {"pieces": {"group_gasket": 5, "steam_wand": 1}}
    assert dispatcher.put("/v1/stock/workshop", json=first).status_code == 200
    dispatcher.put("/v1/stock/workshop", json={"pieces": {"group_gasket": 4}})
    assert dispatcher.get("/v1/stock/workshop").json()["pieces"] == {"group_gasket": 4}

    assert dispatcher.put("/v1/stock/attic", json=first).status_code == 404
    bad = {"pieces": {"group_gasket": 9, "feather": 1}}
    assert dispatcher.put("/v1/stock/workshop", json=bad).status_code == 422
    negative = dispatcher.put("/v1/stock/workshop", json={"pieces": {"group_gasket": -1}})
    assert negative.json()["errors"][0]["pointer"] == "/pieces/group_gasket"
    assert dispatcher.get("/v1/stock/workshop").json()["pieces"] == {"group_gasket": 4}

    technician = caller("technician-a")
    assert technician.put("/v1/stock/t-a", json=first).status_code == 200
    assert technician.put("/v1/stock/t-b", json=first).status_code == 404
    assert technician.get("/v1/stock/t-b").status_code == 404
    assert caller("portal-a").get("/v1/stock/workshop").status_code == 403


def test_an_empty_van_is_counted_too_and_a_count_can_be_forgotten(
    gaskets_needed: Database, caller: Caller, dispatcher: TestClient
) -> None:
    technician = caller("technician-a")
    nothing = {"place": "t-a", "counted": True, "pieces": {}, "at_hand": {}}
    assert technician.put("/v1/stock/t-a", json={"pieces": {}}).json() == nothing
    assert technician.get("/v1/stock/t-a").json() == nothing
    load = technician.get("/v1/technicians/t-a/load?days=7").json()
    assert (load["van_counted"], load["days"][0]["loads"][0]["in_van"]) == (True, 0)

    assert technician.delete("/v1/stock/t-a").status_code == 403
    assert dispatcher.delete("/v1/stock/t-a").status_code == 204
    assert technician.get("/v1/stock/t-a").json()["counted"] is False
    assert dispatcher.delete("/v1/stock/t-a").status_code == 404


def test_the_load_list_takes_from_the_van_first(
    gaskets_needed: Database, caller: Caller, dispatcher: TestClient
) -> None:
    dispatcher.put("/v1/stock/t-a", json={"pieces": {"group_gasket": 1}})
    found = caller("technician-a").get("/v1/technicians/t-a/load?days=7").json()

    assert (found["van_counted"], found["workshop_counted"]) == (True, False)
    assert found["days"] == [
        {
            "day": str(TOMORROW),
            "technician_id": "t-a",
            "technician_name": "Technician a",
            "loads": [
                {
                    "part_type": "group_gasket",
                    "part_name": "Group gasket",
                    "needed": 3,
                    "in_van": 1,
                    "from_workshop": 2,
                    "short": 0,
                    "order_by": None,
                }
            ],
        }
    ]
    assert found["carry"]
    assert caller("technician-a").get("/v1/technicians/t-b/load").status_code == 404


def test_what_will_be_short_is_told_before_the_day(
    gaskets_needed: Database, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    # nothing is counted, so nothing is known to be short, and that is said
    assert dispatcher.get("/v1/shortages").json() == {
        "items": [],
        "workshop_counted": False,
        "vans_not_counted": [
            {"technician_id": "t-a", "technician_name": "Technician a"},
            {"technician_id": "t-b", "technician_name": "Technician b"},
        ],
    }
    dispatcher.put("/v1/stock/t-b", json={"pieces": {"steam_wand": 1}})
    dispatcher.put("/v1/stock/workshop", json={"pieces": {"group_gasket": 4}})
    day = TODAY + timedelta(days=2)
    order_by = day - timedelta(days=catalogue.part_types["group_gasket"].lead_days)
    found = dispatcher.get("/v1/shortages").json()
    assert (found["workshop_counted"], found["vans_not_counted"]) == (
        True,
        [{"technician_id": "t-a", "technician_name": "Technician a"}],
    )
    assert found["items"] == [
        {
            "day": str(day),
            "technician_id": "t-b",
            "technician_name": "Technician b",
            "part_type": "group_gasket",
            "part_name": "Group gasket",
            "short": 1,
            "order_by": str(order_by),
            "too_late": order_by < TODAY,
        }
    ]


def test_the_workshop_is_told_what_to_order_and_up_to_how_many(
    caller: Caller, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    answer = dispatcher.get("/v1/reorders").json()
    assert answer["currency"] == "NOK"
    found = answer["items"]
    for item in found:  # as a person would say them
        assert isinstance(item["cost_a_year_minor"], int)
        assert item["demand_a_year"] == round(item["demand_a_year"], 1)
    gasket = next(item for item in found if item["part_type"] == "group_gasket")
    # two machines with one gasket on record each, renewed every 4.5 months, and their faults
    assert gasket["demand_a_year"] > 4
    assert (gasket["in_stock"], gasket["order_now"]) == (None, 0)
    assert gasket["lead_days"] == catalogue.part_types["group_gasket"].lead_days

    dispatcher.put("/v1/stock/workshop", json={"pieces": {"group_gasket": 1}})
    found = dispatcher.get("/v1/reorders?order_minor=5000").json()["items"]
    dearer = next(item for item in found if item["part_type"] == "group_gasket")
    assert dearer["order_up_to"] > gasket["order_up_to"]
    assert dearer["order_now"] == (dearer["order_up_to"] - 1 if dearer["reorder_at"] >= 1 else 0)
    for beyond in ("review_days=0", "order_minor=1e6", "shortage_week_minor=1e-9"):
        assert dispatcher.get(f"/v1/reorders?{beyond}").status_code == 422
    assert caller("technician-a").get("/v1/reorders").status_code == 403


def test_who_goes_and_the_office_read_of_a_call_and_no_portal_does(
    database: Database, caller: Caller, dispatcher: TestClient
) -> None:
    with database.write() as session:
        row = session.get_one(AppointmentRow, "ap-a")
        row.call_minutes, row.fetch = 15, {"v-a": {"group_gasket": 3}}
    told = {"call_minutes": 15, "fetch": {"v-a": {"group_gasket": 3}}}
    for reader in (dispatcher, caller("technician-a")):
        assert told.items() <= reader.get("/v1/appointments/ap-a").json().items()
    portal = caller("portal-a")
    for shown in (
        portal.get("/v1/appointments/ap-a").json(),
        portal.get("/v1/appointments").json()["items"][0],
    ):
        assert (shown["call_minutes"], shown["fetch"]) == (None, {})
