"""Wear, outlook, history and the company's own intervals, through the API."""

from datetime import date, timedelta
from xml.etree import ElementTree

import pytest
from fastapi.testclient import TestClient

from api.storage.database import Database
from api.storage.tables import FittedPartRow, WorkDoneRow
from scheduler.catalogue import Catalogue
from scheduler.duty import DutyClass
from scheduler.wear.lives import End, Life
from scheduler.wear.part_wear import FailurePolicy, part_wear
from tests.api.http.conftest import TODAY, Caller

AGES = (110, 130, 140, 150, 155, 160, 165, 170, 180, 190, 200)


@pytest.fixture
def worn(database: Database) -> Database:
    """Gaskets of machine a that failed at known ages, one after the other, at group 2."""
    fitted_on = TODAY - timedelta(days=sum(AGES) + 40)
    with database.write() as session:
        for n, age in enumerate(AGES):
            session.add(
                FittedPartRow(
                    id=f"old-{n}",
                    machine_id="m-a",
                    part_type="group_gasket",
                    position="group 2",
                    fitted_on=fitted_on,
                    removed_on=fitted_on + timedelta(days=age),
                    removal="failure",
                )
            )
            fitted_on += timedelta(days=age)
        session.add(
            FittedPartRow(
                id="young",
                machine_id="m-a",
                part_type="group_gasket",
                position="group 2",
                fitted_on=fitted_on,
            )
        )
    return database


def test_the_wear_of_a_part_type_is_that_of_the_lives_on_record(
    worn: Database, dispatcher: TestClient, catalogue: Catalogue
) -> None:
    # records begin with the contract on 2026-01-01, so that the oldest lives are left out or
    # known only from then on; p-a and p-b have run since 2026-05-02, 303 days
    found = dispatcher.get("/v1/part-types/group_gasket/wear").json()

    lives = []
    begun = date(2026, 1, 1)
    fitted_on = TODAY - timedelta(days=sum(AGES) + 40)
    for age in AGES:
        known_from = max(0, (begun - fitted_on).days)
        if known_from < age:
            lives.append(Life(age=age, end=End.FAILED, known_from=known_from))
        fitted_on += timedelta(days=age)
    running = [Life(age=303, end=End.RUNNING)] * 2 + [Life(age=40, end=End.RUNNING)]
    expected = part_wear(
        "group_gasket", DutyClass.STANDARD, [*lives, *running], catalogue, FailurePolicy()
    )
    assert found["law"]["failures"] == len(lives) == 2
    assert found["law"]["censored"] == 3
    assert found["law"]["expected_life_helped"]
    assert found["law"]["shape"]["value"] == pytest.approx(expected.fit.law.shape)
    assert found["advice"]["age_days"] == pytest.approx(expected.advice.age)
    assert found["because"] == expected.because
    assert found["censored_ages_days"] == [40, 303, 303]
    assert [point["failures"] for point in found["survival"]] == [1] * 2
    cheapest = min(found["curve"], key=lambda point: point["cost_per_day_minor"])
    assert cheapest["age_days"] == pytest.approx(found["advice"]["age_days"], rel=0.1)


def test_what_makes_a_difference_and_renewing_all_at_once_are_told(
    worn: Database, dispatcher: TestClient
) -> None:
    changed = TODAY - timedelta(days=300)
    found = dispatcher.get(f"/v1/part-types/group_gasket/wear?changed_on={changed}").json()

    told = {each["by"]: each for each in found["comparisons"]}
    # every machine is at standard duty, so there is nothing to compare by duty
    assert set(told) == {"position", "fitted"}
    # gaskets failed at group 2 at 190 and 200 days only; p-a and p-b have run for 303 at group 1
    assert [(g["name"], g["lives"], g["failures"]) for g in told["position"]["groups"]] == [
        ("group 1", 2, 0),
        ("group 2", 3, 2),
    ]
    assert told["position"]["freedom"] == 1
    assert 0 < told["position"]["p_value"] < 1
    assert told["position"]["because"].startswith("No difference between group 1 and group 2")
    together, alone = found["together"], found["advice"]
    assert together["cost_per_day_minor"] == pytest.approx(
        alone["cost_per_day_minor"] * (1 + together["dearer_share"])
    )
    assert together["dearer_share"] > 0
    assert together["because"].startswith("All at the same visit every ")


def test_machines_of_one_model_that_fail_ever_faster_are_worth_an_overhaul(
    database: Database, caller: Caller, dispatcher: TestClient
) -> None:
    # installed on 2024-05-02, watched since the contracts began on 2026-01-01 (day 609)
    path = "/v1/machines/m-a/overhaul?overhaul_minor=200000"
    assert dispatcher.get(path).status_code == 409  # nothing has failed yet
    with database.write() as session:
        for machine in ("m-a", "m-b"):
            for n, days_ago in enumerate((160, 120, 90, 70, 50, 35, 25, 15, 8, 3)):
                session.add(
                    WorkDoneRow(
                        id=f"{machine}-f{n}",
                        machine_id=machine,
                        rule="group_gasket_replace",
                        outcome="failure",
                        done_on=TODAY - timedelta(days=days_ago),
                    )
                )
    found = dispatcher.get(path).json()
    assert (found["machines"], found["failures"]) == (2, 20)
    assert found["shape_low"] > 1
    assert found["age_days"] > 0
    assert found["because"].startswith(f"Overhaul at {found['age_days']:.0f} days of age, after ")
    dearer = dispatcher.get("/v1/machines/m-a/overhaul?overhaul_minor=400000").json()
    assert dearer["age_days"] > found["age_days"]
    assert dispatcher.get("/v1/machines/m-a/overhaul?overhaul_minor=0").status_code == 422
    assert caller("portal-a").get(path).status_code == 403


def test_the_picture_of_wear_is_svg_with_a_mark_for_each_censoring_age(
    worn: Database, dispatcher: TestClient
) -> None:
    reply = dispatcher.get("/v1/part-types/group_gasket/wear.svg")
    assert reply.headers["content-type"] == "image/svg+xml"
    root = ElementTree.fromstring(reply.content)
    name = "{http://www.w3.org/2000/svg}"
    assert len(root.findall(f".//{name}title")) == 2  # at 40 and at 303 days
    texts = [element.text or "" for element in root.iter(f"{name}text")]
    assert "Share still good" in texts
    assert any(text.startswith("renew at ") for text in texts)


def test_parts_nobody_renews_and_unknown_ones(dispatcher: TestClient) -> None:
    assert dispatcher.get("/v1/part-types/pump_motor/wear").status_code == 409
    assert dispatcher.get("/v1/part-types/spring/wear").status_code == 404


def test_an_old_gasket_is_changed_today_and_a_young_one_left(
    worn: Database, dispatcher: TestClient
) -> None:
    next_visit = TODAY + timedelta(days=60)
    found = dispatcher.get(f"/v1/machines/m-a/wear?next_visit_on={next_visit}").json()

    assert (found["today"], found["next_visit_on"]) == (str(TODAY), str(next_visit))
    told = {
        part["fitted_part_id"]: (part["age_days"], part["change_today"]) for part in found["parts"]
    }
    assert told == {"p-a": (303, True), "young": (40, False)}
    assert [part["fitted_part_id"] for part in found["parts"]] == ["p-a", "young"]
    assert found["parts"][0]["because"].startswith("Change it today: ")
    # no failure is written down as work, so there is no trend
    assert (found["failures"], found["trend"]) == (0, None)


def test_the_next_visit_is_the_one_that_is_booked(dispatcher: TestClient) -> None:
    found = dispatcher.get("/v1/machines/m-a/wear").json()
    assert found["next_visit_on"] == str(TODAY + timedelta(days=1))
    past = dispatcher.get(f"/v1/machines/m-a/wear?next_visit_on={TODAY}")
    assert past.status_code == 422


def test_outlooks_of_machine_site_contract_and_company_add_up(dispatcher: TestClient) -> None:
    def outlook(path: str) -> dict[str, object]:
        found: dict[str, object] = dispatcher.get(f"{path}?months=6").json()
        return found

    machine = outlook("/v1/machines/m-a/outlook")
    assert machine["currency"] == "NOK"
    months = machine["months"]
    assert isinstance(months, list)
    assert [month["start"] for month in months] == [f"2027-{n:02}-01" for n in range(3, 9)]
    assert machine["tasks"] == sum(month["tasks"] for month in months) > 0
    assert outlook("/v1/sites/s-a/outlook") == machine
    assert outlook("/v1/contracts/k-a/outlook") == machine
    company = outlook("/v1/outlook")
    other = outlook("/v1/machines/m-b/outlook")
    assert company["cost_minor"] == machine["cost_minor"] + other["cost_minor"]  # type: ignore[operator]
    assert dispatcher.get("/v1/machines/zz/outlook").status_code == 404


@pytest.mark.parametrize(
    "path", ["outlook", "contracts/k-a/outlook", "sites/s-a/outlook", "machines/m-a/outlook"]
)
def test_outlooks_are_drawn_with_a_bar_for_each_month(dispatcher: TestClient, path: str) -> None:
    reply = dispatcher.get(f"/v1/{path}.svg?months=3")
    root = ElementTree.fromstring(reply.content)
    bars = root.findall(".//{http://www.w3.org/2000/svg}rect")
    assert (reply.headers["content-type"], len(bars)) == ("image/svg+xml", 1 + 2 * 3)


def test_the_history_of_a_machine_is_one_story(dispatcher: TestClient) -> None:
    found = dispatcher.get("/v1/machines/m-a/history").json()
    assert found == {
        "machine_id": "m-a",
        "items": [
            {
                "on": "2026-05-02",
                "kind": "work_done",
                "record": "w-a",
                "what": "Replace a group gasket (planned)",
            },
            {
                "on": "2026-05-02",
                "kind": "part_fitted",
                "record": "p-a",
                "what": "Group gasket, group 1",
            },
        ],
    }


def test_a_decision_is_looked_at_recorded_and_withdrawn(
    caller: Caller, dispatcher: TestClient
) -> None:
    wanted = {"rule": "group_gasket_replace", "months": 3, "reason": "They fail at four."}

    preview = dispatcher.post("/v1/interval-decisions/preview", json=wanted).json()
    # every 4.5 months at standard duty, done on 2026-05-02: overdue either way, so nothing moves
    assert preview["because"] == "This change moves no due date."
    longer = {**wanted, "months": 12}
    preview = dispatcher.post("/v1/interval-decisions/preview", json=longer).json()
    assert (preview["moved"], preview["later"], preview["first_effect_on"]) == (2, 2, str(TODAY))
    assert preview["first_moves"][0] == {
        "machine": "m-a",
        "rule": "group_gasket_replace",
        "fitted_part": "p-a",
        "before": str(TODAY),
        "after": "2027-05-02",
    }
    assert dispatcher.get("/v1/interval-decisions").json()["items"] == []

    added = dispatcher.post("/v1/interval-decisions", json=longer)
    decision = added.json()
    assert added.status_code == 201
    assert (decision["decided_by"], decision["decided_on"]) == ("dispatcher/dispatcher", str(TODAY))
    # one in its place ends it
    again = dispatcher.post("/v1/interval-decisions", json=wanted).json()
    standing = dispatcher.get("/v1/interval-decisions").json()["items"]
    assert [item["id"] for item in standing] == [again["id"]]

    path = f"/v1/interval-decisions/{again['id']}/withdrawn"
    assert dispatcher.put(path).status_code == 428
    ended = dispatcher.put(path, headers={"If-Match": '"v1"'}).json()
    assert ended["withdrawn_on"] == str(TODAY)
    assert dispatcher.get("/v1/interval-decisions").json()["items"] == []
    assert caller("technician-a").post("/v1/interval-decisions", json=wanted).status_code == 403


@pytest.mark.parametrize(
    ("wanted", "detail"),
    [
        (
            {"rule": "steam_safety_valve_replace", "months": 50},
            "steam_safety_valve_replace may wait at most 36 months, set by the maker; "
            "50 were decided: shorten the decision",
        ),
        ({"rule": "polish", "months": 5}, "the catalogue has no rule polish"),
        (
            {"rule": "group_gasket_replace", "months": 5, "machine_id": "zz"},
            "machine names no machine: got 'zz'",
        ),
    ],
)
def test_decisions_that_cannot_stand_are_refused(
    dispatcher: TestClient, wanted: dict[str, object], detail: str
) -> None:
    for path in ("/v1/interval-decisions", "/v1/interval-decisions/preview"):
        reply = dispatcher.post(path, json={**wanted, "reason": "because"})
        assert (reply.status_code, reply.json()["detail"]) == (422, detail)


def test_a_change_of_the_catalogue_is_checked_and_its_effect_told(
    dispatcher: TestClient, catalogue: Catalogue
) -> None:
    rule = """
        [rules.group_gasket_replace]
        name = "Replace a group gasket"
        part_type = "group_gasket"
        action = "replace"
        authority = "practice"
        minutes = 8
        state = "isolated_hot"
        consumes = { group_gasket = 1 }
        source = "for the test"
        interval = { months_by_drinks = [[180, 12]] }
    """
    told = dispatcher.post("/v1/catalogue/preview", json={"text": rule}).json()
    # gaskets fitted on 2026-05-02 were overdue and become due a year after that
    moves = [(m["rule"], m["before"], m["after"]) for m in told["first_moves"]]
    assert moves.count(("group_gasket_replace", str(TODAY), "2027-05-02")) == 2
    assert told["first_effect_on"] == str(TODAY)

    wrong = rule.replace("minutes = 8", "minutes = -8").replace("practice", "habit")
    refused = dispatcher.post("/v1/catalogue/preview", json={"text": wrong})
    assert refused.status_code == 422
    assert (
        "line 6, rules.group_gasket_replace.authority: must be one of" in refused.json()["detail"]
    )


def test_the_economic_life_is_that_of_blank_and_tarquin(dispatcher: TestClient) -> None:
    # Blank and Tarquin, Engineering Economy, example 11.2
    body = {
        "price_minor": 13_000,
        "resale_minor": [9_000, 8_000, 6_000, 2_000, 0],
        "upkeep_minor": [2_500, 2_700, 3_000, 3_500, 4_500],
        "interest": 0.1,
    }
    found = dispatcher.post("/v1/economic-life", json=body).json()
    assert found["years"] == 3
    assert [round(cost) for cost in found["annual_cost_minor"][:3]] == [7800, 6276, 6132]
    uneven = {**body, "upkeep_minor": [1]}
    assert dispatcher.post("/v1/economic-life", json=uneven).status_code == 422
