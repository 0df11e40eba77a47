"""Independent readers of calendars, each brought to the same form of answer.

The parsers ``icalendar``, ``ical``, ``vobject``, ``ics`` and ``recurring-ical-events`` (PyPI),
``ical.js`` and ``node-ical`` (npm; install them anywhere and set NODE_PATH) and the C library
libical 3, called directly. Those that are installed run.
"""

import ctypes
import ctypes.util
import importlib.util
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any


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


def libical() -> ctypes.CDLL:
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
    library = libical()

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
