"""Worksheet pages: who gets to see them, until when, and what stands on them."""

import base64
import hashlib
import logging
import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

import icalendar
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlmodel import select

from api.actions.appointments import change_state, move_by_hand
from api.actions.calendars import move_calendars
from api.feeds.links import worksheet_path
from api.http.app import create_app
from api.http.context import present
from api.pages.worksheet_words import PAGE_WORDS
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.tables import (
    AppointmentRow,
    AuditRow,
    FeedLinkRow,
    MachineRow,
    OutboxRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue, MachineState
from scheduler.lifecycle import AppointmentState
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step, Worksheet
from tests.api.http.conftest import NOW, TEST

WORLD = "https://plan.example.org"


def step(number: int, kind: StepKind, minute: int, text: str, **others: object) -> Step:
    usual = {"machine": "m-a", "state": MachineState.LIVE, "minutes": 10}
    return Step(
        number=number, kind=kind, start_minute=minute, text=text, because="", **{**usual, **others}
    )  # type: ignore[arg-type]  # the values of others are those of a step


READINGS = ("brew_pressure", "steam_pressure_separate")
SHEET = Worksheet(
    steps=(
        step(1, StepKind.ARRIVE, 0, "Arrive, sign in", machine=None),
        step(2, StepKind.SHUT_DOWN, 10, "Prove dead", cautions=("Mains kills.",)),
        step(3, StepKind.COOL_DOWN, 20, "Cool down", state=MachineState.COLD, waiting=True),
        step(
            4, StepKind.WORK, 30, "Replace a group gasket (group 1)", state=MachineState.COLD,
            details=("Clean the seat.",), cautions=("Hot water under pressure.",),
        ),
        step(5, StepKind.CHECK, 40, "Check hot", readings=READINGS),
    ),
    minutes=50, minutes_p80=60, machine_back_minutes={"m-a": 50}, needs_off=True,
    skills=frozenset({"espresso"}), parts={"group_gasket": 2}, tools=("gasket pick",),
    cautions=("Mains kills.", "Hot water under pressure."), because="",
)  # fmt: skip


@pytest.fixture
def catalogue_in_use(database: Database, catalogue: Catalogue) -> Catalogue:
    """The appointment of Technician a has work, a place with notes, and an address in the world."""
    with database.write() as session:
        visit = session.get_one(VisitRow, "v-a")
        visit.worksheet = worksheet_to_json(SHEET)
        site = session.get_one(SiteRow, "s-a")
        site.name, site.phone = "Bar <script>alert(1)</script> & Sons", "+47 55 50 10 10"
        site.access_notes = "Key at the bakery.\nRing twice."
        session.add_all([visit, site])
    move_calendars(database, WORLD, catalogue, now=NOW)
    return catalogue


def new_link(dispatcher: TestClient, **of: str) -> tuple[str, str]:
    """Return the id and the path of a new link."""
    made = dispatcher.post("/v1/feed-links", json={"device": "telephone", **of}).json()
    return made["id"], made["address"].removeprefix(WORLD)


def worksheet_of(client: TestClient, feed: str) -> str:
    """Return the path of the worksheet named in the only event of a calendar that names one."""
    events = icalendar.Calendar.from_ical(client.get(feed).content).walk("VEVENT")
    (address,) = [str(event["URL"]) for event in events if "URL" in event]
    assert address.startswith(f"{WORLD}/w/srw_")
    return address.removeprefix(WORLD)


@pytest.fixture
def page(dispatcher: TestClient, catalogue_in_use: Catalogue) -> str:
    return worksheet_of(dispatcher, new_link(dispatcher, technician_id="t-a")[1])


class Shown(HTMLParser):
    """The words of a page, and every address it points to."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: set[str] = set()
        self.addresses: set[str] = set()
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.addresses |= {value or "" for name, value in attrs if name in ("href", "src")}

    def handle_data(self, data: str) -> None:
        if self.lasttag != "style":
            self.words.append(data.strip())

    @property
    def text(self) -> str:
        return "\n".join(filter(None, self.words))


def test_page_holds_all_a_technician_needs_in_order(nobody: TestClient, page: str) -> None:
    shown = Shown(nobody.get(page).text)

    wanted = [
        "Bar <script>alert(1)</script> & Sons",
        "Tue 2 Mar 2027, 09:00 to 10:00 (1 h).",  # 08:00Z in Oslo, before summer time
        "1 Quay, Bergen",
        "+47 55 50 10 10",
        "Key at the bakery.\nRing twice.",
        "Two groups, tag E-a: back in use at 09:50 at the earliest, 50 min after you begin.",
        "2 × Group gasket",
        "gasket pick",
        "Local rules come first",
        "09:00",
        "Arrive, sign in",
        "09:10",
        "Mains kills.",
        "Prove dead",
        "locked and dead, but still hot and under pressure",
        "10 min by itself, meanwhile go on",
        "off, cold, no pressure",
        "Hot water under pressure.",
        "Replace a group gasket (group 1)",
        "Clean the seat.",
        "Check hot",
        "Brew pressure while a shot runs",
        ", 8.5 to 9.5 bar",
        "above 1.8 bar: stop, make safe",
    ]
    at = 0
    for words in wanted:
        assert words in shown.text[at:], f"{words!r} is missing or out of order"
        at = shown.text.index(words, at) + len(words)
    assert shown.addresses == {"tel:+4755501010", "geo:60.390000,5.320000"}


def test_page_says_what_to_fetch_at_the_workshop_and_for_whom(
    nobody: TestClient, database: Database, page: str
) -> None:
    assert "Fetch at the workshop" not in nobody.get(page).text
    with database.write() as session:
        row = session.get_one(AppointmentRow, "ap-a")
        row.call_minutes, row.fetch = 15, {"v-b": {"group_gasket": 2}}
    shown = Shown(nobody.get(page).text).text
    assert "Fetch at the workshop\n2 × Group gasket (for Site b)" in shown


@pytest.mark.parametrize("state", MachineState)
def test_page_has_words_for_every_state(
    nobody: TestClient, database: Database, page: str, state: MachineState
) -> None:
    sheet = replace(SHEET, steps=(step(1, StepKind.WORK, 0, "Tighten it", state=state),))
    with database.write() as session:
        visit = session.get_one(VisitRow, "v-a")
        visit.worksheet = worksheet_to_json(sheet)
        session.add(visit)
    for language in ("en", "fr"):
        with database.write() as session:
            person = session.get_one(TechnicianRow, "t-a")
            person.language = language
            session.add(person)
        reply = nobody.get(page)
        assert reply.status_code == 200
        assert f'<div class="rail {state}"></div>' in reply.text
        assert PAGE_WORDS[language].state[state] in Shown(reply.text).text


def test_a_machine_stopped_since_the_worksheet_was_written_is_never_said_to_be_in_use(
    nobody: TestClient, page: str, database: Database
) -> None:
    with database.write() as session:
        machine = session.get_one(MachineRow, "m-a")
        machine.out_of_service_since = NOW
        session.add(machine)
    text = Shown(nobody.get(page).text).text
    assert "Two groups, tag E-a: stopped and made safe. Leave it so until" in text
    assert "back in use" not in text
    assert "stay in use" not in text


def test_each_value_is_asked_as_left_once_after_all_work(
    nobody: TestClient, database: Database, page: str
) -> None:
    """A cartridge is changed between what is measured live and the check after its flush."""
    hardness = ("treated_hardness",)
    sheet = replace(
        SHEET,
        steps=(
            step(1, StepKind.AS_FOUND, 0, "As found", readings=hardness),
            step(2, StepKind.WORK, 10, "Measure it", readings=hardness),
            step(3, StepKind.WORK, 20, "Test the earth", readings=("earth_resistance",)),
            step(4, StepKind.WORK, 30, "Another one", machine="m-b", readings=hardness),
            step(5, StepKind.CHECK, 40, "Check it", readings=hardness),
        ),
    )
    with database.write() as session:
        visit = session.get_one(VisitRow, "v-a")
        visit.worksheet = worksheet_to_json(sheet)
        session.add(visit)
    shown = nobody.get(page).text
    boxes = [
        re.findall('class="box">([a-z]+)<', line)
        for line in re.findall("<li.*?</li>", shown, re.DOTALL)
    ]
    assert [each for each in boxes if each] == [
        ["found"],
        ["found"],
        ["found", "left"],  # what only the work shows
        ["found", "left"],  # a machine without a check of it
        ["left"],
    ]


def test_page_asks_for_nothing_and_may_not_be_kept_or_found(nobody: TestClient, page: str) -> None:
    reply = nobody.get(page)

    (style,) = re.findall("<style>(.*?)</style>", reply.text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert "url(" not in style
    assert "@import" not in style
    assert Shown(reply.text).tags.isdisjoint({"script", "link", "img", "iframe", "form", "base"})
    assert reply.headers["content-security-policy"] == (
        f"default-src 'none'; style-src 'sha256-{digest}'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    for name, value in {
        "cache-control": "private, no-store",
        "referrer-policy": "no-referrer",
        "x-robots-tag": "noindex, nofollow",
        "x-content-type-options": "nosniff",
        "content-type": "text/html; charset=utf-8",
    }.items():
        assert reply.headers[name] == value
    assert "etag" not in reply.headers
    assert nobody.head(page).headers["content-length"] == reply.headers["content-length"]


def test_page_is_in_the_language_of_its_reader(
    nobody: TestClient, database: Database, page: str
) -> None:
    with database.write() as session:
        person = session.get_one(TechnicianRow, "t-a")
        person.language = "fr"
        session.add(person)

    shown = Shown(nobody.get(page).text).text
    for words in (
        "Two groups, repère E-a\u00a0: de nouveau en service à 09:50 au plus tôt",
        "Remplacer un joint de groupe (groupe 1)",
        "Pression d’infusion pendant un café",
        ", de 8,5 à 9,5 bar",
        "Ordre du travail",
    ):
        assert words in shown
    assert "Replace a group gasket" not in shown


@pytest.mark.parametrize("verb", ["revoke", "rotate"])
def test_a_withdrawn_link_takes_the_worksheets_with_it_in_every_process(
    dispatcher: TestClient, database: Database, catalogue_in_use: Catalogue, verb: str
) -> None:
    elsewhere = create_app(database, catalogue_in_use, public_url=WORLD)
    elsewhere.dependency_overrides[present] = lambda: NOW
    other_process = TestClient(elsewhere)
    lost, feed = new_link(dispatcher, technician_id="t-a")
    _, kept = new_link(dispatcher, technician_id="t-a", device="tablet")
    page = worksheet_of(other_process, feed)
    assert (worksheet_of(other_process, kept), other_process.get(page).status_code) == (page, 200)

    dispatcher.post(f"/v1/feed-links/{lost}/{verb}")

    gone = other_process.get(page)
    assert gone.status_code == 410
    assert "no longer at this address" in gone.text
    assert "Bar" not in gone.text
    fresh = worksheet_of(other_process, kept)
    assert (fresh != page, other_process.get(fresh).status_code) == (True, 200)


def test_a_partners_or_cafés_link_leaves_the_worksheets_alone(
    dispatcher: TestClient, page: str
) -> None:
    for of in ({"kind": "busy", "technician_id": "t-a"}, {"kind": "site", "site_id": "s-a"}):
        link_id, feed = new_link(dispatcher, **of)
        assert b"URL" not in dispatcher.get(feed).content
        dispatcher.post(f"/v1/feed-links/{link_id}/revoke")
    assert dispatcher.get(page).status_code == 200


def test_a_visit_that_left_the_technician_is_shown_to_the_other_only(
    dispatcher: TestClient, database: Database, catalogue_in_use: Catalogue, page: str
) -> None:
    move_by_hand(
        database, "ap-a", "t-b", NOW + timedelta(days=2), catalogue_in_use, now=NOW, origin=TEST
    )

    gone = dispatcher.get(page)
    assert (gone.status_code, "taken this visit over" in gone.text) == (410, True)
    theirs = new_link(dispatcher, technician_id="t-b")[1]
    events = icalendar.Calendar.from_ical(dispatcher.get(theirs).content).walk("VEVENT")
    found = {str(event["URL"]).removeprefix(WORLD) for event in events}
    assert {dispatcher.get(path).status_code for path in found} == {200}
    mine = new_link(dispatcher, technician_id="t-a", device="tablet")[1]
    assert b"URL:" not in dispatcher.get(mine).content


def test_a_cancelled_visit_says_so(
    nobody: TestClient, database: Database, catalogue_in_use: Catalogue, page: str
) -> None:
    change_state(
        database, "ap-a", AppointmentState.CANCELLED, catalogue_in_use, now=NOW, origin=TEST
    )
    gone = nobody.get(page)
    assert (gone.status_code, "has been cancelled" in gone.text) == (410, True)


def test_a_visit_is_forgotten_when_it_leaves_the_calendar(
    nobody: TestClient, app: FastAPI, page: str
) -> None:
    over = NOW + timedelta(days=1, hours=1)
    statuses = []
    for moment in (over + timedelta(days=60), over + timedelta(days=60, seconds=1)):
        app.dependency_overrides[present] = lambda moment=moment: moment
        try:
            statuses.append(nobody.get(page).status_code)
        finally:
            app.dependency_overrides[present] = lambda: NOW
    assert statuses == [200, 410]


def test_an_address_opens_one_worksheet_and_no_other(
    nobody: TestClient, database: Database, page: str
) -> None:
    _, _, secret, appointment = page.split("/")
    forged = worksheet_path(b"another key of nobody's", appointment)
    for path in (
        f"/w/{secret}/ap-b",
        f"/w/{secret}/ap-c",
        f"/w/{secret[:-1]}/{appointment}",
        f"/w/{'é' * 43}/{appointment}",
        forged,
    ):
        reply = nobody.get(path)
        assert (reply.status_code, "no such worksheet" in reply.text) == (404, True), path
        assert secret not in reply.text


def test_addresses_stay_as_they_are_until_the_server_moves(
    dispatcher: TestClient, database: Database, catalogue_in_use: Catalogue, page: str
) -> None:
    feed = new_link(dispatcher, technician_id="t-a", device="tablet")[1]
    before = dispatcher.get(feed)
    change_state(
        database, "ap-b", AppointmentState.PROMISED, catalogue_in_use, now=NOW, origin=TEST
    )
    move_calendars(database, WORLD, catalogue_in_use, now=NOW + timedelta(hours=1))
    unchanged = dispatcher.get(feed)
    move_calendars(database, "https://new.example.org/x", catalogue_in_use, now=NOW)
    moved = dispatcher.get(feed)

    assert (unchanged.content, unchanged.headers["etag"]) == (
        before.content,
        before.headers["etag"],
    )
    (event,) = icalendar.Calendar.from_ical(moved.content).walk("VEVENT")
    assert event["URL"] == f"https://new.example.org/x{page}"
    assert event["LAST-MODIFIED"].dt >= NOW


def test_without_a_server_there_is_no_address(dispatcher: TestClient) -> None:
    feed = new_link(dispatcher, technician_id="t-a")[1]
    assert b"URL:" not in dispatcher.get(feed).content


def test_no_secret_of_a_worksheet_is_logged_or_kept_in_the_trail(
    dispatcher: TestClient,
    nobody: TestClient,
    database: Database,
    page: str,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    secret = page.split("/")[2]
    for method in ("GET", "HEAD", "POST"):
        nobody.request(method, page)
    told = [nobody.get(f"/w/{secret}").text, nobody.get(f"{page}/x").text]
    told += [nobody.get(page + "x").text, nobody.post(page).text]
    with database.read() as session:
        link_id = session.exec(select(FeedLinkRow.id)).first()
    dispatcher.post(f"/v1/feed-links/{link_id}/revoke")
    told.append(nobody.get(page).text)
    with database.read() as session:
        told += [
            row.model_dump_json()
            for table in (AuditRow, FeedLinkRow, OutboxRow, AppointmentRow)
            for row in session.exec(select(table))
        ]
    logged = [
        f"{record.getMessage()} {record.exc_text or ''}"
        for record in caplog.records
        if not record.name.startswith(("http", "asyncio"))  # the test's own client
    ]
    assert any("/w/***/ap-a 200" in line for line in logged)
    assert any("/w/***/ap-a 410" in line for line in logged)
    assert not [line for line in (*logged, *told) if secret in line]


def test_a_step_of_a_machine_that_is_gone_is_still_shown(
    nobody: TestClient, database: Database, page: str
) -> None:
    with database.write() as session:
        visit = session.get_one(VisitRow, "v-a")
        steps = tuple(replace(each, machine="m-gone") for each in SHEET.steps)
        visit.worksheet = worksheet_to_json(replace(SHEET, steps=steps, machine_back_minutes={}))
        session.add(visit)
    shown = Shown(nobody.get(page).text).text
    assert "m-gone" in shown
    assert "Prove dead" in shown
