"""A technician's own calendar becomes absences: uploaded, fetched, failed, forgotten."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlmodel import col, select

from api.actions.absence_calendars import (
    MOST_CALENDARS,
    READ_EVERY,
    Reading,
    ask_to_read,
    forget_calendar,
    look_at_upload,
    read_next_calendar,
    subscribe,
    upload,
)
from api.storage.absence_hits import Hit
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.scope import Scope
from api.storage.snapshots import active_technicians
from api.storage.tables import (
    AbsenceCalendarRow,
    AbsenceRow,
    AppointmentRow,
    AuditRow,
    VisitRow,
)
from scheduler.errors import Absent, Conflict, ReadTooSoon, UnreadableCalendar
from scheduler.intervals import Interval, IntervalSet
from tests.api.actions.conftest import NOW, TESTER, TODAY
from tests.api.actions.test_feeds_of_all_kinds import SHEET

ADDRESS = "https://calendar.example.org/private-7f3a/canary.ics"
LATER = NOW + timedelta(minutes=1)


def event(uid: str, start: str, end: str, *lines: str) -> list[str]:
    return [
        "BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20270301T000000Z",
        f"DTSTART:{start}", f"DTEND:{end}", "SUMMARY:Dentist", *lines, "END:VEVENT",
    ]  # fmt: skip


def calendar(*events: list[str]) -> bytes:
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Test//EN"]
    for each in events:
        lines += each
    return "\r\n".join([*lines, "END:VCALENDAR", ""]).encode()


DENTIST = event("a", "20270324T090000Z", "20270324T110000Z")
MAYBE = event("b", "20270325T090000Z", "20270325T100000Z", "STATUS:TENTATIVE")
EVERY_SECOND = event("c", "20270324T090000Z", "20270324T090001Z", "RRULE:FREQ=SECONDLY")
WEDNESDAY = (datetime(2027, 3, 24, 9, tzinfo=UTC), datetime(2027, 3, 24, 11, tzinfo=UTC))
THURSDAY = (datetime(2027, 3, 25, 9, tzinfo=UTC), datetime(2027, 3, 25, 10, tzinfo=UTC))


def absences(database: Database) -> list[tuple[str, datetime, datetime]]:
    with database.read() as session:
        rows = session.exec(select(AbsenceRow).order_by(col(AbsenceRow.starts_at))).all()
    return [(row.certainty, row.starts_at, row.ends_at) for row in rows]


def kept(database: Database, calendar_id: str) -> AbsenceCalendarRow:
    with database.read() as session:
        return session.get_one(AbsenceCalendarRow, calendar_id)


def uploaded(
    database: Database, octets: bytes, now: datetime = NOW, *, tentative_blocks: bool = False
) -> Reading:
    return upload(
        database, "te-1", "private", octets,
        tentative_blocks=tentative_blocks, now=now, origin=TESTER,
    )  # fmt: skip


def subscribed(database: Database, technician: str = "te-1") -> AbsenceCalendarRow:
    return subscribe(
        database, technician, "private", ADDRESS, tentative_blocks=False, now=NOW, origin=TESTER
    )


def test_an_upload_blocks_what_is_certain_and_weighs_what_is_not(database: Database) -> None:
    reading = uploaded(database, calendar(DENTIST, MAYBE, EVERY_SECOND))

    assert absences(database) == [("away", *WEDNESDAY), ("perhaps", *THURSDAY)]
    assert reading.calendar is not None
    (skipped,) = reading.calendar.skipped
    assert skipped[:2] == ["VEVENT", "c"]
    with database.read() as session:
        person, _ = active_technicians(session, from_day=TODAY)
    assert person.perhaps_away == IntervalSet.between(*THURSDAY)
    working = person.calendar.between(NOW, NOW + timedelta(days=5))
    assert working & IntervalSet.between(*WEDNESDAY) == IntervalSet()
    assert working & IntervalSet.between(*THURSDAY) == IntervalSet.between(*THURSDAY)


def test_what_is_tentative_blocks_where_that_is_wanted(database: Database) -> None:
    uploaded(database, calendar(DENTIST, MAYBE), tentative_blocks=True)

    assert absences(database) == [("away", *WEDNESDAY), ("away", *THURSDAY)]


def test_a_later_upload_replaces_the_earlier_one_and_a_bad_one_nothing(database: Database) -> None:
    first = uploaded(database, calendar(DENTIST, MAYBE))
    second = uploaded(database, calendar(MAYBE), LATER)
    with pytest.raises(UnreadableCalendar):
        uploaded(database, b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n", LATER + timedelta(minutes=1))

    assert first.calendar is not None
    assert second.calendar is not None
    assert first.calendar.id == second.calendar.id
    assert absences(database) == [("perhaps", *THURSDAY)]


def test_readings_of_one_technician_keep_their_distance(database: Database) -> None:
    look_at_upload(database, "te-1", calendar(DENTIST), now=NOW)

    with pytest.raises(ReadTooSoon, match="te-1 was read a moment ago: wait 10 s"):
        uploaded(database, calendar(DENTIST), NOW + timedelta(seconds=9))
    look_at_upload(database, "te-2", calendar(DENTIST), now=NOW)
    uploaded(database, calendar(DENTIST), NOW + timedelta(seconds=10))


def test_a_look_says_what_would_be_hit_and_stores_nothing(database: Database) -> None:
    with database.write() as session:
        session.add(
            VisitRow(
                id="vi-1", site_id="si-1", kind="upkeep", window="access", minutes=60,
                skills=[], earliest=TODAY, target=TODAY, latest=TODAY, headlines=["Gaskets"],
                worksheet=worksheet_to_json(SHEET),
            )
        )  # fmt: skip
        for number, (start, state, technician) in enumerate(
            [
                (WEDNESDAY[0] + timedelta(hours=1), "promised", "te-1"),
                (WEDNESDAY[1], "planned", "te-1"),  # begins as the absence ends
                (WEDNESDAY[0], "planned", "te-2"),
                (THURSDAY[0], "planned", "te-1"),
                (THURSDAY[0], "cancelled", "te-1"),
            ]
        ):
            session.add(
                AppointmentRow(
                    id=f"ap-{number}", visit_id="vi-1", technician_id=technician, state=state,
                    starts_at=start, ends_at=start + timedelta(hours=1), created_at=NOW,
                    revised_at=NOW,
                )
            )  # fmt: skip

    reading = look_at_upload(database, "te-1", calendar(DENTIST, MAYBE), now=NOW)

    def hit(appointment: str, start: datetime, *, promised: bool) -> Hit:
        return Hit(
            appointment=appointment, site="Café 1", starts_at=start,
            ends_at=start + timedelta(hours=1), promised=promised,
        )  # fmt: skip

    assert reading.hits == (hit("ap-0", WEDNESDAY[0] + timedelta(hours=1), promised=True),)
    assert reading.perhaps_hits == (hit("ap-3", THURSDAY[0], promised=False),)
    assert (reading.calendar, absences(database)) == (None, [])


def test_the_clock_fetches_and_an_unchanged_calendar_changes_no_row(database: Database) -> None:
    row = subscribed(database)
    asked: list[str] = []

    def fetch(address: str) -> bytes:
        asked.append(address)
        return calendar(DENTIST)

    assert read_next_calendar(database, now=NOW, fetch=fetch) == row.id
    with database.read() as session:
        before = [each.id for each in session.exec(select(AbsenceRow))]
    assert read_next_calendar(database, now=LATER, fetch=fetch) is None  # not due
    assert read_next_calendar(database, now=NOW + READ_EVERY, fetch=fetch) == row.id
    with database.read() as session:
        assert [each.id for each in session.exec(select(AbsenceRow))] == before
    assert asked == [ADDRESS, ADDRESS]
    assert kept(database, row.id).read_at == NOW + READ_EVERY


def test_a_failure_keeps_the_last_good_says_why_and_waits_longer(database: Database) -> None:
    row = subscribed(database)
    read_next_calendar(database, now=NOW, fetch=lambda _: calendar(DENTIST))

    def fail(_: str) -> bytes:
        raise UnreadableCalendar("no_answer", "the host answered 503")

    moment, waits = NOW, []
    for _ in range(7):
        moment = kept(database, row.id).next_try_at or moment
        read_next_calendar(database, now=moment, fetch=fail)
        after = kept(database, row.id)
        assert after.next_try_at is not None
        waits.append((after.next_try_at - moment) / timedelta(hours=1))

    assert waits == [1, 2, 4, 8, 16, 24, 24]
    assert (after.failure, after.failures) == ("no_answer: the host answered 503", 7)
    assert after.read_at == NOW
    assert absences(database) == [("away", *WEDNESDAY)]
    read_next_calendar(database, now=after.next_try_at, fetch=lambda _: calendar(MAYBE))
    assert (kept(database, row.id).failure, kept(database, row.id).failures) == ("", 0)


def test_a_calendar_is_fetched_by_one_clock_of_many(database: Database) -> None:
    row = subscribed(database)

    def fetch(_: str) -> bytes:
        # while this clock fetches, another one looks for work
        assert read_next_calendar(database, now=LATER, fetch=fetch) is None
        return calendar(DENTIST)

    assert read_next_calendar(database, now=NOW, fetch=fetch) == row.id


def test_forgetting_a_calendar_forgets_its_absences_and_no_others(database: Database) -> None:
    row = subscribed(database)
    read_next_calendar(database, now=NOW, fetch=lambda _: calendar(DENTIST))
    uploaded(database, calendar(MAYBE))
    with pytest.raises(Absent):
        forget_calendar(database, row.id, now=NOW, origin=TESTER, scope=Scope(technician="te-2"))
    forget_calendar(database, row.id, now=NOW, origin=TESTER)

    assert absences(database) == [("perhaps", *THURSDAY)]
    assert read_next_calendar(database, now=NOW + READ_EVERY, fetch=lambda _: b"") is None


def test_an_upload_cannot_be_fetched_and_a_fetch_not_at_once_again(database: Database) -> None:
    row = subscribed(database)
    read_next_calendar(database, now=NOW, fetch=lambda _: calendar(DENTIST))
    with pytest.raises(ReadTooSoon):
        ask_to_read(database, row.id, now=NOW + timedelta(seconds=3), origin=TESTER)
    assert ask_to_read(database, row.id, now=LATER, origin=TESTER).next_try_at == LATER
    reading = uploaded(database, calendar(MAYBE))
    assert reading.calendar is not None
    with pytest.raises(Conflict, match="was uploaded"):
        ask_to_read(database, reading.calendar.id, now=LATER, origin=TESTER)


def test_addresses_inside_the_house_and_more_than_a_handful_are_refused(
    database: Database,
) -> None:
    for address in ("http://calendar.example.org/x.ics", "https://u:p@example.org/x.ics"):
        with pytest.raises(UnreadableCalendar):
            subscribe(
                database, "te-1", "x", address, tentative_blocks=False, now=NOW, origin=TESTER
            )
    for _ in range(MOST_CALENDARS):
        subscribed(database)
    with pytest.raises(Conflict, match=f"may have {MOST_CALENDARS} calendars"):
        subscribed(database)


def test_the_address_of_a_calendar_is_told_to_nobody(database: Database) -> None:
    row = subscribed(database)

    assert "canary" not in repr(row)
    with database.read() as session:
        trail = [each.model_dump_json() for each in session.exec(select(AuditRow))]
    assert f"absence_calendar/{row.id}" in "".join(trail)
    assert "canary" not in "".join(trail)


def test_a_running_absence_is_not_cut_down_as_it_passes(database: Database) -> None:
    row = subscribed(database)
    holiday = event("h", "20270320T080000Z", "20270330T080000Z")
    for hours in range(3):
        moment = NOW + hours * READ_EVERY
        read_next_calendar(database, now=moment, fetch=lambda _: calendar(holiday))
    # read from the midnight (UTC) before yesterday's end on, to its true end
    start, end = datetime(2027, 3, 21, tzinfo=UTC), datetime(2027, 3, 30, 8, tzinfo=UTC)
    assert absences(database) == [("away", start, end)]
    assert Interval(start=start, end=end).contains(NOW)
    assert kept(database, row.id).failures == 0
