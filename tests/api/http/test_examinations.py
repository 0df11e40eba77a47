"""Statutory examinations: certificates on record, what is due, and what a visit cannot do."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlmodel import col, select

from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.examinations import note_certified_until
from api.storage.tables import (
    AppointmentRow,
    ContractRow,
    DueTaskRow,
    ExaminationRow,
    FittedPartRow,
    MachineRow,
    OutboxRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, TEST, TODAY, Caller
from tests.api.http.test_readings import report

RULE = "pressure_vessel_examination"
EXAMINED: dict[str, Any] = {
    "machine_id": "m-a",
    "rule": RULE,
    "certificate": "DV-2026-0311",
    "competent_person": "Ragna Solbu",
    "body": "Dampkontrollen",
    "examined_on": "2026-03-11",
    "result": "passed",
    "valid_until": "2027-03-10",
    "findings": "Valve lifted at 1.85 bar.",
}


@pytest.fixture(autouse=True)
def under_the_law(database: Database) -> None:
    with database.write() as session:
        for name in "ab":
            session.get_one(MachineRow, f"m-{name}").features = ["statutory_inspection"]
            session.get_one(ContractRow, f"k-{name}").statutory_included = name == "a"


def record(client: TestClient, **other: Any) -> Any:
    return client.post("/v1/examinations", json={**EXAMINED, **other})


def items(client: TestClient, query: str = "certified=true") -> list[tuple[str, str, str, bool]]:
    found = client.get(f"/v1/statutory-items?{query}").json()["items"]
    return [
        (each["machine_id"], each["due_on"], each["standing"], each["ours"])
        for each in found
        if each["rule"] == RULE
    ]


def test_what_the_law_asks_for_is_told_with_names(
    dispatcher: TestClient, catalogue: Catalogue
) -> None:
    record(dispatcher)
    (item,) = dispatcher.get("/v1/statutory-items?certified=true").json()["items"]
    named = ("machine_id", "machine_name", "site_id", "site_name", "rule", "name")
    assert [item[key] for key in named] == [
        "m-a", "Two groups", "s-a", "Site a", RULE, catalogue.rules[RULE].name,
    ]  # fmt: skip


def test_a_certificate_is_recorded_and_its_last_day_is_the_next_due_date(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    recorded = record(dispatcher)
    assert recorded.status_code == 201
    assert dispatcher.get(recorded.headers["location"]).json() == recorded.json()
    record(dispatcher, machine_id="m-b", valid_until="2027-02-20")

    assert items(dispatcher) == [
        ("m-b", "2027-02-20", "run_out", False),
        ("m-a", "2027-03-10", "soon", True),
    ]
    assert items(dispatcher, "certified=true&days=3&site=s-a") == []
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    with database.read() as session:
        tasks = session.exec(
            select(DueTaskRow).where(DueTaskRow.rule == RULE, DueTaskRow.state == "open")
        ).all()
        visit = session.get_one(VisitRow, tasks[0].visit_id)
    # the client of machine b has its boiler examined by others
    assert [(task.machine_id, task.latest, task.hard) for task in tasks] == [
        ("m-a", date(2027, 3, 10), True)
    ]
    assert (visit.kind, visit.hard_latest) == ("statutory", date(2027, 3, 10))


def test_a_machine_whose_certificate_has_run_out_is_flagged_wherever_it_is_shown(
    caller: Caller, dispatcher: TestClient
) -> None:
    record(dispatcher, valid_until="2027-02-28")
    record(dispatcher, machine_id="m-b", certificate="B", valid_until="2027-03-01")
    for who in ("dispatcher", "technician-b", "portal-a"):
        shown = caller(who).get("/v1/machines/m-a").json()
        assert shown["certified_until"] == "2027-02-28"
    flag = [{"machine_id": "m-a", "certified_until": "2027-02-28"}]
    for of in ("machines/m-a", "sites/s-a", "contracts/k-a"):
        assert dispatcher.get(f"/v1/{of}/outlook").json()["certificates_run_out"] == flag
    assert dispatcher.get("/v1/outlook").json()["certificates_run_out"] == flag
    # it holds on its last day
    assert dispatcher.get("/v1/machines/m-b/outlook").json()["certificates_run_out"] == []
    story = dispatcher.get("/v1/machines/m-a/history").json()["items"]
    told = [(each["on"], each["kind"]) for each in story if "ertificate" in each["what"]]
    assert told == [("2027-03-01", "certificate_ran_out"), ("2026-03-11", "examined")]


FAILED: dict[str, Any] = {
    "certificate": "X",
    "examined_on": "2027-02-26",
    "result": "failed",
    "valid_until": None,
    "findings": "Safety valve seized.",
}


def open_examinations(database: Database) -> list[tuple[date, date]]:
    with database.read() as session:
        tasks = session.exec(
            select(DueTaskRow).where(DueTaskRow.rule == RULE, DueTaskRow.state == "open")
        ).all()
    return [(task.anchor, task.latest) for task in tasks]


def test_a_failed_examination_stays_due_and_stops_the_machine_until_it_is_passed(
    dispatcher: TestClient,
    database: Database,
    catalogue: Catalogue,
    an_hour_later: Callable[[], None],
) -> None:
    record(dispatcher)
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    assert open_examinations(database) == [(date(2026, 3, 11), date(2027, 3, 10))]

    failed = record(dispatcher, **FAILED).json()

    # no gap until the night: it is due at once, and the machine is not to be used
    assert open_examinations(database) == [(date(2027, 2, 26), date(2027, 2, 26))]
    assert items(dispatcher) == [("m-a", "2027-02-26", "run_out", True)]
    machine = dispatcher.get("/v1/machines/m-a").json()
    assert machine["certified_until"] == "2027-02-25"
    assert machine["out_of_service_since"] == "2027-03-01T08:00:00Z"
    (standing,) = dispatcher.get("/v1/standstills").json()["items"]
    assert (standing["examination_id"], standing["visit_id"]) == (failed["id"], None)
    assert standing["because"] == (
        "Statutory examination of the steam boiler of 2027-02-26 was not passed (certificate X): "
        "switch off and make safe; not to be used before it is passed. "
        "Findings: Safety valve seized."
    )
    with database.read() as session:
        (stopped,) = session.exec(select(OutboxRow).where(OutboxRow.topic == "machine.stopped"))
    assert (stopped.payload["machine"], stopped.payload["visit"]) == ("m-a", None)
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    with database.read() as session:
        (visit,) = session.exec(
            select(VisitRow)
            .join(DueTaskRow, col(DueTaskRow.visit_id) == col(VisitRow.id))
            .where(DueTaskRow.rule == RULE, DueTaskRow.state == "open")
        )
    assert (visit.kind, visit.urgency) == ("statutory", "stopped")

    # nobody can answer for what the law asks for
    def put_back() -> Any:
        address = f"/v1/standstills/{standing['id']}"
        tag = {"If-Match": dispatcher.get(address).headers["etag"]}
        body = {"reason": "Valve renewed.", "competent_person": "Ragna Solbu"}
        return dispatcher.put(f"{address}/ended", json=body, headers=tag)

    refused = put_back()
    assert (refused.status_code, "was not passed" in refused.json()["detail"]) == (409, True)
    an_hour_later()
    # passed on the day on which it was first refused: the earlier record does not count any more
    passed = {"certificate": "Y", "examined_on": "2027-02-26", "valid_until": "2028-02-25"}
    assert record(dispatcher, **passed).status_code == 201
    assert open_examinations(database) == []
    assert put_back().status_code == 200


def test_of_two_examinations_recorded_in_one_second_the_refused_one_counts(
    dispatcher: TestClient,
) -> None:
    for number in "KLM":  # the order of their ids is chance
        record(dispatcher, certificate=number, examined_on="2027-02-26", valid_until="2028-02-25")
    record(dispatcher, **FAILED)
    assert items(dispatcher) == [("m-a", "2027-02-26", "run_out", True)]
    assert dispatcher.get("/v1/machines/m-a").json()["certified_until"] == "2027-02-25"


def test_a_failed_examination_reported_with_its_visit_leaves_no_gap(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "under_way"
        task = session.get_one(DueTaskRow, "d-a")
        task.rule, task.fitted_part_id, task.anchor = RULE, None, date(2026, 3, 11)
    record(dispatcher, **{**FAILED, "examined_on": str(TODAY)})
    assert report(dispatcher, tasks_done=["d-a"]).status_code == 200
    assert open_examinations(database) == [(TODAY, TODAY)]


def test_a_withdrawn_record_makes_what_stood_before_due_again(
    dispatcher: TestClient, database: Database
) -> None:
    record(dispatcher)
    wrong = record(dispatcher, certificate="Z", examined_on="2027-02-26", valid_until="2028-02-25")
    assert open_examinations(database) == []
    address = f"/v1/examinations/{wrong.json()['id']}/withdrawal"
    assert dispatcher.post(address, json={"reason": "Another machine's."}).status_code == 201
    assert open_examinations(database) == [(date(2026, 3, 11), date(2027, 3, 10))]


def test_an_old_failed_examination_recorded_late_stops_nothing(
    dispatcher: TestClient, database: Database
) -> None:
    record(dispatcher)
    record(dispatcher, **{**FAILED, "examined_on": "2025-01-10"})
    assert dispatcher.get("/v1/standstills").json()["items"] == []
    assert dispatcher.get("/v1/machines/m-a").json()["certified_until"] == "2027-03-10"


def test_a_mistyped_year_relaxes_nothing(dispatcher: TestClient) -> None:
    recorded = record(dispatcher, valid_until="2037-03-10")
    # kept as the certificate says; the twelve months of the rule count
    assert recorded.json()["valid_until"] == "2037-03-10"
    assert dispatcher.get("/v1/machines/m-a").json()["certified_until"] == "2027-03-11"
    assert items(dispatcher) == [("m-a", "2027-03-11", "soon", True)]


def test_a_certificate_of_a_part_taken_out_counts_no_more(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    record(dispatcher)
    with database.write() as session:
        examined = ExaminationRow(
            **{**EXAMINED, "id": "ex_part", "fitted_part_id": "p-a", "certificate": "P"},
            recorded_by="test",
            recorded_at=NOW,
        )
        examined.examined_on, examined.valid_until = date(2026, 1, 5), date(2027, 1, 4)
        session.add(examined)
        session.flush()
        note_certified_until(session, catalogue, on=TODAY)
        assert session.get_one(MachineRow, "m-a").certified_until == date(2027, 1, 4)
        session.get_one(FittedPartRow, "p-a").removed_on = TODAY
        note_certified_until(session, catalogue, on=TODAY)
        assert session.get_one(MachineRow, "m-a").certified_until == date(2027, 3, 10)


def test_a_record_is_corrected_by_another_and_stays(
    dispatcher: TestClient, database: Database
) -> None:
    first = record(dispatcher).json()["id"]
    right = {**EXAMINED, "examined_on": "2026-09-11", "valid_until": "2027-09-10"}
    right["reason"] = "Misread."
    address = f"/v1/examinations/{first}/correction"
    corrected = dispatcher.post(address, json=right)
    assert (corrected.status_code, corrected.json()["corrects"]) == (201, first)
    assert dispatcher.post(address, json=right).status_code == 409
    assert items(dispatcher) == []
    listed = dispatcher.get("/v1/examinations?machine=m-a").json()["items"]
    assert [each["id"] for each in listed] == [corrected.json()["id"]]
    kept = dispatcher.get("/v1/examinations?superseded=true").json()["items"]
    assert {each["valid_until"] for each in kept} == {"2027-03-10", "2027-09-10"}

    withdrawal = f"/v1/examinations/{corrected.json()['id']}/withdrawal"
    withdrawn = dispatcher.post(withdrawal, json={"reason": "Another machine's."})
    assert (withdrawn.status_code, withdrawn.json()["withdrawn"]) == (201, True)
    assert dispatcher.get("/v1/examinations").json()["items"] == []
    assert dispatcher.get("/v1/machines/m-a").json()["certified_until"] is None
    with database.read() as session:
        assert len(session.exec(select(ExaminationRow)).all()) == 3


def test_a_record_on_the_wrong_machine_is_moved_by_its_correction(dispatcher: TestClient) -> None:
    wrong = record(dispatcher, machine_id="m-b").json()["id"]
    body = {**EXAMINED, "reason": "It was machine a."}
    assert dispatcher.post(f"/v1/examinations/{wrong}/correction", json=body).status_code == 201
    until = [dispatcher.get(f"/v1/machines/m-{x}").json()["certified_until"] for x in "ab"]
    assert until == ["2027-03-10", None]


@pytest.mark.parametrize(
    ("change", "status", "detail"),
    [
        ({"rule": "group_gasket_replace"}, 422, "no rule of the law 'group_gasket_replace'"),
        ({"machine_id": "m-z"}, 422, "machine_id names no machine"),
        ({"fitted_part_id": "p-a"}, 422, "fitted_part_id must be none, got 'p-a'"),
        ({"examined_on": "2027-03-02"}, 422, "examined_on must not lie ahead"),
        ({"valid_until": "2026-03-11"}, 422, "valid_until must come after examined_on"),
        ({"valid_until": "2062-03-11"}, 422, "valid_until must be within fifteen years"),
        ({"valid_until": None}, 422, "got None with passed"),
        ({"result": "failed"}, 422, "got 2027-03-10 with failed"),
        ({"certificate": " "}, 422, "write something, not only spaces"),
        ({"competent_person": "\t"}, 422, "write something, not only spaces"),
        ({"findings": "again"}, 409, "certificate DV-2026-0311 is on record as examination ex_"),
    ],
)
def test_what_no_certificate_can_say_is_refused(
    dispatcher: TestClient, database: Database, change: dict[str, Any], status: int, detail: str
) -> None:
    if status == 409:
        record(dispatcher)
    refused = record(dispatcher, **change)
    assert refused.status_code == status
    assert detail in str(refused.json())
    with database.read() as session:
        assert len(session.exec(select(ExaminationRow)).all()) == (status == 409)


def test_a_lost_reply_records_nothing_twice(dispatcher: TestClient, database: Database) -> None:
    key = {"Idempotency-Key": "certificate-1"}
    first = dispatcher.post("/v1/examinations", json=EXAMINED, headers=key)
    again = dispatcher.post("/v1/examinations", json=EXAMINED, headers=key)
    assert (again.status_code, again.json()) == (201, first.json())
    with database.read() as session:
        assert len(session.exec(select(ExaminationRow)).all()) == 1


def test_a_service_visit_is_no_statutory_examination(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "under_way"
        task = session.get_one(DueTaskRow, "d-a")
        task.rule, task.fitted_part_id, task.anchor = RULE, None, date(2026, 3, 11)
    for done in ({}, {"tasks_done": ["d-a"]}):
        refused = report(dispatcher, **done)
        assert refused.status_code == 422
        assert "is done by a competent person's certificate, not by a visit" in str(refused.json())
    # neither does the certificate it went by so far
    record(dispatcher)
    assert report(dispatcher).status_code == 422
    assert record(
        dispatcher, certificate="NEW", examined_on=str(TODAY), valid_until="2028-02-29"
    ).json()

    assert report(dispatcher).status_code == 200

    with database.read() as session:
        assert session.get_one(DueTaskRow, "d-a").state == "done"
        # the certificate is the record, not the visit
        assert {row.id for row in session.exec(select(WorkDoneRow))} == {"w-a", "w-b"}


def test_a_visit_without_its_certificate_leaves_the_examination_to_be_done(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "under_way"
        task = session.get_one(DueTaskRow, "d-a")
        task.rule, task.fitted_part_id = RULE, None
    assert report(dispatcher, tasks_done=[]).status_code == 200
    with database.read() as session:
        assert session.get_one(DueTaskRow, "d-a").state == "open"


def test_an_examination_by_others_ends_the_visit_nobody_has_a_time_for(
    dispatcher: TestClient, database: Database, catalogue: Catalogue
) -> None:
    record(dispatcher)
    raise_due_work(database, catalogue, now=NOW, origin=TEST)
    with database.read() as session:
        (task,) = session.exec(
            select(DueTaskRow).where(DueTaskRow.rule == RULE, DueTaskRow.state == "open")
        )
    later = {"examined_on": str(TODAY - timedelta(days=1)), "valid_until": "2028-02-27"}
    assert record(dispatcher, certificate="NEW", **later).status_code == 201
    with database.read() as session:
        assert session.get_one(DueTaskRow, task.id).state == "done"
        assert session.get_one(VisitRow, task.visit_id).state == "dropped"


def test_portals_are_kept_out_and_technicians_may_record(caller: Caller) -> None:
    assert record(caller("portal-a")).status_code == 403
    assert caller("portal-a").get("/v1/statutory-items").status_code == 403
    recorded = record(caller("technician-b"))
    assert recorded.json()["recorded_by"] == "technician/technician-b"
