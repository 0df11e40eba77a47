"""Records over HTTP: added, read, changed by whoever read them last, listed a page at a time."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlmodel import col, select

from api.storage.database import Database
from api.storage.tables import AuditRow, ClientRow

Document = dict[str, Any]

SITE: Document = {
    "client_id": "c-a",
    "contract_id": "k-a",
    "name": "New site",
    "kind": "bar",
    "address": "2 Quay",
    "town": "Bergen",
    "lat": 60.4,
    "lon": 5.3,
    "zone": "Europe/Oslo",
    "access_hours": "Mo-Fr 09:00-11:00",
    "closures": [["2027-07-01", "2027-07-31"]],
}
CONTRACT: Document = {
    "client_id": "c-a",
    "kind": "basic",
    "starts_on": "2027-01-01",
    "response_minutes": {"danger": 120},
    "service_hours": "Mo-Fr 08:00-17:00",
    "zone": "Europe/Oslo",
    "holiday_country": "NO",
}
MACHINE: Document = {
    "tag": "E900",
    "site_id": "s-a",
    "name": "Grinder",
    "kind": "grinder",
    "features": ["flat_burrs"],
    "installed_on": "2027-01-01",
    "drinks_per_day": 100,
}
TECHNICIAN: Document = {
    "name": "Åse",
    "lat": 60.4,
    "lon": 5.3,
    "zone": "Europe/Oslo",
    "skills": ["espresso"],
    "working_hours": "Mo-Fr 08:00-16:00",
    "holiday_country": "NO",
}
PART: Document = {
    "machine_id": "m-a",
    "part_type": "group_gasket",
    "position": "group 2",
    "fitted_on": "2027-01-01",
}
ABSENCE: Document = {
    "technician_id": "t-a",
    "starts_at": "2027-04-05T22:00:00Z",
    "ends_at": "2027-04-09T22:00:00Z",
}

KINDS = [
    ("/v1/clients", {"name": "New client"}, "name", "Renamed"),
    ("/v1/contracts", CONTRACT, "kind", "full"),
    ("/v1/sites", SITE, "address", "3 Quay"),
    ("/v1/machines", MACHINE, "name", "Big grinder"),
    ("/v1/technicians", TECHNICIAN, "pace", 1.2),
    ("/v1/fitted-parts", PART, "position", "group 1"),
    ("/v1/absences", ABSENCE, "reason", "course"),
]


@pytest.mark.parametrize(("path", "body", "field", "value"), KINDS, ids=[kind[0] for kind in KINDS])
def test_a_record_is_added_read_and_changed(
    dispatcher: TestClient, database: Database, path: str, body: Document, field: str, value: object
) -> None:
    added = dispatcher.post(path, json=body)
    assert added.status_code == 201
    address, tag = added.headers["location"], added.headers["etag"]
    record = added.json()
    assert (tag, record["version"]) == ('"v1"', 1)
    assert {name: record[name] for name in body} == body

    read = dispatcher.get(address)
    assert (read.status_code, read.headers["etag"], read.json()) == (200, tag, record)
    assert dispatcher.get(address, headers={"If-None-Match": tag}).status_code == 304

    changed_body = {**body, field: value}
    assert dispatcher.put(address, json=changed_body).status_code == 428
    stale = dispatcher.put(address, json=changed_body, headers={"If-Match": '"v7"'})
    assert stale.status_code == 412
    changed = dispatcher.put(address, json=changed_body, headers={"If-Match": tag})
    assert (changed.status_code, changed.headers["etag"]) == (200, '"v2"')
    assert changed.json() == {**record, field: value, "version": 2}
    assert dispatcher.put(address, json=body, headers={"If-Match": tag}).status_code == 412
    assert dispatcher.get(address, headers={"If-None-Match": tag}).json() == changed.json()

    with database.read() as session:
        subject = f"{path.split('/')[-1].replace('-', '_').rstrip('s')}/{record['id']}"
        trail = session.exec(select(AuditRow).where(AuditRow.subject == subject)).all()
    verbs = sorted((line.verb, line.actor, line.request_id) for line in trail)
    assert verbs == [
        ("add", "dispatcher/dispatcher", added.headers["x-request-id"]),
        ("change", "dispatcher/dispatcher", changed.headers["x-request-id"]),
    ]


def test_storing_the_same_again_is_no_change(dispatcher: TestClient) -> None:
    body = {"name": "Client a"}
    same = dispatcher.put("/v1/clients/c-a", json=body, headers={"If-Match": '"v1"'})
    assert (same.status_code, same.headers["etag"]) == (200, '"v1"')


def test_of_many_who_change_the_same_version_one_succeeds(dispatcher: TestClient) -> None:
    def rename(number: int) -> int:
        body = {"name": f"Name {number}"}
        reply = dispatcher.put("/v1/clients/c-a", json=body, headers={"If-Match": '"v1"'})
        return reply.status_code

    with ThreadPoolExecutor(8) as pool:
        assert sorted(pool.map(rename, range(8))) == [200] + [412] * 7
    assert dispatcher.get("/v1/clients/c-a").json()["version"] == 2


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [("/v1/clients/zz", {"name": "B"}, 404), ("/v1/clients/c-a", {}, 422)],
)
def test_a_precondition_is_judged_after_everything_else(
    dispatcher: TestClient, path: str, body: Document, status: int
) -> None:
    foreign = {"If-Match": '"of another server"'}
    assert dispatcher.put(path, json=body, headers=foreign).status_code == status
    good = dispatcher.put("/v1/clients/c-a", json={"name": "B"}, headers=foreign)
    assert good.status_code == 412


def test_an_absence_can_be_removed(dispatcher: TestClient) -> None:
    assert dispatcher.delete("/v1/absences/ab-a").status_code == 428
    assert dispatcher.delete("/v1/absences/ab-a", headers={"If-Match": '"v9"'}).status_code == 412
    assert dispatcher.delete("/v1/absences/ab-a", headers={"If-Match": '"v1"'}).status_code == 204
    assert dispatcher.get("/v1/absences/ab-a").status_code == 404


def test_ones_own_id_may_be_brought_once(dispatcher: TestClient) -> None:
    new = {"id": "crm-77", "name": "From elsewhere"}
    assert dispatcher.post("/v1/clients", json=new).json()["id"] == "crm-77"
    assert dispatcher.post("/v1/clients", json=new).status_code == 409


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/v1/sites", {**SITE, "client_id": "c-zz"}),
        ("/v1/sites", {**SITE, "contract_id": "k-b"}),
        ("/v1/sites", {**SITE, "zone": "Europe/Olso"}),
        ("/v1/sites", {**SITE, "access_hours": "weekdays"}),
        ("/v1/sites", {**SITE, "closures": [["2027-07-31", "2027-07-01"]]}),
        ("/v1/sites", {**SITE, "version": 7}),
        ("/v1/sites", {**SITE, "lat": "NaN"}),
        ("/v1/machines", {**MACHINE, "features": ["wings"]}),
        ("/v1/machines", {**MACHINE, "groups": 2}),
        ("/v1/technicians", {**TECHNICIAN, "skills": "espresso"}),
        ("/v1/technicians", {**TECHNICIAN, "skills": ["juggling"]}),
        ("/v1/fitted-parts", {**PART, "part_type": "flux"}),
        ("/v1/absences", {**ABSENCE, "ends_at": "2027-04-01T00:00:00Z"}),
        ("/v1/absences", {**ABSENCE, "starts_at": "2027-04-05T22:00:00"}),
        ("/v1/absences", {**ABSENCE, "starts_at": 0}),
        ("/v1/fitted-parts", {**PART, "fitted_on": 20000}),
    ],
)
def test_a_malformed_record_is_refused_and_nothing_is_stored(
    dispatcher: TestClient, database: Database, path: str, body: Document
) -> None:
    before = dispatcher.get("/v1/sites").json(), dispatcher.get("/v1/machines").json()
    reply = dispatcher.post(path, json=body)
    assert (reply.status_code, reply.headers["content-type"]) == (422, "application/problem+json")
    assert (dispatcher.get("/v1/sites").json(), dispatcher.get("/v1/machines").json()) == before
    with database.read() as session:
        assert session.exec(select(AuditRow).where(AuditRow.verb == "add")).all() == []


def test_a_tag_that_is_taken_is_a_conflict(dispatcher: TestClient) -> None:
    assert dispatcher.post("/v1/machines", json={**MACHINE, "tag": "E-a"}).status_code == 409


def test_pages_hold_each_row_once_while_rows_come_and_go(
    dispatcher: TestClient, database: Database
) -> None:
    with database.write() as session:
        session.add_all(ClientRow(id=f"x-{n:02}", name="Client") for n in range(10))
    first = dispatcher.get("/v1/clients?limit=5")
    ids = [item["id"] for item in first.json()["items"]]
    assert ids == ["c-a", "c-b", "x-00", "x-01", "x-02"]
    with database.write() as session:
        session.add(ClientRow(id="aa", name="Comes before: belongs to no later page"))
        session.delete(session.get_one(ClientRow, "x-02"))  # the row the cursor stands on
        session.delete(session.get_one(ClientRow, "x-05"))
    link = first.headers["link"]
    while link:
        address, _, relation = link.partition("; ")
        assert relation == 'rel="next"'
        page = dispatcher.get(address.strip("<>"))
        ids += [item["id"] for item in page.json()["items"]]
        link = page.headers.get("link", "")
    assert page.json()["next"] is None
    assert ids[5:] == ["x-03", "x-04", "x-06", "x-07", "x-08", "x-09"]


def test_pages_by_time_hold_rows_of_the_same_instant_once(dispatcher: TestClient) -> None:
    # both appointments start at the same instant
    first = dispatcher.get("/v1/appointments?limit=1").json()
    second = dispatcher.get(f"/v1/appointments?limit=1&cursor={first['next']}").json()
    assert [each["items"][0]["id"] for each in (first, second)] == ["ap-a", "ap-b"]
    assert second["next"] is None


@pytest.mark.parametrize("cursor", ["nonsense", "WyJ4IiwieSJd", "W251bGxd", "e30", "é"])
def test_a_cursor_of_another_list_is_refused(dispatcher: TestClient, cursor: str) -> None:
    assert dispatcher.get(f"/v1/clients?cursor={cursor}").status_code == 422


@pytest.mark.parametrize("limit", ["0", "101", "many"])
def test_a_page_has_one_to_a_hundred_rows(dispatcher: TestClient, limit: str) -> None:
    assert dispatcher.get(f"/v1/clients?limit={limit}").status_code == 422


def test_a_changed_site_changes_the_calendars_of_who_goes_there(
    dispatcher: TestClient, nobody: TestClient
) -> None:
    made = dispatcher.post("/v1/feed-links", json={"technician_id": "t-a", "device": "phone"})
    path = made.json()["address"].removeprefix("https://plan.example.org")
    before = nobody.get(path)
    site = dispatcher.get("/v1/sites/s-a").json()
    del site["id"], site["version"]
    moved = {**site, "address": "99 Harbour Street"}
    dispatcher.put("/v1/sites/s-a", json=moved, headers={"If-Match": '"v1"'})
    after = nobody.get(path)
    assert "99 Harbour Street" not in before.text.replace("\r\n ", "")
    assert "99 Harbour Street" in after.text.replace("\r\n ", "")
    assert before.headers["etag"] != after.headers["etag"]


def test_the_trail_of_a_change_shows_before_and_after(
    dispatcher: TestClient, database: Database
) -> None:
    dispatcher.put("/v1/clients/c-a", json={"name": "B"}, headers={"If-Match": '"v1"'})
    with database.read() as session:
        line = session.exec(select(AuditRow).where(col(AuditRow.subject) == "client/c-a")).one()
    assert (line.before or {})["name"] == "Client a"
    assert (line.after or {})["name"] == "B"


def test_the_outlook_of_a_site_without_machines_is_drawn_empty(dispatcher: TestClient) -> None:
    site = dispatcher.get("/v1/sites/s-a").json()
    body = {name: value for name, value in site.items() if name != "version"} | {"id": "s-empty"}
    assert dispatcher.post("/v1/sites", json=body).status_code == 201
    drawn = dispatcher.get("/v1/sites/s-empty/outlook.svg")
    assert (drawn.status_code, drawn.headers["content-type"]) == (200, "image/svg+xml")
    assert "0 tasks" in drawn.text


def test_true_is_no_number(dispatcher: TestClient) -> None:
    site = dispatcher.get("/v1/sites/s-a").json()
    body = {name: value for name, value in site.items() if name != "version"}
    refused = dispatcher.post("/v1/sites", json=body | {"id": "s-c", "lat": True})
    assert (refused.status_code, refused.json()["errors"]) == (
        422,
        [{"pointer": "/lat", "detail": "write a number, not true or false"}],
    )
