import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.feeds.events import EventStatus, FeedEvent, changes_schedule, render_calendar
from api.feeds.vtimezone import vtimezone_lines
from scheduler.errors import InvalidInput, UnknownZone

BERLIN = "Europe/Berlin"
DAY_START = datetime(2026, 10, 22, 22, tzinfo=UTC)
START = datetime(2026, 10, 23, 7, 30, tzinfo=UTC)


def feed_event(**changes: Any) -> FeedEvent:
    start = changes.get("start", START)
    values: dict[str, Any] = {
        "uid": "a1@steamround.example",
        "start": start,
        "end": start + timedelta(minutes=75),
        "zone": BERLIN,
        "summary": "Café Möwe, Husum: steam valve",
        "created": datetime(2026, 10, 1, 8, tzinfo=UTC),
        "revised": datetime(2026, 10, 2, 9, 30, 15, tzinfo=UTC),
        **changes,
    }
    return FeedEvent(**values)


def lines_of(*events: FeedEvent) -> list[str]:
    """Content lines of the events of a calendar, unfolded."""
    body = render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START).decode()
    lines = body.replace("\r\n ", "").split("\r\n")
    return lines[lines.index("BEGIN:VEVENT") : lines.index("END:VCALENDAR")]


def test_calendar_without_events_still_has_its_zone() -> None:
    body = render_calendar("Jörg\nÜnal, Süd", [], BERLIN, day_start=DAY_START)

    assert body.decode().split("\r\n") == [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Steamround//Steamround calendar//EN",
        "NAME:Jörg Ünal\\, Süd",
        "X-WR-CALNAME:Jörg Ünal\\, Süd",
        "REFRESH-INTERVAL;VALUE=DURATION:PT15M",
        "X-PUBLISHED-TTL:PT15M",
        *vtimezone_lines(BERLIN),
        "END:VCALENDAR",
        "",
    ]


def test_event_has_all_its_lines() -> None:
    event = feed_event(
        description="Order of work\n1. Shut down; cool",
        location="Café Möwe, Hafenstr. 3",
        lat_lon=(54.4764123456, -9.0511),
        url="https://steamround.example/worksheets/7",
        sequence=3,
        urgent=True,
        categories=("Callback", "Steam, water"),
    )

    assert lines_of(event) == [
        "BEGIN:VEVENT",
        "UID:a1@steamround.example",
        "DTSTAMP:20261002T093015Z",
        "CREATED:20261001T080000Z",
        "LAST-MODIFIED:20261002T093015Z",
        "SEQUENCE:3",
        "DTSTART;TZID=Europe/Berlin:20261023T093000",
        "DTEND;TZID=Europe/Berlin:20261023T104500",
        "STATUS:CONFIRMED",
        "TRANSP:OPAQUE",
        "SUMMARY:Café Möwe\\, Husum: steam valve",
        "LOCATION:Café Möwe\\, Hafenstr. 3",
        "GEO:54.476412;-9.051100",
        "DESCRIPTION:Order of work\\n1. Shut down\\; cool",
        "URL:https://steamround.example/worksheets/7",
        "CATEGORIES:Callback,Steam\\, water",
        "PRIORITY:1",
        "BEGIN:VALARM",
        "ACTION:DISPLAY",
        "DESCRIPTION:Café Möwe\\, Husum: steam valve",
        "TRIGGER:-PT60M",
        "END:VALARM",
        "END:VEVENT",
    ]


def test_cancelled_event_blocks_no_time_and_does_not_ring() -> None:
    assert lines_of(feed_event(status=EventStatus.CANCELLED, urgent=True))[8:] == [
        "STATUS:CANCELLED",
        "TRANSP:TRANSPARENT",
        "SUMMARY:Café Möwe\\, Husum: steam valve",
        "PRIORITY:1",
        "END:VEVENT",
    ]


def test_tentative_event_blocks_no_time() -> None:
    assert lines_of(feed_event(status=EventStatus.TENTATIVE))[8:10] == [
        "STATUS:TENTATIVE",
        "TRANSP:TRANSPARENT",
    ]


@pytest.mark.parametrize(("hours_before", "rings"), [(2, False), (1, True)])
def test_only_events_that_end_after_the_day_began_ring(hours_before: int, rings: bool) -> None:
    # 75 minutes long: from two hours before the day it ends 45 minutes before it, from one hour
    # before it ends 15 minutes into it.
    event = feed_event(start=DAY_START - timedelta(hours=hours_before), urgent=True)

    assert ("BEGIN:VALARM" in lines_of(event)) is rings


@pytest.mark.parametrize(
    ("start", "end", "dtstart", "dtend"),
    [
        # 2026-10-25: 03:00 CEST (01:00Z) is set back to 02:00 CET.
        ("2026-10-24T23:59", "2026-10-25T02:00", ";TZID=Europe/Berlin:20261025T015900",
         ";TZID=Europe/Berlin:20261025T030000"),
        ("2026-10-25T00:00", "2026-10-25T02:00", ":20261025T000000Z", ":20261025T020000Z"),
        ("2026-10-25T01:59", "2026-10-25T02:30", ":20261025T015900Z", ":20261025T023000Z"),
        ("2026-10-24T20:00", "2026-10-25T00:30", ":20261024T200000Z", ":20261025T003000Z"),
        # 2027-03-28: 02:00 CET (01:00Z) is set forward to 03:00 CEST.
        ("2027-03-28T00:59", "2027-03-28T01:00", ";TZID=Europe/Berlin:20270328T015900",
         ";TZID=Europe/Berlin:20270328T030000"),
    ],
)  # fmt: skip
def test_times_round_a_clock_change(start: str, end: str, dtstart: str, dtend: str) -> None:
    event = feed_event(
        start=datetime.fromisoformat(f"{start}:00+00:00"),
        end=datetime.fromisoformat(f"{end}:00+00:00"),
    )

    assert lines_of(event)[6:8] == [f"DTSTART{dtstart}", f"DTEND{dtend}"]


def test_each_zone_in_use_is_described_once_before_the_events() -> None:
    body = render_calendar(
        "Inga Voss",
        [feed_event(uid="1@x", zone="Asia/Tokyo"), feed_event(uid="2@x", zone="Asia/Tokyo")],
        BERLIN,
        day_start=DAY_START,
    )
    lines = body.decode().split("\r\n")

    assert [line for line in lines if line.startswith(("TZID:", "UID:"))] == [
        "TZID:Asia/Tokyo",
        "TZID:Europe/Berlin",
        "UID:1@x",
        "UID:2@x",
    ]


def test_event_outside_the_fixed_years_stretches_its_zones() -> None:
    body = render_calendar(
        "Old", [feed_event(start=datetime(2019, 7, 1, tzinfo=UTC))], BERLIN, day_start=DAY_START
    )

    # Described from 2018, with the onsets of the year before so that 2018 begins in an observance.
    assert b"DTSTART:20170326T020000\r\n" in body


@given(st.permutations(range(6)))
def test_order_of_arrival_does_not_show(order: list[int]) -> None:
    events = [
        feed_event(uid=f"{n}@x", start=START + timedelta(hours=n % 3), zone=zone)
        for n, zone in enumerate(["Asia/Tokyo", BERLIN, "UTC", BERLIN, "Asia/Kolkata", BERLIN])
    ]
    sorted_body = render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START)

    assert (
        render_calendar("Inga Voss", [events[n] for n in order], BERLIN, day_start=DAY_START)
        == sorted_body
    )


WRITE_A_CALENDAR = """
import sys
from datetime import UTC, datetime, timedelta
from api.feeds.events import FeedEvent, render_calendar
from api.feeds.delivery import store_form
start = datetime(2026, 10, 23, 7, 30, tzinfo=UTC)
zones = ["Europe/Berlin", "Asia/Tokyo", "Africa/Casablanca", "America/Santiago", "UTC"]
events = {
    FeedEvent(uid=f"{n}@x", start=start + timedelta(hours=n), end=start + timedelta(hours=n + 1),
              zone=zones[n % 5], summary=f"Visit {n}", created=start, revised=start,
              categories=("b", "a"))
    for n in range(50)
}
body = render_calendar("Inga Voss", events, "Europe/Berlin", day_start=start)
sys.stdout.buffer.write(body + store_form(body, now=start).gzip_body)
"""


def test_processes_with_other_hash_seeds_write_the_same_bytes() -> None:
    bodies = {
        subprocess.run(
            [sys.executable, "-c", WRITE_A_CALENDAR],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale},
            capture_output=True,
            check=True,
        ).stdout
        for seed, zone, locale in (
            ("0", "UTC", "C"),
            ("1", "Asia/Tokyo", "C.UTF-8"),
            ("7", "", "C"),
        )
    }

    assert [body[:15] for body in bodies] == [b"BEGIN:VCALENDAR"]


def blocks(body: bytes) -> dict[bytes, bytes]:
    """The VEVENT blocks by UID, and everything else under an empty key."""
    head, *events = body.split(b"BEGIN:VEVENT\r\n")
    return {b"": head} | {event.split(b"\r\n")[0]: event for event in events}


CHANGES: tuple[dict[str, Any], ...] = (
    {"summary": "Moved: elsewhere"},
    {"start": START + timedelta(days=3), "end": START + timedelta(days=3, hours=1), "sequence": 1},
    {"status": EventStatus.CANCELLED, "sequence": 1},
    {"description": "Bring a ladder", "revised": datetime(2026, 10, 9, tzinfo=UTC)},
)


@pytest.mark.parametrize("change", CHANGES)
def test_one_changed_event_alters_one_vevent(change: dict[str, Any]) -> None:
    random = Random(5)
    events = [
        feed_event(uid=f"{n:03d}@x", start=START + timedelta(minutes=random.randrange(20_000)))
        for n in range(100)
    ]
    before = blocks(render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START))
    events[50] = replace(events[50], **change)
    after = blocks(render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START))

    # The last VEVENT carries the end of the calendar; compare without it.
    changed = {
        uid
        for uid in before | after
        if before[uid].removesuffix(b"END:VCALENDAR\r\n")
        != after[uid].removesuffix(b"END:VCALENDAR\r\n")
    }
    assert changed == {b"UID:050@x"}


@pytest.mark.parametrize(
    ("change", "raises_sequence"),
    [
        ({"start": START - timedelta(minutes=5)}, True),
        ({"end": START + timedelta(minutes=5)}, True),
        ({"status": EventStatus.CANCELLED}, True),
        ({"summary": "Other"}, False),
        ({"description": "Other", "location": "Elsewhere", "urgent": True}, False),
        ({"zone": "Europe/Vienna"}, False),
        ({}, False),
    ],
)
def test_sequence_rises_with_start_end_and_status_only(
    change: dict[str, Any], raises_sequence: bool
) -> None:
    event = feed_event()

    assert changes_schedule(event, replace(event, **change)) is raises_sequence


def test_two_events_with_one_uid_are_refused() -> None:
    events = [feed_event(uid="b@x"), feed_event(uid="a@x"), feed_event(uid="b@x")]

    with pytest.raises(InvalidInput) as refusal:
        render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START)
    assert str(refusal.value) == "each uid must occur once, got b@x more often"


def test_unknown_zone_is_refused_by_name() -> None:
    with pytest.raises(UnknownZone) as refusal:
        render_calendar("Inga Voss", [], "Europe/Nowhere", day_start=DAY_START)
    assert refusal.value.key == "Europe/Nowhere"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"start": START.replace(tzinfo=None), "end": START + timedelta(hours=1)},
            "start must be UTC in whole seconds, got 2026-10-23T07:30:00",
        ),
        (
            {"revised": START.replace(microsecond=5)},
            "revised must be UTC in whole seconds, got 2026-10-23T07:30:00.000005+00:00",
        ),
        ({"end": START}, f"end must be after start {START}, got {START}"),
        ({"uid": "a\r\nb"}, "uid must be printable ASCII, got 'a\\r\\nb'"),
        ({"summary": "\x07 "}, "summary must say something, got '\\x07 '"),
        ({"sequence": -1}, "sequence must be >= 0, got -1"),
        ({"lat_lon": (91.0, 0.0)}, "lat_lon must be degrees north and east, got (91.0, 0.0)"),
        (
            {"url": "https://x.example/a\r\nATTENDEE:b"},
            "url must be percent-encoded ASCII, got 'https://x.example/a\\r\\nATTENDEE:b'",
        ),
        ({"zone": "../x"}, "time zone must be an IANA name such as Europe/Berlin, got '../x'"),
    ],
)
def test_event_that_cannot_be_written_is_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(InvalidInput) as refusal:
        feed_event(**change)
    assert str(refusal.value) == message
