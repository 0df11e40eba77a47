"""Random histories of appointments, and what three calendars show after every step.

A reader of its own (icalendar) holds the calendars against what the step was; the rules are those
of RFC 5546 section 2.1.4 for SEQUENCE, and this project's own for which calendar shows what.
"""

import re
import shutil
import tempfile
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    precondition,
    rule,
)
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.actions.calendars import THE_COMPANY, Feed, move_calendars, write_calendar
from api.actions.company_fields import SiteFields
from api.actions.edit_records import replace_record
from api.actions.feed_links import create_feed_link
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.tables import (
    AppointmentRow,
    FeedDocumentRow,
    FeedKind,
    HandOverRow,
    SiteRow,
    VisitRow,
)
from scheduler.errors import DoubleBooking, SiteTaken
from scheduler.lifecycle import AppointmentState
from scheduler.worksheet import Worksheet
from seed_data.catalogue import load_catalogue
from tests.api.actions.conftest import NOW, TESTER, TODAY, fill
from tests.api.actions.test_feeds_of_all_kinds import SHEET

CATALOGUE = load_catalogue()
PEOPLE = ("te-1", "te-2")
OWN = {person: Feed(FeedKind.TECHNICIAN, person) for person in PEOPLE}
SITE = Feed(FeedKind.SITE, "si-1")
COMPANY = Feed(FeedKind.COMPANY, THE_COMPANY)
FEEDS = (*OWN.values(), Feed(FeedKind.BUSY, "te-1"), SITE, COMPANY)
LIVE = (AppointmentState.PLANNED, AppointmentState.PROMISED)

people = st.sampled_from(PEOPLE)
hours = st.sampled_from((1, 2, 4))  # few, so that visits meet and change hands at one time


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """An event as a reader sees it."""

    start: datetime
    status: str
    sequence: int
    stamp: datetime
    description: str
    octets: bytes

    @property
    def but_for_the_way(self) -> tuple[datetime, str, int, str]:
        """What of it stays when only the drive to it takes another time."""
        way = r"\nDrive of about \d+ min: leave by \d\d:\d\d\."
        return self.start, self.status, self.sequence, re.sub(way, "", self.description)


def sheet_at(site: int) -> Worksheet:
    """Return the worksheet of a visit to the one machine of a site."""
    steps = tuple(replace(step, machine=step.machine and f"ma-{site}") for step in SHEET.steps)
    return replace(SHEET, steps=steps, machine_back_minutes={f"ma-{site}": 55})


class Histories(RuleBasedStateMachine):
    """Appointments are booked, moved, handed over, promised, cancelled; sites are edited."""

    appointments = Bundle("appointments")
    template: Path

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        copy = shutil.copy(self.template, Path(self.folder.name) / "steamround.sqlite")
        self.database = Database(f"sqlite:///{copy}")
        self.now = NOW
        self.visits = 0
        self.notes = 0
        self.last: dict[Feed, dict[str, Shown]] = {feed: {} for feed in FEEDS}
        self.bodies = {feed: self._body(feed) for feed in FEEDS}

    def teardown(self) -> None:
        self.database.close()
        self.folder.cleanup()

    @rule(target=appointments, person=people, hour=hours)
    def book(self, person: str, hour: int) -> Any:
        self.visits += 1
        visit, site = f"vi-{self.visits}", 1 + self.visits % 2
        with self.database.write() as session:
            session.add(
                VisitRow(
                    id=visit, site_id=f"si-{site}", kind="upkeep",
                    window="access", minutes=60, skills=[], earliest=TODAY, target=TODAY,
                    latest=TODAY, headlines=["Gaskets"],
                    worksheet=worksheet_to_json(sheet_at(site)),
                )
            )  # fmt: skip
        made: list[str] = []

        def act() -> str:
            row = book_by_hand(
                self.database, visit, person, NOW + timedelta(days=2, hours=hour), CATALOGUE,
                now=self.now, origin=TESTER,
            )  # fmt: skip
            made.append(row.id)
            return row.id

        self._step(act)
        return made[0] if made else None

    @rule(appointment=appointments, person=people, hour=hours)
    def move(self, appointment: str | None, person: str, hour: int) -> None:
        row = self._row(appointment)
        if row is not None and row.state in LIVE:
            self._move(row, person, NOW + timedelta(days=2, hours=hour))

    @rule(appointment=appointments)
    def hand_over(self, appointment: str | None) -> None:
        row = self._row(appointment)
        if row is not None and row.state in LIVE:
            (other,) = set(PEOPLE) - {row.technician_id}
            self._move(row, other, row.starts_at)

    def _move(self, row: AppointmentRow, person: str, start: datetime) -> None:
        def act() -> str:
            move_by_hand(
                self.database, row.id, person, start, CATALOGUE, now=self.now, origin=TESTER
            )
            return row.id

        self._step(act, rises=(row.technician_id, row.starts_at) != (person, start))

    @rule(appointment=appointments, promise=st.booleans())
    def promise_or_release(self, appointment: str | None, promise: bool) -> None:
        row = self._row(appointment)
        before, after = LIVE if promise else LIVE[::-1]
        if row is None or row.state != before:
            return

        def act() -> str:
            change_state(self.database, row.id, after, CATALOGUE, now=self.now, origin=TESTER)
            return row.id

        self._step(act, rises=False)

    @rule(appointment=consumes(appointments))
    def cancel(self, appointment: str | None) -> None:
        row = self._row(appointment)
        if row is None or row.state not in LIVE:
            return

        def act() -> str:
            change_state(
                self.database, row.id, AppointmentState.CANCELLED, CATALOGUE,
                now=self.now, origin=TESTER,
            )  # fmt: skip
            return row.id

        self._step(act)

    @precondition(lambda self: self.visits)
    @rule()
    def edit_what_no_calendar_shows(self) -> None:
        """Another telephone bill: the hardness of a site's water is in no calendar."""
        self.notes += 1
        with self.database.read() as session:
            row = session.get_one(SiteRow, "si-1")
        fields = {name: getattr(row, name) for name in SiteFields.model_fields}
        replace_record(
            self.database, SiteRow, "si-1",
            SiteFields.model_validate(fields | {"hardness_dh": float(self.notes)}),
            CATALOGUE, if_version=row.version, now=self.now, origin=TESTER,
        )  # fmt: skip
        assert {feed: self._body(feed) for feed in FEEDS} == self.bodies

    @invariant()
    def every_live_appointment_is_with_one_technician(self) -> None:
        if not hasattr(self, "database"):
            return
        with self.database.read() as session:
            rows = session.exec(select(AppointmentRow)).all()
            left = {
                (row.appointment_id, row.technician_id) for row in session.exec(select(HandOverRow))
            }
        for row in rows:
            uid = f"{row.id}@steamround.invalid"
            status = "CANCELLED" if row.state == AppointmentState.CANCELLED else "CONFIRMED"
            shown = {
                person: self.last[feed][uid].status
                for person, feed in OWN.items()
                if uid in self.last[feed]
            }
            tombstones = {
                person: "CANCELLED"
                for person in PEOPLE
                if (row.id, person) in left and person != row.technician_id
            }
            assert shown == {row.technician_id: status, **tombstones}
            assert self.last[COMPANY][uid].status == status
            assert self.last[COMPANY][uid].sequence == row.sequence

    @invariant()
    def written_anew_the_calendars_would_be_the_same(self) -> None:
        if not hasattr(self, "database"):
            return
        with self.database.write() as session:
            for feed in FEEDS:
                write_calendar(session, feed, CATALOGUE, now=self.now + timedelta(seconds=30))
        assert {feed: self._body(feed) for feed in FEEDS} == self.bodies

    def _row(self, appointment: str | None) -> AppointmentRow | None:
        if appointment is None:
            return None
        with self.database.read() as session:
            return session.get_one(AppointmentRow, appointment)

    def _step(self, act: Any, *, rises: bool = True) -> None:
        """Do one thing to one appointment and look what every calendar makes of it."""
        self.now += timedelta(minutes=1)
        try:
            uid = f"{act()}@steamround.invalid"
        except (DoubleBooking, SiteTaken):
            assert {feed: self._body(feed) for feed in FEEDS} == self.bodies
            return
        for feed in FEEDS:
            shown = self._shown(feed)
            before = self.last[feed]
            assert set(before) <= set(shown), "an event vanished"
            changed = {key for key in shown if shown[key] != before.get(key)}
            for other in changed - {uid}:  # a neighbour in the round, reached another way now
                assert feed in OWN.values(), "another event changed"
                assert shown[other].but_for_the_way == before[other].but_for_the_way
                assert shown[other].stamp == self.now
            if uid in before and uid in changed:
                assert (shown[uid].sequence > before[uid].sequence) is rises
                assert shown[uid].stamp == self.now
            self.last[feed], self.bodies[feed] = shown, self._body(feed)

    def _body(self, feed: Feed) -> bytes:
        with self.database.read() as session:
            return session.get_one(FeedDocumentRow, (feed.kind, feed.subject)).body

    def _shown(self, feed: Feed) -> dict[str, Shown]:
        events = icalendar.Calendar.from_ical(self._body(feed)).walk("VEVENT")
        return {
            str(event["UID"]): Shown(
                start=event.start,
                status=str(event["STATUS"]),
                sequence=int(event["SEQUENCE"]),
                stamp=event["LAST-MODIFIED"].dt,
                description=str(event.get("DESCRIPTION", "")),
                octets=event.to_ical(),
            )
            for event in events
        }


def test_random_histories_keep_every_calendar_true(tmp_path: Path) -> None:
    Histories.template = tmp_path / "template.sqlite"
    database = Database(f"sqlite:///{Histories.template}")
    database.create_or_upgrade()
    fill(database)
    # worksheets have addresses then, which must not move either
    move_calendars(database, "https://plan.example.org", CATALOGUE, now=NOW)
    for feed in FEEDS:
        create_feed_link(database, feed, "telephone", CATALOGUE, now=NOW, origin=TESTER)
    database.close()
    Histories.TestCase.settings = settings(
        max_examples=10,
        stateful_step_count=14,
        phases=[Phase.generate],  # a history is short enough to be read as it is
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    case = Histories.TestCase("runTest")
    case.runTest()
