"""The catalogue is changed by the office: looked at, stored, in force everywhere, taken back."""

import logging
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlmodel import col, select

from api.actions.raise_due_work import raise_due_work
from api.clock import Clock
from api.http.app import create_app
from api.http.context import present
from api.storage.catalogue_edits import KnownCatalogue
from api.storage.database import Database
from api.storage.tables import (
    AuditRow,
    CatalogueEditRow,
    DueTaskRow,
    ExaminationRow,
    FittedPartRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.catalogue_text import amended_catalogue
from tests.api.http.conftest import NOW, TEST, TODAY, Caller

EDITS = "/v1/catalogue/edits"
YEARLY = "[rules.group_gasket_replace]\ninterval = { months_by_drinks = [[180, 12]] }\n"
BRUSH = """
[part_types.brush]
name = "Group brush"
price_minor = 900
lead_days = 2
source = "invented price"
"""


def store(client: TestClient, text: str, **headers: str) -> Any:
    tag = client.get("/v1/catalogue").headers["etag"]
    body = {"text": text, "reason": "Timed at forty visits."}
    return client.post(EDITS, json=body, headers={"If-Match": tag, **headers})


def take_back(client: TestClient, edit: str) -> Any:
    tag = client.get("/v1/catalogue").headers["etag"]
    body = {"reason": "It was a mistake."}
    return client.put(f"{EDITS}/{edit}/taken-back", json=body, headers={"If-Match": tag})


def rule(client: TestClient, name: str = "group_gasket_replace") -> dict[str, Any]:
    items = client.get("/v1/catalogue/service-rules").json()["items"]
    return next(item for item in items if item["id"] == name)


def test_an_edit_is_looked_at_stored_and_taken_back(
    dispatcher: TestClient, database: Database
) -> None:
    shipped = rule(dispatcher)
    preview = dispatcher.post("/v1/catalogue/preview", json={"text": YEARLY}).json()
    assert preview["catalogue_version"] == 1
    moves = [(m["rule"], m["before"], m["after"]) for m in preview["first_moves"]]
    # gaskets fitted on 2026-05-02 were overdue and become due a year after that
    assert moves.count(("group_gasket_replace", str(TODAY), "2027-05-02")) == 2
    assert rule(dispatcher) == shipped

    stored = store(dispatcher, YEARLY)

    assert stored.status_code == 201
    assert stored.headers["etag"] == '"v2"'
    edit = stored.json()
    assert dispatcher.get(stored.headers["location"]).json() == edit
    assert (edit["made_by"], edit["reason"], edit["in_force"]) == (
        "dispatcher/dispatcher",
        "Timed at forty visits.",
        True,
    )
    changed = rule(dispatcher)
    assert changed["interval"]["months_by_drinks"] == [[180.0, 12.0]]
    assert {**changed, "interval": shipped["interval"]} == shipped
    outlook = dispatcher.post("/v1/catalogue/preview", json={"text": YEARLY}).json()
    assert outlook["moved"] == 0

    assert take_back(dispatcher, edit["id"]).json()["takes_back"] == edit["id"]
    assert rule(dispatcher) == shipped
    assert take_back(dispatcher, edit["id"]).status_code == 409
    history = dispatcher.get(EDITS).json()["items"]
    assert [(each["number"], each["in_force"]) for each in history] == [(1, False), (2, False)]
    with database.read() as session:
        verbs = [row.verb for row in session.exec(select(AuditRow).order_by(AuditRow.at))]
    assert [verb for verb in verbs if verb in ("edit", "take back")] == ["edit", "take back"]


def test_of_two_who_edit_at_once_one_looks_again(dispatcher: TestClient) -> None:
    tag = {"If-Match": dispatcher.get("/v1/catalogue").headers["etag"]}
    body = {"text": "[rules.group_gasket_replace]\nminutes = 9\n", "reason": "Slower."}
    assert dispatcher.post(EDITS, json=body).status_code == 428
    assert dispatcher.post(EDITS, json=body, headers=tag).status_code == 201
    other = {**body, "text": "[rules.group_gasket_replace]\nminutes = 5\n"}
    assert dispatcher.post(EDITS, json=other, headers=tag).status_code == 412
    assert rule(dispatcher)["minutes"] == 9


def test_a_lost_reply_is_asked_for_again_and_stored_once(
    dispatcher: TestClient, database: Database
) -> None:
    tag = dispatcher.get("/v1/catalogue").headers["etag"]
    body = {"text": YEARLY, "reason": "Asked twice."}
    headers = {"If-Match": tag, "Idempotency-Key": "edit-1"}
    first = dispatcher.post(EDITS, json=body, headers=headers)
    again = dispatcher.post(EDITS, json=body, headers=headers)
    assert (again.status_code, again.json()) == (201, first.json())
    assert again.headers["etag"] == first.headers["etag"]
    with database.read() as session:
        assert len(session.exec(select(CatalogueEditRow)).all()) == 1


def test_what_is_flawed_or_relaxes_a_limit_is_refused_whole(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    text = (
        "[rules.group_gasket_replace]\nminutes = 9\n"
        "[rules.steam_safety_valve_replace]\n"
        "limit = { months = 60, authority = 'maker', source = 'hope' }\n"
    )
    for reply in (
        store(dispatcher, text),
        dispatcher.post("/v1/catalogue/preview", json={"text": text}),
    ):
        assert (reply.status_code, reply.json()["detail"]) == (
            422,
            "rules.steam_safety_valve_replace.limit.months: the maker allows 36 at most, got 60",
        )
    assert rule(dispatcher)["minutes"] == catalogue.rules["group_gasket_replace"].minutes
    with database.read() as session:
        assert session.exec(select(CatalogueEditRow)).all() == []


def test_only_the_office_edits(caller: Caller) -> None:
    tag = {"If-Match": '"v1"'}
    body = {"text": YEARLY, "reason": "No."}
    for who in ("technician-a", "portal-a"):
        assert caller(who).post(EDITS, json=body, headers=tag).status_code == 403
    assert caller("portal-a").get(EDITS).status_code == 403
    assert caller("technician-a").get(EDITS).status_code == 200


def test_an_edit_counts_at_once_in_every_process(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    elsewhere = KnownCatalogue(catalogue)
    catalogue = replace(catalogue, currency="NOK")  # the company's
    assert elsewhere.of(database) == catalogue
    edit = store(dispatcher, YEARLY).json()

    assert elsewhere.of(database) == amended_catalogue(catalogue, YEARLY)
    other = create_app(database, elsewhere.shipped, public_url="https://plan.example.org")
    other.dependency_overrides[present] = lambda: NOW
    at_another = TestClient(other, headers=dispatcher.headers)
    assert rule(at_another)["interval"]["months_by_drinks"] == [[180.0, 12.0]]

    take_back(at_another, edit["id"])
    assert elsewhere.of(database) == catalogue
    assert rule(dispatcher)["interval"]["months_by_drinks"][0] == [60.0, 6.0]


def test_triage_works_by_an_edited_symptom_at_once(dispatcher: TestClient) -> None:
    report = {"machine": "E-a", "symptoms": ["no_heat"]}
    before = dispatcher.post("/v1/callbacks", json=report).json()
    assert before["urgency"] != "danger"
    text = "[symptoms.no_heat]\nred_flag = true\nmake_safe = 'Switch it off at the wall.'\n"
    assert store(dispatcher, text).status_code == 201
    after = dispatcher.post("/v1/callbacks", json={**report, "machine": "E-b"}).json()
    assert after["urgency"] == "danger"
    assert "Switch it off at the wall." in str(after["make_safe"])


@pytest.mark.parametrize("days_off", [0, 7])
def test_due_work_and_booked_worksheets_follow_an_edit(
    dispatcher: TestClient, database: Database, catalogue: Catalogue, days_off: int
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    cautions = [*catalogue.rules["group_gasket_replace"].cautions, "chemicals"]
    text = f"{YEARLY}cautions = {cautions}\n"
    caution = "[cautions.chemicals]\ntext = 'Keep the cleaning powder off your skin.'\n"
    edit = store(dispatcher, text + caution).json()
    now = NOW + timedelta(days=days_off)  # no clock ran meanwhile
    clocks = [Clock(database, catalogue, tell_time=lambda: now) for _ in range(2)]

    assert [clock.follow_edits() for clock in clocks] == [edit["id"], None]

    with database.read() as session:
        gaskets = session.exec(
            select(DueTaskRow.target)
            .where(DueTaskRow.rule == "group_gasket_replace", DueTaskRow.state == "open")
            .where(col(DueTaskRow.id).not_in(["d-a", "d-b"]))  # these two are booked, and stay
        )
        # renewed last on 2026-05-02
        assert set(gaskets) == {date(2027, 5, 2)}
        booked = session.get_one(VisitRow, "v-a")
    assert "Keep the cleaning powder off your skin." in str(booked.worksheet)


def test_what_records_name_is_not_taken_away(dispatcher: TestClient, database: Database) -> None:
    edit = store(dispatcher, BRUSH).json()["id"]
    with database.write() as session:
        session.add(
            FittedPartRow(
                id="p-x", machine_id="m-a", part_type="brush", position="group 1", fitted_on=TODAY
            )
        )
    refused = take_back(dispatcher, edit)
    assert (refused.status_code, refused.json()["detail"]) == (
        422,
        "part_types.brush: 1 fitted parts name it: store another edit instead",
    )


def test_a_law_that_certificates_name_is_not_taken_away(
    dispatcher: TestClient, database: Database
) -> None:
    law = """
[rules.hose_test]
name = "Statutory test of the hoses"
action = "test"
authority = "statute"
alone = true
applies_to = { kinds = ["espresso_machine"] }
interval = { months_by_drinks = [[180, 12]] }
state = "live"
minutes = 10
source = "invented"
"""
    edit = store(dispatcher, law).json()["id"]
    with database.write() as session:
        session.add(
            ExaminationRow(
                id="ex-x", machine_id="m-a", rule="hose_test", certificate="1", body="B",
                competent_person="P", examined_on=TODAY, result="failed", recorded_by="t",
                recorded_at=NOW,
            )
        )  # fmt: skip
    refused = take_back(dispatcher, edit)
    assert refused.status_code == 422
    assert refused.json()["detail"].startswith("rules.hose_test: 1 examinations name it")


def test_newer_files_an_edit_does_not_fit_leave_the_rest_in_force_and_are_told_of(
    dispatcher: TestClient,
    database: Database,
    catalogue: Catalogue,
    caplog: pytest.LogCaptureFixture,
) -> None:
    fits = store(dispatcher, "[rules.group_gasket_replace]\nminutes = 9\n").json()["id"]
    text = "[rules.steam_safety_valve_replace]\ninterval = { months_by_drinks = [[180, 30]] }\n"
    lost = store(dispatcher, text).json()["id"]
    newer = amended_catalogue(  # in newer files the maker asks for the valve every two years
        catalogue,
        "[rules.steam_safety_valve_replace]\n"
        "limit = { months = 24, authority = 'maker', source = 'the manual' }\n",
    )
    app = create_app(database, newer, public_url="https://plan.example.org")
    app.dependency_overrides[present] = lambda: NOW
    upgraded = TestClient(app, headers=dispatcher.headers)

    with caplog.at_level(logging.ERROR, logger="steamround.catalogue"):
        assert rule(upgraded)["minutes"] == 9

    valve = rule(upgraded, "steam_safety_valve_replace")
    assert valve["interval"]["months_by_drinks"] == [[180.0, 12.0]]
    flaw = "rules.steam_safety_valve_replace.limit.months: must be at least the longest interval"
    (line,) = caplog.messages
    assert line.startswith(f"edit {lost} of the catalogue is not in force: {lost} line")
    assert flaw in line
    state = upgraded.get("/v1/catalogue").json()
    assert (state["version"], state["edits_in_force"]) == (3, 1)
    assert [(each["edit_id"], flaw in each["flaws"][0]) for each in state["not_in_force"]] == [
        (lost, True)
    ]
    shown = {each["id"]: each["in_force"] for each in upgraded.get(EDITS).json()["items"]}
    assert shown == {fits: True, lost: False}
    assert take_back(upgraded, lost).status_code == 200
    assert upgraded.get("/v1/catalogue").json()["not_in_force"] == []
