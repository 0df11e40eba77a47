"""One appointment in several calendars: who is told what, and what leaves them alone."""

from dataclasses import replace
from datetime import timedelta

import icalendar
import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.actions.calendars import THE_COMPANY, Feed, refresh_all_calendars
from api.actions.company_fields import SiteFields, TechnicianFields
from api.actions.edit_records import replace_record
from api.actions.feed_links import create_feed_link, revoke_feed_link, rotate_feed_link
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.tables import (
    AppointmentRow,
    CompanyRow,
    FeedDocumentRow,
    FeedKind,
    FeedLinkRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue, MachineState
from scheduler.errors import Absent, Conflict
from scheduler.lifecycle import AppointmentState
from scheduler.visit_steps import StepKind
from scheduler.worksheet import Step, Worksheet
from tests.api.actions.conftest import NOW, TESTER, TODAY

MINE = Feed(FeedKind.TECHNICIAN, "te-1")
THEIRS = Feed(FeedKind.TECHNICIAN, "te-2")
BUSY = Feed(FeedKind.BUSY, "te-1")
SITE = Feed(FeedKind.SITE, "si-1")
OTHER_SITE = Feed(FeedKind.SITE, "si-2")
COMPANY = Feed(FeedKind.COMPANY, THE_COMPANY)
START = NOW + timedelta(hours=3)


def step(number: int, kind: StepKind, start: int, minutes: int, machine: str | None) -> Step:
    return Step(
        number=number, kind=kind, machine=machine, state=MachineState.LIVE, text=f"Step {kind}",
        start_minute=start, minutes=minutes, because="",
    )  # fmt: skip


SHEET = Worksheet(
    steps=(
        step(1, StepKind.ARRIVE, 0, 5, None),
        step(2, StepKind.AS_FOUND, 5, 2, "ma-1"),
        step(3, StepKind.SHUT_DOWN, 7, 3, "ma-1"),
        step(4, StepKind.WORK, 10, 40, "ma-1"),
        step(5, StepKind.CHECK, 50, 5, "ma-1"),
    ),
    minutes=60, minutes_p80=70, machine_back_minutes={"ma-1": 55}, needs_off=True,
    skills=frozenset({"espresso"}), parts={"group_gasket": 2}, tools=("spanner",),
    cautions=("Hot water under pressure.",), because="",
)  # fmt: skip


@pytest.fixture
def visits(database: Database) -> list[str]:
    with database.write() as session:
        for number in (1, 2):
            session.add(
                VisitRow(
                    id=f"vi-{number}", site_id=f"si-{number}", kind="upkeep", window="access",
                    minutes=60, skills=["espresso"], earliest=TODAY, target=TODAY,
                    latest=TODAY + timedelta(days=9), headlines=["Group gaskets"],
                    worksheet=worksheet_to_json(SHEET),
                )
            )  # fmt: skip
    return ["vi-1", "vi-2"]


@pytest.fixture
def booked(database: Database, catalogue: Catalogue, visits: list[str]) -> list[AppointmentRow]:
    """Two appointments of te-1, one at each site; every kind of calendar has a reader."""
    for feed in (MINE, THEIRS, BUSY, SITE, OTHER_SITE, COMPANY):
        create_feed_link(database, feed, "telephone", catalogue, now=NOW, origin=TESTER)
    return [
        book_by_hand(
            database, visit, "te-1", START + timedelta(hours=2 * number), catalogue,
            now=NOW, origin=TESTER,
        )
        for number, visit in enumerate(visits)
    ]  # fmt: skip


def body(database: Database, feed: Feed) -> bytes:
    with database.read() as session:
        return session.get_one(FeedDocumentRow, (feed.kind, feed.subject)).body


def events(database: Database, feed: Feed) -> dict[str, str]:
    """Return UID -> all of an event as an independent reader writes it."""
    walked = icalendar.Calendar.from_ical(body(database, feed)).walk("VEVENT")
    return {str(event["UID"]): event.to_ical().decode() for event in walked}


def summaries(database: Database, feed: Feed) -> list[str]:
    walked = icalendar.Calendar.from_ical(body(database, feed)).walk("VEVENT")
    return sorted(str(event["SUMMARY"]) for event in walked)


def text(database: Database, feed: Feed) -> str:
    return body(database, feed).replace(b"\r\n ", b"").decode()


def test_each_reader_is_told_what_is_theirs(
    database: Database, booked: list[AppointmentRow]
) -> None:
    assert summaries(database, MINE) == [
        "Café 1, Bordeaux: Group gaskets",
        "Café 2, Bordeaux: Group gaskets",
    ]
    assert summaries(database, THEIRS) == []
    assert summaries(database, BUSY) == ["At work", "At work"]
    assert summaries(database, SITE) == ["Upkeep: Group gaskets"]
    assert summaries(database, COMPANY) == [
        "Technician 1 at Café 1, Bordeaux: Group gaskets",
        "Technician 1 at Café 2, Bordeaux: Group gaskets",
    ]


def test_partner_learns_no_place_and_café_no_other_site(
    database: Database, booked: list[AppointmentRow]
) -> None:
    for word in ("Café", "Bordeaux", "rue", "GEO", "LOCATION", "gasket", "Client"):
        assert word in text(database, MINE) + text(database, COMPANY), "the test's own words"
        assert word not in text(database, BUSY)
    for word in ("Café 2", "2 rue du Port", "Hot water", "spanner", "Step"):
        assert word in text(database, MINE)
        assert word not in text(database, SITE)


def test_machine_is_off_from_its_shut_down_until_its_check(
    database: Database, booked: list[AppointmentRow]
) -> None:
    # Arrival 08:30Z is 09:30 in Paris (CET, before 28 March); shut down after 7 min, back after 55.
    off = "Two groups, tag E1 is off from about 09:37 to 10:25: nothing can be had"
    assert off in text(database, SITE).replace("\\", "")


def test_a_move_alters_one_event_and_for_its_technician_the_drive_to_the_next(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    feeds = (MINE, THEIRS, BUSY, SITE, OTHER_SITE, COMPANY)
    before = {feed: events(database, feed) for feed in feeds}
    bytes_before = {feed: body(database, feed) for feed in feeds}
    move_by_hand(
        database, booked[0].id, "te-1", START + timedelta(hours=5), catalogue,
        now=NOW + timedelta(minutes=5), origin=TESTER,
    )  # fmt: skip

    changed = {
        feed: {uid for uid, event in events(database, feed).items() if event != before[feed][uid]}
        for feed in feeds
    }
    moved = {f"{booked[0].id}@steamround.invalid"}
    (uid,) = changed[MINE] - moved
    kept = ("DTSTART", "DTEND", "SEQUENCE", "STATUS", "SUMMARY")
    now_and_before = [
        [line for line in event.splitlines() if line.startswith(kept)]
        for event in (events(database, MINE)[uid], before[MINE][uid])
    ]
    assert now_and_before[0] == now_and_before[1]
    assert changed == {
        MINE: {*moved, uid}, THEIRS: set(), BUSY: moved, SITE: moved, OTHER_SITE: set(),
        COMPANY: moved,
    }  # fmt: skip
    assert body(database, THEIRS) == bytes_before[THEIRS]
    assert body(database, OTHER_SITE) == bytes_before[OTHER_SITE]


def test_a_change_of_state_nobody_is_shown_leaves_the_partners_calendar_alone(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    before = {feed: body(database, feed) for feed in (MINE, BUSY, SITE)}
    change_state(
        database, booked[0].id, AppointmentState.PROMISED, catalogue,
        now=NOW + timedelta(minutes=5), origin=TESTER,
    )  # fmt: skip

    changed = {feed for feed in before if body(database, feed) != before[feed]}
    assert changed == {MINE, SITE}


def test_a_visit_that_changes_hands_shows_so_to_each(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    move_by_hand(
        database, booked[0].id, "te-2", booked[0].starts_at, catalogue,
        now=NOW + timedelta(minutes=5), origin=TESTER,
    )  # fmt: skip

    assert summaries(database, MINE) == [
        "Café 2, Bordeaux: Group gaskets",
        "Handed over: Café 1, Bordeaux: Group gaskets",
    ]
    assert summaries(database, BUSY) == ["At work", "Cancelled: at work"]
    assert "Technician 2 will come." in text(database, SITE)
    assert "Technician 2 at Café 1" in text(database, COMPANY)


def test_the_next_day_changes_nothing_but_what_leaves_the_window(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    before = {feed: body(database, feed) for feed in (MINE, BUSY, SITE, COMPANY)}

    refresh_all_calendars(database, catalogue, NOW + timedelta(days=1))
    assert {feed: body(database, feed) for feed in before} == before
    refresh_all_calendars(database, catalogue, NOW + timedelta(days=62))
    assert summaries(database, COMPANY) == []


def test_a_link_is_for_one_device_and_its_calendar_goes_with_the_last(
    database: Database, catalogue: Catalogue
) -> None:
    def create(device: str, feed: Feed = BUSY) -> FeedLinkRow:
        return create_feed_link(database, feed, device, catalogue, now=NOW, origin=TESTER)[0]

    def is_kept() -> bool:
        with database.read() as session:
            return session.get(FeedDocumentRow, (BUSY.kind, BUSY.subject)) is not None

    first, second = create("her telephone"), create("kitchen")
    with pytest.raises(Conflict, match="'kitchen' has a link to this calendar already"):
        create("kitchen")
    successor, path = rotate_feed_link(database, second.id, catalogue, now=NOW, origin=TESTER)
    assert (successor.device, path.endswith("/technician-1.ics")) == ("kitchen", True)
    revoke_feed_link(database, first.id, catalogue, now=NOW, origin=TESTER)
    assert is_kept()
    revoke_feed_link(database, successor.id, catalogue, now=NOW, origin=TESTER)
    assert not is_kept()
    assert create("kitchen").id not in {first.id, second.id, successor.id}
    for feed in (Feed(FeedKind.SITE, "te-1"), Feed(FeedKind.COMPANY, "2"), Feed(FeedKind.BUSY, "")):
        with pytest.raises(Absent):
            create("telephone", feed)
    with database.read() as session:
        assert len(session.exec(select(FeedLinkRow)).all()) == 4


def test_a_technician_chooses_language_and_length(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    assert "Order of work" in text(database, MINE)
    with database.read() as session:
        row = session.get_one(TechnicianRow, "te-1")
    values = {name: getattr(row, name) for name in TechnicianFields.model_fields}
    chosen = TechnicianFields(**values | {"language": "fr", "calendar_text": "short"})
    replace_record(
        database, TechnicianRow, "te-1", chosen, catalogue,
        if_version=row.version, now=NOW + timedelta(minutes=5), origin=TESTER,
    )  # fmt: skip

    assert "X-WR-CALNAME:Tournées de Technician 1" in text(database, MINE)
    assert "À emporter" in text(database, MINE)
    assert "Ordre du travail" not in text(database, MINE)
    assert summaries(database, BUSY) == ["Au travail", "Au travail"]
    assert summaries(database, SITE) == ["Upkeep: Group gaskets"]


def test_a_site_and_the_company_read_their_own_language(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    with database.read() as session:
        row = session.get_one(SiteRow, "si-1")
    values = {name: getattr(row, name) for name in SiteFields.model_fields}
    replace_record(
        database, SiteRow, "si-1", SiteFields.model_validate(values | {"language": "fr"}),
        catalogue, if_version=row.version, now=NOW + timedelta(minutes=5), origin=TESTER,
    )  # fmt: skip
    with database.write() as session:
        session.get_one(CompanyRow, 1).language = "fr"
    refresh_all_calendars(database, catalogue, NOW + timedelta(minutes=6))

    assert "X-WR-CALNAME:Entretien des machines : Café 1" in text(database, SITE)
    assert "Technician 1 viendra." in text(database, SITE)
    assert "Upkeep" in text(database, OTHER_SITE)
    assert "X-WR-CALNAME:Toutes les tournées de Vapeur & Fils" in text(database, COMPANY)
    assert "Technician 1 chez Café 1" in text(database, COMPANY)
    assert "Order of work" in text(database, MINE)


def test_steps_parts_and_cautions_are_said_in_the_readers_language(
    database: Database, catalogue: Catalogue, booked: list[AppointmentRow]
) -> None:
    """The stored worksheet is English; what the catalogue knows in French is said in French."""
    arrive = replace(SHEET.steps[0], text="Arrive, sign in, hear what the café has noticed")
    sheet = replace(SHEET, steps=(arrive,), tools=("gasket pick",))
    with database.write() as session:
        session.get_one(VisitRow, "vi-1").worksheet = worksheet_to_json(sheet)
        session.get_one(TechnicianRow, "te-1").language = "fr"
    refresh_all_calendars(database, catalogue, NOW + timedelta(minutes=6))

    shown = text(database, MINE)
    assert "2 × Joint de groupe" in shown
    assert "1. Arriver\\, s’annoncer\\, demander ce que le café a remarqué (5 min)" in shown
    assert "crochet à joints" in shown


@pytest.mark.parametrize(
    ("language", "line"),
    [
        ("en", "2. Open: Drain tray out. {caution} (2 min)"),
        ("fr", "2. Ouvrir : Bac d’égouttage retiré. {caution} (2 min)"),
    ],
)
def test_the_caution_for_opening_a_machine_stands_at_its_step(
    database: Database,
    catalogue: Catalogue,
    booked: list[AppointmentRow],
    language: str,
    line: str,
) -> None:
    caution = catalogue.cautions["locked_yet_hot"].text
    opening = replace(
        step(2, StepKind.OPEN, 5, 2, "ma-1"), text="Open: Drain tray out", cautions=(caution,)
    )
    sheet = replace(SHEET, steps=(SHEET.steps[0], opening, *SHEET.steps[2:]), cautions=(caution,))
    with database.write() as session:
        session.get_one(VisitRow, "vi-1").worksheet = worksheet_to_json(sheet)
        session.get_one(TechnicianRow, "te-1").language = language
    refresh_all_calendars(database, catalogue, NOW + timedelta(minutes=6))

    said = catalogue.translator(language)(caution)
    assert (said == caution) is (language == "en")
    escaped = line.format(caution=said).replace(";", "\\;").replace(",", "\\,")
    assert escaped in text(database, MINE)
