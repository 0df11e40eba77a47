"""A published feed as independent calendar programs read it.

Sources: the parsers ``icalendar``, ``ical``, ``vobject``, ``ics`` and ``recurring-ical-events``
(PyPI), ``ical.js`` and ``node-ical`` (npm), the C library libical 3 with its check of the
restrictions of RFC 5545 and RFC 5546, and the programs calcurse, vdirsyncer and khal. Those that
are installed run; the list is printed. For the npm ones, install them anywhere and set NODE_PATH.
"""

import ctypes
import ctypes.util
import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.feeds.calendar_text import clean_text, one_line
from api.feeds.delivery import StoredFeed, feed_reply, joined_fields, store_form
from api.feeds.events import EventStatus, FeedEvent, render_calendar

BERLIN = "Europe/Berlin"
DAY_START = datetime(2026, 10, 20, 22, tzinfo=UTC)


@dataclass(frozen=True)
class Seen:
    """What a reader made of one event."""

    uid: str
    start: datetime
    end: datetime
    summary: str
    location: str
    description: str
    status: str


def feed_event(number: int, start: datetime, summary: str, **others: Any) -> FeedEvent:
    values: dict[str, Any] = {
        "uid": f"visit-{number:02d}@steamround.example",
        "start": start,
        "end": start + timedelta(minutes=90),
        "zone": BERLIN,
        "summary": summary,
        "created": datetime(2026, 10, 1, 8, tzinfo=UTC),
        "revised": datetime(2026, 10, 2, 9, 30, 15, tzinfo=UTC),
        **others,
    }
    return FeedEvent(**values)


EVENTS = (
    feed_event(
        1,
        datetime(2026, 10, 24, 7, tzinfo=UTC),
        "Café Möwe, Husum: steam valve + 2 more",
        location="Café Möwe, Hafenstraße 3; Eingang B, 25813 Husum",
        description="Order of work\n1. Shut down; cool\n2. C:\\new \\, \\; \\n stay as they are",
        lat_lon=(54.4764, 9.0511),
        url="https://steamround.example/worksheets/1",
        categories=("Upkeep", "Steam, valves"),
    ),
    feed_event(2, datetime(2026, 10, 24, 23, 30, tzinfo=UTC), "Ends inside the repeated hour"),
    feed_event(3, datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "Begins in the first 02:30"),
    feed_event(4, datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "Begins in the second 02:30"),
    feed_event(
        5,
        datetime(2026, 10, 24, 22, tzinfo=UTC),
        "Spans the repeated hour",
        end=datetime(2026, 10, 25, 4, tzinfo=UTC),
    ),
    feed_event(
        6,
        datetime(2026, 10, 26, 8, tzinfo=UTC),
        "Moved: Bäckerei Sonne",
        sequence=1,
        description="Moved from Fri 23 Oct 2026 09:00.",
    ),
    feed_event(
        7,
        datetime(2026, 10, 27, 8, tzinfo=UTC),
        "Cancelled: Hotel Krone",
        status=EventStatus.CANCELLED,
        sequence=1,
        urgent=True,
    ),
    feed_event(
        8,
        datetime(2026, 10, 27, 12, tzinfo=UTC),
        "Handed over: Bar Nord",
        status=EventStatus.CANCELLED,
        sequence=2,
    ),
    feed_event(
        9,
        datetime(2027, 3, 28, 0, 30, tzinfo=UTC),
        "Urgent: spans the hour that is skipped",
        urgent=True,
    ),
    feed_event(
        10,
        datetime(2027, 7, 1, 7, tzinfo=UTC),
        "कॉफ़ी क़हवा قهوة コーヒー ☕ 👩🏽‍🔧 " + "ä" * 50,
        description="ß" * 37 + "😀" * 60 + "\r\n" + "长" * 90 + "\rone\x0btwo\x00\u2028three",
        location="شارع القهوة ١٢, Αθήνα",
        zone="America/Nuuk",
    ),
    feed_event(11, datetime(2027, 1, 15, 14, tzinfo=UTC), "Jerusalem", zone="Asia/Jerusalem"),
    feed_event(12, datetime(2027, 3, 26, 14, tzinfo=UTC), "Jerusalem", zone="Asia/Jerusalem"),
    feed_event(13, datetime(2027, 4, 4, 14, tzinfo=UTC), "Santiago", zone="America/Santiago"),
    feed_event(14, datetime(2027, 9, 5, 14, tzinfo=UTC), "Santiago", zone="America/Santiago"),
)


def expected(event: FeedEvent) -> Seen:
    return Seen(
        uid=event.uid,
        start=event.start,
        end=event.end,
        summary=one_line(event.summary),
        location=one_line(event.location),
        description=clean_text(event.description),
        status=event.status,
    )


EXPECTED = [expected(event) for event in EVENTS]
FEED = render_calendar("Jörg Ünal, Technik", EVENTS, BERLIN, day_start=DAY_START)


def with_icalendar(body: bytes) -> list[Seen]:
    import icalendar

    return [_seen_by_icalendar(e) for e in icalendar.Calendar.from_ical(body).walk("VEVENT")]


def _seen_by_icalendar(event: Any) -> Seen:
    return Seen(
        uid=str(event["UID"]),
        start=event["DTSTART"].dt.astimezone(UTC),
        end=event["DTEND"].dt.astimezone(UTC),
        summary=str(event["SUMMARY"]),
        location=str(event.get("LOCATION", "")),
        description=str(event.get("DESCRIPTION", "")),
        status=str(event["STATUS"]),
    )


def with_recurring_ical_events(body: bytes) -> list[Seen]:
    import icalendar
    import recurring_ical_events

    calendar = icalendar.Calendar.from_ical(body)
    found = recurring_ical_events.of(calendar).between("20260101", "20280101")
    return [_seen_by_icalendar(event) for event in found]


def with_ical(body: bytes) -> list[Seen]:
    from ical.calendar_stream import IcsCalendarStream

    calendar = IcsCalendarStream.calendar_from_ics(body.decode())
    return [
        Seen(
            uid=event.uid,
            start=event.dtstart.astimezone(UTC),
            end=event.end.astimezone(UTC),
            summary=event.summary or "",
            location=event.location or "",
            description=event.description or "",
            status=str(event.status.value),
        )
        for event in calendar.events
    ]


def with_vobject(body: bytes) -> list[Seen]:
    import vobject

    def text(event: Any, name: str) -> str:
        return event.contents[name][0].value if name in event.contents else ""

    return [
        Seen(
            uid=event.uid.value,
            start=event.dtstart.value.astimezone(UTC),
            end=event.dtend.value.astimezone(UTC),
            summary=text(event, "summary"),
            location=text(event, "location"),
            description=text(event, "description"),
            status=text(event, "status"),
        )
        for event in vobject.readOne(body.decode()).vevent_list
    ]


def with_ics(body: bytes) -> list[Seen]:
    import ics

    return [
        Seen(
            uid=event.uid,
            start=event.begin.datetime.astimezone(UTC),
            end=event.end.datetime.astimezone(UTC),
            summary=event.name or "",
            location=event.location or "",
            description=event.description or "",
            status=event.status or "",
        )
        for event in ics.Calendar(body.decode()).events
    ]


LIBICAL = ctypes.util.find_library("ical")


class _IcalTime(ctypes.Structure):
    """``struct icaltimetype`` of libical 3."""

    _fields_ = (
        ("year", ctypes.c_int),
        ("month", ctypes.c_int),
        ("day", ctypes.c_int),
        ("hour", ctypes.c_int),
        ("minute", ctypes.c_int),
        ("second", ctypes.c_int),
        ("is_date", ctypes.c_int),
        ("is_daylight", ctypes.c_int),
        ("zone", ctypes.c_void_p),
    )


def _libical() -> ctypes.CDLL:
    library = ctypes.CDLL(LIBICAL)
    pointer, text, number = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int
    for name, result, arguments in (
        ("icalparser_parse_string", pointer, [text]),
        ("icalrestriction_check", number, [pointer]),
        ("icalcomponent_string_to_kind", number, [text]),
        ("icalcomponent_count_errors", number, [pointer]),
        ("icalcomponent_get_first_component", pointer, [pointer, number]),
        ("icalcomponent_get_next_component", pointer, [pointer, number]),
        ("icalcomponent_get_dtstart", _IcalTime, [pointer]),
        ("icalcomponent_get_dtend", _IcalTime, [pointer]),
        ("icalcomponent_get_uid", text, [pointer]),
        ("icalcomponent_get_summary", text, [pointer]),
        ("icalcomponent_get_location", text, [pointer]),
        ("icalcomponent_get_description", text, [pointer]),
        ("icalcomponent_get_status", number, [pointer]),
        ("icalproperty_status_to_string", text, [number]),
        ("icaltime_as_timet_with_zone", ctypes.c_long, [_IcalTime, pointer]),
        ("icalcomponent_free", None, [pointer]),
    ):
        function = getattr(library, name)
        function.restype, function.argtypes = result, arguments
    return library


def with_libical(body: bytes) -> list[Seen]:
    library = _libical()

    def instant(time: _IcalTime) -> datetime:
        return datetime.fromtimestamp(library.icaltime_as_timet_with_zone(time, time.zone), UTC)

    calendar = library.icalparser_parse_string(body)
    kind = library.icalcomponent_string_to_kind(b"VEVENT")
    found = []
    event = library.icalcomponent_get_first_component(calendar, kind)
    while event:
        found.append(
            Seen(
                uid=library.icalcomponent_get_uid(event).decode(),
                start=instant(library.icalcomponent_get_dtstart(event)),
                end=instant(library.icalcomponent_get_dtend(event)),
                summary=(library.icalcomponent_get_summary(event) or b"").decode(),
                location=(library.icalcomponent_get_location(event) or b"").decode(),
                description=(library.icalcomponent_get_description(event) or b"").decode(),
                status=library.icalproperty_status_to_string(
                    library.icalcomponent_get_status(event)
                ).decode(),
            )
        )
        event = library.icalcomponent_get_next_component(calendar, kind)
    library.icalcomponent_free(calendar)
    return found


ICAL_JS = """
const ICAL = require('ical.js').default ?? require('ical.js');
const calendar = new ICAL.Component(ICAL.parse(require('fs').readFileSync(0, 'utf8')));
for (const zone of calendar.getAllSubcomponents('vtimezone')) ICAL.TimezoneService.register(zone);
console.log(JSON.stringify(calendar.getAllSubcomponents('vevent').map(component => {
  const event = new ICAL.Event(component);
  return [event.uid, event.startDate.toJSDate(), event.endDate.toJSDate(), event.summary,
          event.location ?? '', event.description ?? '',
          component.getFirstPropertyValue('status')];
})));
"""
NODE_ICAL = """
const ical = require('node-ical');
const parsed = ical.sync.parseICS(require('fs').readFileSync(0, 'utf8'));
const text = value => value?.val ?? value ?? '';
console.log(JSON.stringify(Object.values(parsed).filter(item => item.type === 'VEVENT').map(event =>
  [event.uid, event.start, event.end, text(event.summary), text(event.location),
   text(event.description), event.status])));
"""


def _with_node(script: str, body: bytes) -> list[Seen]:
    output = subprocess.run(
        ["node", "-e", script], input=body, capture_output=True, check=True, timeout=60
    ).stdout
    return [
        Seen(uid, datetime.fromisoformat(start), datetime.fromisoformat(end), *texts)
        for uid, start, end, *texts in json.loads(output)
    ]


def with_ical_js(body: bytes) -> list[Seen]:
    return _with_node(ICAL_JS, body)


def with_node_ical(body: bytes) -> list[Seen]:
    return _with_node(NODE_ICAL, body)


def has_package(name: str) -> bool:
    return importlib.util.find_spec(name) is not None


def has_node_module(name: str) -> bool:
    if shutil.which("node") is None:
        return False
    return subprocess.run(
        ["node", "-e", f"require.resolve('{name}')"], capture_output=True, check=False
    ).returncode == 0  # fmt: skip


# How to read, whether it is installed, whether any text can be asked of it: not of those that are
# slow to start, nor of ics, which misreads an escaped backslash before several letters.
READERS: dict[str, tuple[Callable[[bytes], list[Seen]], bool, bool]] = {
    "icalendar": (with_icalendar, True, True),
    "ical": (with_ical, True, True),
    "vobject": (with_vobject, True, True),
    "recurring-ical-events": (with_recurring_ical_events, True, False),
    "ics": (with_ics, has_package("ics"), False),
    "libical": (with_libical, LIBICAL is not None, True),
    "ical.js": (with_ical_js, has_node_module("ical.js"), False),
    "node-ical": (with_node_ical, has_node_module("node-ical"), False),
}


def _backslash_n_misread(text: str) -> str:
    return text.replace("\\n", "\\\n")


# These take an escaped backslash before an n for a backslash and a line break.
MISREADINGS: dict[str, Callable[[str], str]] = {
    "ics": _backslash_n_misread,  # 0.7.3
    "node-ical": _backslash_n_misread,  # 0.26.1
}
INSTALLED = [name for name, (_, is_here, _) in READERS.items() if is_here]


def test_readers_that_run_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    here = [*INSTALLED, *(["calcurse"] if shutil.which("calcurse") else []), "vdirsyncer", "khal"]
    absent = [name for name in (*READERS, "calcurse") if name not in here]
    with capsys.disabled():
        print(f"\ncalendar readers that run: {', '.join(here)}")
        print(f"calendar readers not installed: {', '.join(absent) or 'none'}")
    assert INSTALLED[:4] == ["icalendar", "ical", "vobject", "recurring-ical-events"]


@pytest.mark.parametrize("name", INSTALLED)
def test_reader_sees_every_event_as_published(name: str) -> None:
    seen = READERS[name][0](FEED)

    misread = MISREADINGS.get(name, str)
    assert sorted(seen, key=lambda event: event.uid) == [
        replace(event, description=misread(event.description)) for event in EXPECTED
    ]


ANY_TEXT = st.text(
    st.one_of(
        st.characters(codec="utf-8"),
        st.sampled_from(
            "\\;,:\"'nN \t\r\n\x00\x0b\x85\u2028\u200d\u202e\ufeff\u0301é漢👩\U0010ffff"
        ),
    ),
    max_size=200,
)


@pytest.mark.parametrize("name", [name for name in INSTALLED if READERS[name][2]])
@settings(deadline=None, max_examples=60)
@given(summary=ANY_TEXT, location=ANY_TEXT, description=ANY_TEXT)
def test_any_text_comes_back_from_reader(
    name: str, summary: str, location: str, description: str
) -> None:
    event = replace(
        EVENTS[0], summary=f"Visit {summary}", location=location, description=description
    )
    body = render_calendar("Any text", [event], BERLIN, day_start=DAY_START)

    assert READERS[name][0](body) == [expected(event)]


@pytest.mark.skipif(LIBICAL is None, reason="libical is not installed")
def test_libical_finds_no_breach_of_the_restrictions() -> None:
    library = _libical()
    for body in (FEED, render_calendar("Nobody", [], BERLIN, day_start=DAY_START)):
        calendar = library.icalparser_parse_string(body)
        assert library.icalrestriction_check(calendar) == 1
        assert library.icalcomponent_count_errors(calendar) == 0
        library.icalcomponent_free(calendar)


# 10/24/2026 @ 07:00 -> 10/24/2026 @ 08:30>hash of its note |summary, "!" instead of "|" with alarm
CALCURSE_LINE = re.compile(r"^(\S+ @ \S+ -> \S+ @ [\d:]+)(?:>\w+ )?[|!](.*)$", re.MULTILINE)


@pytest.mark.skipif(shutil.which("calcurse") is None, reason="calcurse is not installed")
def test_calcurse_imports_every_event(tmp_path: Path) -> None:
    feed = tmp_path / "feed.ics"
    feed.write_bytes(FEED)
    subprocess.run(
        ["calcurse", "-D", tmp_path, "-C", tmp_path, "-q", "-i", feed],
        env={**os.environ, "TZ": "UTC", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        check=True,
        timeout=60,
    )
    seen = CALCURSE_LINE.findall((tmp_path / "apts").read_text())

    assert sorted(seen) == sorted(
        (f"{event.start:%m/%d/%Y @ %H:%M} -> {event.end:%m/%d/%Y @ %H:%M}", event.summary)
        for event in EXPECTED
    )


class FeedServer(ThreadingHTTPServer):
    """Serves one feed, whatever the path, and remembers the status of each answer."""

    feed: StoredFeed
    statuses: list[int]


class _Handler(BaseHTTPRequestHandler):
    server: FeedServer

    def do_GET(self) -> None:
        reply = feed_reply(
            self.server.feed,
            file_name="joerg-uenal.ics",
            method="GET",
            headers=joined_fields(self.headers.items()),
        )
        self.server.statuses.append(reply.status)
        self.send_response(reply.status)
        for name, value in reply.headers:
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(reply.body)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def feed_server() -> Iterator[FeedServer]:
    server = FeedServer(("127.0.0.1", 0), _Handler)
    server.statuses = []
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


VDIRSYNCER_CONFIG = """
[general]
status_path = "{folder}/status"
[pair feed]
a = "remote"
b = "local"
collections = null
conflict_resolution = "a wins"
[storage remote]
type = "http"
url = "http://127.0.0.1:{port}/feeds/secret/joerg-uenal.ics"
[storage local]
type = "filesystem"
path = "{folder}/events"
fileext = ".ics"
"""
KHAL_CONFIG = """
[calendars]
[[feed]]
path = {folder}/events
[locale]
local_timezone = Europe/Berlin
default_timezone = Europe/Berlin
timeformat = %H:%M
dateformat = %Y-%m-%d
longdateformat = %Y-%m-%d
datetimeformat = %Y-%m-%d %H:%M
longdatetimeformat = %Y-%m-%d %H:%M
[sqlite]
path = {folder}/khal.db
"""


def _run(folder: Path, *command: str) -> str:
    """Run an installed command with a home of its own; fail with what it says."""
    program = Path(sys.executable).parent / command[0]
    done = subprocess.run(
        [program, *command[1:]],
        env={"HOME": str(folder), "PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def _listed_by_khal(folder: Path) -> list[str]:
    return _run(
        folder,
        "khal", "-c", f"{folder}/khal.conf", "list", "-o", "--day-format", "",
        "--format", "{start-date} {start-time} {end-time} {status}{title}",
        "2026-10-24", "157d",
    ).splitlines()  # fmt: skip


def _sync(folder: Path) -> None:
    _run(folder, "vdirsyncer", "-c", f"{folder}/vdirsyncer.conf", "sync")


@pytest.fixture
def client_folder(tmp_path: Path, feed_server: FeedServer) -> Path:
    port = feed_server.server_address[1]
    (tmp_path / "vdirsyncer.conf").write_text(VDIRSYNCER_CONFIG.format(folder=tmp_path, port=port))
    (tmp_path / "khal.conf").write_text(KHAL_CONFIG.format(folder=tmp_path))
    return tmp_path


def test_vdirsyncer_and_khal_follow_a_feed_across_the_clock_changes(
    feed_server: FeedServer, client_folder: Path
) -> None:
    berlin = [event for event in EVENTS if event.zone == BERLIN]
    first = render_calendar("Jörg Ünal", berlin, BERLIN, day_start=DAY_START)
    feed_server.feed = store_form(first, now=DAY_START)
    _run(client_folder, "vdirsyncer", "-c", f"{client_folder}/vdirsyncer.conf", "discover")
    _sync(client_folder)

    # Clocks go back on 2026-10-25 at 03:00 CEST and forward on 2027-03-28 at 02:00 CET, so
    # 2026-10-24 07:00Z is 09:00, 2026-10-26 08:00Z is 09:00, 2027-03-28 00:30Z to 02:00Z is
    # 01:30 to 04:00.
    assert _listed_by_khal(client_folder) == [
        "2026-10-24 09:00 10:30 CONFIRMED Café Möwe, Husum: steam valve + 2 more",
        "2026-10-25 00:00 05:00 CONFIRMED Spans the repeated hour",
        "2026-10-25 01:30 02:00 CONFIRMED Ends inside the repeated hour",
        "2026-10-25 02:30 03:00 CONFIRMED Begins in the first 02:30",
        "2026-10-25 02:30 04:00 CONFIRMED Begins in the second 02:30",
        "2026-10-26 09:00 10:30 CONFIRMED Moved: Bäckerei Sonne",
        "2026-10-27 09:00 10:30 CANCELLED Cancelled: Hotel Krone",
        "2026-10-27 13:00 14:30 CANCELLED Handed over: Bar Nord",
        "2027-03-28 01:30 04:00 CONFIRMED Urgent: spans the hour that is skipped",
    ]

    moved = replace(
        berlin[0],
        start=datetime(2027, 3, 29, 7, tzinfo=UTC),  # 09:00 CEST
        end=datetime(2027, 3, 29, 8, tzinfo=UTC),
        summary="Moved: Café Möwe",
        sequence=1,
        revised=datetime(2026, 10, 21, 6, tzinfo=UTC),
    )
    second = render_calendar("Jörg Ünal", [moved, *berlin[5:]], BERLIN, day_start=DAY_START)
    feed_server.feed = store_form(second, now=DAY_START, previous=feed_server.feed)
    _sync(client_folder)

    assert _listed_by_khal(client_folder) == [
        "2026-10-26 09:00 10:30 CONFIRMED Moved: Bäckerei Sonne",
        "2026-10-27 09:00 10:30 CANCELLED Cancelled: Hotel Krone",
        "2026-10-27 13:00 14:30 CANCELLED Handed over: Bar Nord",
        "2027-03-28 01:30 04:00 CONFIRMED Urgent: spans the hour that is skipped",
        "2027-03-29 09:00 10:00 CONFIRMED Moved: Café Möwe",
    ]
    assert set(feed_server.statuses) == {200}
