"""The day's work over HTTP: a fault reported, a plan asked for, appointments, calendars, health."""

from datetime import date, timedelta

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text

from api.http.callbacks import NewCallback
from api.storage.database import Database
from api.storage.tables import AppointmentRow, ContractRow, PlanRow, SiteRow, VisitRow
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, Caller


def test_a_portal_reports_a_fault_on_its_own_machine_only(caller: Caller) -> None:
    report = {"machine": "E-a", "text": "It leaks boiling water and the fuse went."}
    assert caller("portal-b").post("/v1/callbacks", json=report).status_code == 404
    taken = caller("portal-a").post("/v1/callbacks", json=report)
    callback = taken.json()
    assert taken.status_code == 201
    assert (callback["client_id"], callback["machine_id"]) == ("c-a", "m-a")
    assert callback["reported_at"] == "2027-03-01T08:00:00Z"
    assert callback["visit_id"] is not None
    read = caller("portal-a").get(taken.headers["location"])
    assert read.json() == callback
    assert caller("portal-b").get(taken.headers["location"]).status_code == 404
    assert caller("portal-b").get("/v1/callbacks").json()["items"] == []
    visit = caller("dispatcher").get(f"/v1/visits/{callback['visit_id']}").json()
    assert (visit["kind"], visit["urgency"]) == ("callback", callback["urgency"])


def test_a_portal_withdraws_its_own_callback(caller: Caller) -> None:
    portal = caller("portal-a")
    taken = portal.post("/v1/callbacks", json={"machine": "E-a", "symptoms": ["no_heat"]})
    assert (taken.json()["covered"], taken.json()["late_appointment_id"]) == (True, None)
    address, tag = f"{taken.headers['location']}/cancel", {"If-Match": taken.headers["etag"]}

    assert caller("portal-b").post(address, headers=tag).status_code == 404
    assert caller("technician-a").post(address, headers=tag).status_code == 403
    assert portal.post(address).status_code == 428
    withdrawn = portal.post(address, headers=tag)
    assert (withdrawn.status_code, withdrawn.json()["state"]) == (200, "cancelled")
    visit = caller("dispatcher").get(f"/v1/visits/{taken.json()['visit_id']}").json()
    assert visit["state"] == "dropped"
    again = portal.post(address, headers={"If-Match": withdrawn.headers["etag"]})
    assert again.status_code == 409


def test_the_dispatcher_sees_what_is_out_of_cover_and_what_comes_too_late(
    dispatcher: TestClient, database: Database
) -> None:
    late = dispatcher.post("/v1/callbacks", json={"machine": "E-a", "symptoms": ["no_heat"]}).json()
    # 240 minutes of Monday from 09:00 in Bergen are over at 13:00, 12:00 UTC
    assert late["respond_by"] == "2027-03-01T12:00:00Z"
    with database.write() as session:
        session.add(
            AppointmentRow(
                id="ap-late", visit_id=late["visit_id"], technician_id="t-a",
                starts_at=NOW + timedelta(hours=5), ends_at=NOW + timedelta(hours=6),
                created_at=NOW, revised_at=NOW,
            )
        )  # fmt: skip
        session.get_one(ContractRow, "k-b").ends_on = NOW.date() - timedelta(days=1)
    uncovered = dispatcher.post("/v1/callbacks", json={"machine": "E-b", "symptoms": ["no_heat"]})
    assert (uncovered.json()["covered"], uncovered.json()["respond_by"]) == (False, None)

    def listed(query: str) -> list[tuple[str, str | None]]:
        items = dispatcher.get(f"/v1/callbacks{query}").json()["items"]
        return [(item["machine_id"], item["late_appointment_id"]) for item in items]

    assert sorted(listed("")) == [("m-a", "ap-late"), ("m-b", None)]
    assert listed("?covered=false") == [("m-b", None)]


def test_the_example_of_a_report_names_symptoms_there_are(catalogue: Catalogue) -> None:
    extra = NewCallback.model_config["json_schema_extra"]
    assert isinstance(extra, dict)
    (example,) = extra["examples"]
    assert set(example["symptoms"]) <= set(catalogue.symptoms)


def test_an_unknown_symptom_is_refused(dispatcher: TestClient) -> None:
    report = {"machine": "E-a", "symptoms": ["hiccups"]}
    assert dispatcher.post("/v1/callbacks", json=report).status_code == 422


def test_a_plan_is_asked_for_and_stopped(dispatcher: TestClient) -> None:
    asked = dispatcher.post("/v1/plans", json={"first_day": "2027-03-02", "iterations": 50})
    assert asked.status_code == 202
    address = asked.headers["location"]
    waiting = dispatcher.get(address)
    assert waiting.json() == asked.json()
    assert waiting.json()["state"] == "queued"
    tag = {"If-None-Match": waiting.headers["etag"]}
    assert dispatcher.get(address, headers=tag).status_code == 304
    assert dispatcher.get(f"{address}/changes").status_code == 409
    assert dispatcher.get(f"{address}/problem").status_code == 409
    assert dispatcher.post(f"{address}/publish").status_code == 409
    assert dispatcher.post(f"{address}/cancel").json()["state"] == "cancelled"
    assert dispatcher.get(address, headers=tag).status_code == 200
    assert dispatcher.post(f"{address}/cancel").status_code == 409
    listed = dispatcher.get("/v1/plans?state=cancelled").json()["items"]
    assert [plan["id"] for plan in listed] == [asked.json()["id"]]


def test_what_a_plan_leaves_out_is_named_by_its_site(
    dispatcher: TestClient, database: Database
) -> None:
    why = {"reason": "full", "detail": "Full.", "would_help": ""}
    with database.write() as session:
        session.add(
            PlanRow(
                id="pl-1",
                state="draft",
                requested_at=NOW,
                first_day=NOW.date(),
                days=1,
                solution={
                    "left_out": [{"visit": visit, **why} for visit in ("v-a", "gone", "hold/v-a")]
                },
            )
        )
        name = session.get_one(SiteRow, "s-a").name

    listed = [
        {"visit": "v-a", "site": name, "held": False, **why},
        {"visit": "gone", "site": "", "held": False, **why},
        {"visit": "v-a", "site": name, "held": True, **why},
    ]
    assert dispatcher.get("/v1/plans/pl-1").json()["left_out"] == listed
    (plan,) = dispatcher.get("/v1/plans").json()["items"]
    assert plan["left_out"] == listed


def test_a_plan_for_the_past_is_refused(dispatcher: TestClient) -> None:
    assert dispatcher.post("/v1/plans", json={"first_day": "2027-02-28"}).status_code == 422


def test_appointments_are_promised_moved_and_called_off(dispatcher: TestClient) -> None:
    address = "/v1/appointments/ap-a"
    promised = dispatcher.put(
        f"{address}/state", json={"state": "promised"}, headers={"If-Match": '"v1"'}
    )
    assert (promised.status_code, promised.json()["state"]) == (200, "promised")
    slot = {"technician_id": "t-a", "starts_at": "2027-03-03T10:00:00+01:00"}
    tag = {"If-Match": promised.headers["etag"]}
    moved = dispatcher.put(f"{address}/slot", json=slot, headers=tag)
    assert moved.json()["breaks"] == [
        {
            "breach": "promise_to_client",
            # ap-a stood at 08:00Z on 2 March
            "detail": "The client was promised 2027-03-02 09:00: agree on the new time with them, "
            "then promise it.",
        }
    ]
    assert moved.json()["state"] == "planned"
    assert moved.json()["starts_at"] == "2027-03-03T09:00:00Z"
    assert moved.json()["sequence"] == 1
    stale = dispatcher.put(f"{address}/state", json={"state": "cancelled"}, headers=tag)
    assert stale.status_code == 412
    tag = {"If-Match": moved.headers["etag"]}
    called_off = dispatcher.put(f"{address}/state", json={"state": "cancelled"}, headers=tag)
    assert called_off.json()["state"] == "cancelled"
    tag = {"If-Match": called_off.headers["etag"]}
    again = dispatcher.put(f"{address}/state", json={"state": "promised"}, headers=tag)
    assert again.status_code == 409


def test_a_move_by_hand_says_what_it_breaks_and_is_made(dispatcher: TestClient) -> None:
    slot = {"technician_id": "t-a", "starts_at": "2027-03-03T03:00:00+01:00"}
    moved = dispatcher.put("/v1/appointments/ap-a/slot", json=slot, headers={"If-Match": '"v1"'})
    assert moved.status_code == 200
    assert [each["breach"] for each in moved.json()["breaks"]] == [
        "outside_access",
        "outside_hours",
    ]
    assert dispatcher.get("/v1/appointments/ap-a").json()["starts_at"] == "2027-03-03T02:00:00Z"


def test_a_move_past_the_last_day_of_the_law_says_so(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.get_one(VisitRow, "v-a").hard_latest = date(2027, 3, 2)
    slot = {"technician_id": "t-a", "starts_at": "2027-03-03T10:00:00+01:00"}
    moved = dispatcher.put("/v1/appointments/ap-a/slot", json=slot, headers={"If-Match": '"v1"'})
    assert [each["breach"] for each in moved.json()["breaks"]] == ["after_last_day"]


def test_an_open_visit_is_booked_by_hand_once(caller: Caller, database: Database) -> None:
    dispatcher = caller("dispatcher")
    with database.write() as session:
        session.get_one(AppointmentRow, "ap-a").state = "cancelled"
        session.get_one(VisitRow, "v-a").state = "open"
    visit = dispatcher.get("/v1/visits/v-a")
    slot = {"technician_id": "t-b", "starts_at": "2027-03-03T10:00:00+01:00"}
    tag = {"If-Match": visit.headers["etag"]}
    for other in ("portal-a", "technician-a"):
        reply = caller(other).post("/v1/visits/v-a/book", json=slot, headers=tag)
        assert reply.status_code == 403
    assert dispatcher.post("/v1/visits/v-a/book", json=slot).status_code == 428
    assert dispatcher.post("/v1/visits/v-0/book", json=slot, headers=tag).status_code == 404

    booked = dispatcher.post("/v1/visits/v-a/book", json=slot, headers=tag)

    assert booked.status_code == 201
    made = dispatcher.get(booked.headers["location"])
    shown = booked.json()
    assert (shown.pop("breaks"), shown.pop("telephone")) == ([], None)
    assert (made.json(), made.headers["etag"]) == (shown, booked.headers["etag"])
    assert (made.json()["visit_id"], made.json()["starts_at"]) == ("v-a", "2027-03-03T09:00:00Z")
    now_booked = dispatcher.get("/v1/visits/v-a")
    assert now_booked.json()["state"] == "booked"
    assert dispatcher.post("/v1/visits/v-a/book", json=slot, headers=tag).status_code == 412
    tag = {"If-Match": now_booked.headers["etag"]}
    assert dispatcher.post("/v1/visits/v-a/book", json=slot, headers=tag).status_code == 409


def test_due_work_is_raised_when_a_dispatcher_asks(caller: Caller) -> None:
    assert caller("portal-a").post("/v1/due-tasks/raise").status_code == 403
    assert caller("technician-a").post("/v1/due-tasks/raise").status_code == 403

    raised = caller("dispatcher").post("/v1/due-tasks/raise")

    assert raised.status_code == 200
    listed = caller("dispatcher").get("/v1/due-tasks?state=open&limit=100").json()["items"]
    already_booked = {"d-a", "d-b"}
    assert raised.json()["tasks"] == len({task["id"] for task in listed} - already_booked) > 0
    assert raised.json()["unreported"] == 0


def test_what_was_never_reported_is_listed(dispatcher: TestClient, database: Database) -> None:
    def listed() -> list[str]:
        items = dispatcher.get("/v1/appointments?unreported=true").json()["items"]
        return [item["id"] for item in items]

    assert listed() == []
    with database.write() as session:
        for name, state in (("ap-a", "under_way"), ("ap-b", "cancelled")):
            row = session.get_one(AppointmentRow, name)
            row.starts_at, row.ends_at = NOW - timedelta(hours=13), NOW - timedelta(hours=12)
            row.state = state
    assert listed() == ["ap-a"]


def test_nobody_begins_a_visit_before_its_day(caller: Caller, database: Database) -> None:
    technician, address = caller("technician-a"), "/v1/appointments/ap-a/state"
    early = technician.put(address, json={"state": "under_way"}, headers={"If-Match": '"v1"'})
    assert (early.status_code, early.json()["title"]) == (409, "Too early")
    # tomorrow in Bergen begins at 23:00 UTC
    assert "may be begun from 2027-03-02 00:00, local time" in early.json()["detail"]
    with database.read() as session:
        assert session.get_one(AppointmentRow, "ap-a").state == "planned"


@pytest.mark.usefixtures("due_today")
def test_a_counter_of_a_machine_of_nobody_is_refused(caller: Caller) -> None:
    technician = caller("technician-a")
    address = "/v1/appointments/ap-a"
    begun = technician.put(
        f"{address}/state", json={"state": "under_way"}, headers={"If-Match": '"v2"'}
    )
    assert begun.status_code == 200
    for machine in ("m-nowhere", "m-b"):
        report = {"counters": [{"machine": machine, "counter": "brew_cycles", "value": 1}]}
        tag = {"If-Match": begun.headers["etag"]}
        reply = technician.post(f"{address}/report", json=report, headers=tag)
        assert (reply.status_code, reply.json()["title"]) == (422, "Invalid input")


def test_two_appointments_of_one_technician_at_one_time_are_refused(
    dispatcher: TestClient,
) -> None:
    start = (NOW + timedelta(days=1, minutes=30)).isoformat()
    slot = {"technician_id": "t-b", "starts_at": start}
    reply = dispatcher.put("/v1/appointments/ap-a/slot", json=slot, headers={"If-Match": '"v1"'})
    assert (reply.status_code, reply.json()["title"]) == (409, "Double booking")
    assert dispatcher.get("/v1/appointments/ap-a").json()["technician_id"] == "t-a"


@pytest.mark.usefixtures("due_today")
def test_work_is_reported_by_whoever_did_it(caller: Caller) -> None:
    technician = caller("technician-a")
    address = "/v1/appointments/ap-a"
    begun = technician.put(
        f"{address}/state", json={"state": "under_way"}, headers={"If-Match": '"v2"'}
    )
    report = {
        "counters": [{"machine": "m-a", "counter": "brew_cycles", "value": 4200}],
        "note": "All well.",
    }
    tag = {"If-Match": begun.headers["etag"]}
    done = technician.post(f"{address}/report", json=report, headers=tag)
    assert (done.status_code, done.json()["state"]) == (200, "done")
    assert technician.get("/v1/due-tasks/d-a").json()["state"] == "done"
    readings = technician.get("/v1/machines/m-a/meter-readings").json()["items"]
    assert sorted(reading["value"] for reading in readings) == [5, 4200]


def test_a_worksheet_is_read_by_staff(caller: Caller) -> None:
    sheet = caller("technician-a").get("/v1/visits/v-a/worksheet").json()
    assert (sheet["visit_id"], sheet["minutes"], sheet["tools"]) == ("v-a", 60, ["spanner"])


def test_a_feed_is_read_conditionally_and_withdrawn(
    dispatcher: TestClient, nobody: TestClient
) -> None:
    made = dispatcher.post("/v1/feed-links", json={"technician_id": "t-a", "device": "phone"})
    assert made.status_code == 201
    path = made.json()["address"].removeprefix("https://plan.example.org")
    full = nobody.get(path, headers={"Accept-Encoding": "identity"})
    assert full.status_code == 200
    assert full.headers["content-type"] == "text/calendar; charset=utf-8"
    assert full.text.startswith("BEGIN:VCALENDAR\r\n")
    assert "Site a" in full.text
    assert int(full.headers["content-length"]) == len(full.content)
    head = nobody.head(path, headers={"Accept-Encoding": "identity"})
    assert (head.status_code, head.content) == (200, b"")
    assert dict(head.headers) | {"x-request-id": ""} == dict(full.headers) | {"x-request-id": ""}
    unchanged = nobody.get(
        path, headers={"If-None-Match": full.headers["etag"], "Accept-Encoding": "identity"}
    )
    assert (unchanged.status_code, unchanged.content) == (304, b"")

    link = made.json()["id"]
    listed = dispatcher.get("/v1/feed-links").json()["items"]
    assert [(each["id"], each["last_fetched_at"]) for each in listed] == [
        (link, "2027-03-01T08:00:00Z")
    ]
    successor = dispatcher.post(f"/v1/feed-links/{link}/rotate").json()
    assert nobody.get(path).status_code == 410
    new_path = successor["address"].removeprefix("https://plan.example.org")
    assert nobody.get(new_path).status_code == 200
    assert dispatcher.post(f"/v1/feed-links/{successor['id']}/revoke").status_code == 200
    assert nobody.get(new_path).status_code == 410
    assert nobody.get("/feeds/srf_unknown/x.ics").status_code == 404
    assert dispatcher.post(f"/v1/feed-links/{link}/revoke").status_code == 409


def test_secrets_stay_out_of_the_log(
    dispatcher: TestClient, nobody: TestClient, caplog: pytest.LogCaptureFixture
) -> None:
    made = dispatcher.post("/v1/feed-links", json={"technician_id": "t-a", "device": "phone"})
    path = made.json()["address"].removeprefix("https://plan.example.org")
    secret = path.split("/")[2]
    caplog.set_level("DEBUG")
    nobody.get(path)
    logged = "\n".join(
        record.getMessage() for record in caplog.records if not record.name.startswith("http")
    )  # the test's own client tells what it asked for
    assert "GET /feeds/***/technician-a.ics 200" in logged
    assert secret not in logged


def test_symptoms_can_be_read_by_portals(caller: Caller) -> None:
    symptoms = caller("portal-a").get("/v1/catalogue/symptoms").json()["items"]
    assert {"id", "name", "question", "red_flag", "make_safe"} == set(symptoms[0])


def test_the_whole_catalogue_can_be_read_by_staff(caller: Caller) -> None:
    for path in ("part-types", "skills", "service-rules", "set-points"):
        reply = caller("technician-a").get(f"/v1/catalogue/{path}")
        assert (path, reply.status_code, bool(reply.json()["items"])) == (path, 200, True)


def test_health_tells_life_from_readiness(nobody: TestClient, database: Database) -> None:
    assert nobody.get("/livez").json() == {"status": "ok", "reason": ""}
    assert nobody.get("/readyz").status_code == 200
    with database.write() as session:
        session.connection().exec_driver_sql("DELETE FROM alembic_version")
    assert nobody.get("/livez").status_code == 200
    reply = nobody.get("/readyz")
    assert (reply.status_code, reply.json()["status"]) == (503, "not ready")


def test_the_dispatcher_lists_the_appointments_at_which_two_technicians_meet(
    caller: Caller, dispatcher: TestClient, database: Database
) -> None:
    """As they may be left from before the database refused them."""
    assert dispatcher.get("/v1/appointments?meeting=true").json()["items"] == []
    start = NOW + timedelta(days=1)
    with database.write() as session:
        for trigger in ("appointment_sent", "appointment_sent_anew"):
            session.connection().execute(text(f"DROP TRIGGER {trigger}"))
        visit = session.get_one(VisitRow, "v-a").model_dump()
        session.add(VisitRow(**visit | {"id": "v-too"}))
        session.add_all(
            AppointmentRow(
                id=name, visit_id="v-too", technician_id="t-b", state=state,
                starts_at=begin, ends_at=begin + timedelta(minutes=20),
                created_at=NOW, revised_at=NOW,
            )
            for name, state, begin in (
                ("ap-too", "promised", start + timedelta(minutes=50)),
                ("ap-not", "cancelled", start + timedelta(minutes=10)),
            )
        )  # fmt: skip
        # the other client's appointment of t-b makes way: the same minutes, another site
        other = session.get_one(AppointmentRow, "ap-b")
        other.technician_id = "t-a"
        other.starts_at, other.ends_at = start - timedelta(hours=1), start

    def met(client: TestClient, query: str = "") -> list[str]:
        found = client.get(f"/v1/appointments?meeting=true{query}").json()["items"]
        return [each["id"] for each in found]

    assert met(dispatcher) == ["ap-a", "ap-too"]
    assert met(dispatcher, "&state=promised") == ["ap-too"]
    assert met(caller("technician-b")) == ["ap-too"]
    assert met(caller("portal-b")) == []
    assert len(dispatcher.get("/v1/appointments").json()["items"]) == 4


def test_lists_of_appointments_tell_names_and_to_portals_no_technician(caller: Caller) -> None:
    named = ("technician_id", "technician_name", "site_id", "site_name")

    def told(who: str) -> list[list[str | None]]:
        found = caller(who).get("/v1/appointments").json()["items"]
        return [[each[key] for key in named] for each in found]

    of_b = ["t-b", "Technician b", "s-b", "Site b"]
    assert told("dispatcher") == [["t-a", "Technician a", "s-a", "Site a"], of_b]
    assert told("technician-b") == [of_b]
    assert told("portal-b") == [[None, None, "s-b", "Site b"]]
