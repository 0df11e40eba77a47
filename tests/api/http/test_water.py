"""What the water of a site does to its boilers, through the API."""

import pytest
from fastapi.testclient import TestClient

from scheduler.steam import boiler_celsius
from scheduler.water_balance import WaterAnalysis, saturation_index
from tests.api.http.conftest import Caller


def put_water(dispatcher: TestClient, **water: object) -> int:
    """Write a test of the water into site a and return the status of the reply."""
    site = dispatcher.get("/v1/sites/s-a")
    kept = {k: v for k, v in site.json().items() if k not in ("id", "version")}
    headers = {"If-Match": site.headers["ETag"]}
    reply = dispatcher.put("/v1/sites/s-a", json={**kept, **water}, headers=headers)
    status: int = reply.status_code
    return status


def test_without_a_test_of_the_water_it_says_what_to_measure(dispatcher: TestClient) -> None:
    found = dispatcher.get("/v1/sites/s-a/water").json()
    # 10 °dH are 178.48 mg/L of CaCO3
    assert found["hardness"] == {
        "°dH": 10, "°fH": 17.85, "°e": 12.52, "gpg": 10.43, "mg/L CaCO3": 178.48,
    }  # fmt: skip
    assert found["not_measured"] == ["water_ph", "alkalinity_mg_l", "calcium_dh", "solids_mg_l"]
    assert found["boilers"] == []
    assert found["because"].startswith("Nothing can be said yet: measure pH and alkalinity ")


def test_water_is_judged_at_the_temperature_of_each_boiler(dispatcher: TestClient) -> None:
    assert put_water(dispatcher, water_ph=7.4, alkalinity_mg_l=140) == 200
    found = dispatcher.get("/v1/sites/s-a/water").json()
    (boiler,) = found["boilers"]
    # separate boilers are kept at 1.4 to 1.5 bar
    celsius = boiler_celsius(1.45)
    water = WaterAnalysis(hardness_dh=10, ph=7.4, alkalinity_mg_l=140)
    assert boiler["machine_id"] == "m-a"
    assert boiler["gauge_bar"] == pytest.approx(1.45)
    assert boiler["celsius"] == pytest.approx(celsius)
    assert boiler["index"] == pytest.approx(saturation_index(water, celsius))
    assert (boiler["tendency"], boiler["cartridge"]) == ("scale_forming", "decarbonising")
    assert 3 <= boiler["leave_dh"] <= 6
    assert found["not_measured"] == ["calcium_dh", "solids_mg_l"]
    assert found["because"].startswith(boiler["because"])


def test_slips_of_the_pen_in_a_water_test_are_refused(dispatcher: TestClient) -> None:
    assert put_water(dispatcher, water_ph=74) == 422
    assert put_water(dispatcher, alkalinity_mg_l=-5) == 422
    assert put_water(dispatcher, calcium_dh=11) == 422  # of 10 °dH in all


def test_a_hardness_may_come_in_any_unit_and_is_kept_in_german_degrees(
    dispatcher: TestClient,
) -> None:
    # 1 gpg is 17.1181 mg/L of CaCO3, 1 °dH 17.848 (tests/published/test_hardness.py)
    assert put_water(dispatcher, hardness_dh="12 gpg", calcium_dh="150 mg/L CaCO3") == 200
    site = dispatcher.get("/v1/sites/s-a").json()
    assert site["hardness_dh"] == pytest.approx(12 * 17.1181 / 17.848, rel=5e-5)
    assert site["calcium_dh"] == pytest.approx(150 / 17.848, rel=5e-5)
    assert dispatcher.get("/v1/sites/s-a/water").json()["hardness"]["gpg"] == 12
    assert put_water(dispatcher, calcium_dh="13 gpg") == 422  # of 12 in all
    assert put_water(dispatcher, hardness_dh="1800 mg/L CaCO3") == 422  # 100.9 °dH


def test_an_unknown_unit_of_hardness_is_refused(dispatcher: TestClient) -> None:
    site = dispatcher.get("/v1/sites/s-a")
    body = {k: v for k, v in site.json().items() if k not in ("id", "version")}
    headers = {"If-Match": site.headers["ETag"]}
    reply = dispatcher.put("/v1/sites/s-a", json={**body, "hardness_dh": "12 ppm"}, headers=headers)
    assert reply.status_code == 422
    assert "got '12 ppm'; the units are °dH, °fH, °e, gpg, mg/L CaCO3" in reply.text
    assert dispatcher.get("/v1/sites/s-a").json() == site.json()


def test_water_is_for_staff_and_only_of_sites_there_are(
    caller: Caller, dispatcher: TestClient
) -> None:
    assert caller("portal-a").get("/v1/sites/s-a/water").status_code == 403
    assert dispatcher.get("/v1/sites/zz/water").status_code == 404
