"""What a calendar program would dislike about a calendar, in plain words.

Every complaint names what readers were seen to do because of it, or the rule that is broken. The
calendar is read line by line here, without the parser that others use, so that what is broken can
still be looked at.
"""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from api.feeds.calendar_text import FOLD_OCTETS
from api.feeds.vtimezone import zone_of
from scheduler.errors import UnknownZone

LARGE_OCTETS = 1024 * 1024
_LONG_SUMMARY = 80

_LINE = re.compile(r'([A-Za-z0-9-]+)((?:;[^=:;]+=(?:"[^"]*"|[^":;]*))*):(.*)', re.DOTALL)
_PARAMETER = re.compile(r';([^=:;]+)=("[^"]*"|[^":;]*)')
_ESCAPED = re.compile(r"\\.", re.DOTALL)
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f]")
_WALL_TIME = re.compile(r"\d{8}T\d{6}")
_ALARM_NEEDS = {"ACTION", "TRIGGER", "DESCRIPTION"}


class Weight(StrEnum):
    """How much a complaint weighs."""

    WRONG = "wrong"  # some program refuses the calendar, loses events or shows wrong times
    RISKY = "risky"  # some program does something unwanted
    NOTE = "note"  # worth knowing


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing to dislike; ``where`` is a line or a component, empty for the whole."""

    weight: Weight
    where: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Property:
    name: str
    parameters: dict[str, str]
    value: str


@dataclass(slots=True, kw_only=True)
class _Component:
    name: str
    properties: list[_Property] = field(default_factory=list)
    components: "list[_Component]" = field(default_factory=list)

    def first(self, name: str) -> _Property | None:
        return next((each for each in self.properties if each.name == name), None)

    def value(self, name: str) -> str:
        found = self.first(name)
        return "" if found is None else found.value

    def count(self, name: str) -> int:
        return sum(each.name == name for each in self.properties)


def complaints_about(octets: bytes) -> list[Complaint]:
    """Return what there is to dislike about a calendar's bytes, in order of reading."""
    if not octets.strip():
        return [_wrong("", "it is empty: some programs then delete every event they had")]
    complaints = list(_of_octets(octets))
    text = octets.decode("utf-8-sig", errors="replace")
    unfolded = re.sub("\r?\n[ \t]", "", text)
    roots, broken = _components(re.split("\r?\n", unfolded))
    complaints += broken
    if not roots:
        return [
            *complaints,
            _wrong("", "it does not begin with BEGIN:VCALENDAR: it is no calendar"),
        ]
    for root in roots:
        complaints += _of_calendar(root)
    return complaints


def _of_octets(octets: bytes) -> Iterator[Complaint]:
    if octets.startswith(b"\xef\xbb\xbf"):
        yield _wrong("", "it begins with a byte order mark, which several programs cannot parse")
    bare = len(re.findall(rb"(?<!\r)\n", octets))
    if bare:
        yield _wrong("", f"{bare} lines do not end with CRLF (RFC 5545 section 3.1)")
    if not octets.endswith(b"\n"):
        yield _risky("", "its last line has no end: it may have been cut off")
    long = split = 0
    for line in re.split(rb"\r?\n", octets):
        long += len(line) > FOLD_OCTETS
        try:
            line.decode()
        except UnicodeDecodeError:
            split += 1
    if long:
        yield _risky("", f"{long} lines are longer than {FOLD_OCTETS} octets and not folded")
    if split:
        yield _wrong(
            "",
            f"{split} lines are no UTF-8 by themselves: text of another encoding, or folded inside "
            "a character, at which seven of eleven readers stopped",
        )
    if len(octets) > LARGE_OCTETS:
        yield _note("", f"it has {len(octets):,} octets; some programs stop at a mebibyte")


def _components(lines: list[str]) -> tuple[list[_Component], list[Complaint]]:
    roots: list[_Component] = []
    opened: list[_Component] = []
    complaints: list[Complaint] = []
    for number, line in enumerate(lines, start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        where = f"content line {number}"
        if match is None:
            complaints.append(_wrong(where, "is no property: a name, a colon and a value"))
            continue
        name, value = match[1].upper(), match[3]
        if name == "BEGIN":
            component = _Component(name=value.strip().upper())
            (opened[-1].components if opened else roots).append(component)
            opened.append(component)
        elif name == "END":
            if not opened or opened.pop().name != value.strip().upper():
                complaints.append(_wrong(where, f"END:{value} closes what was not opened"))
                return roots, complaints
        elif opened:
            parameters = {
                key.upper(): text.strip('"') for key, text in _PARAMETER.findall(match[2])
            }
            opened[-1].properties.append(_Property(name=name, parameters=parameters, value=value))
            if _CONTROL.search(value):
                complaints.append(_wrong(where, f"{name} has control characters in it"))
    if opened:
        complaints.append(_wrong("", f"it ends inside a {opened[-1].name}: it was cut off"))
    return [root for root in roots if root.name == "VCALENDAR"], complaints


def _of_calendar(calendar: _Component) -> Iterator[Complaint]:
    for name in ("VERSION", "PRODID"):
        if calendar.count(name) != 1:
            yield _wrong("", f"{name} must stand exactly once (RFC 5545 section 3.6)")
    if calendar.first("METHOD"):
        yield _risky(
            "",
            "METHOD makes a message of it: then every event needs an ORGANIZER (RFC 5546 section "
            "3.2.1), and DTSTAMP means the moment of sending",
        )
    if calendar.first("UID"):
        yield _wrong("", "the calendar itself has a UID: one reader then keeps a single event")
    if calendar.first("X-WR-TIMEZONE"):
        yield _risky("", "X-WR-TIMEZONE makes some readers rewrite times that are given in UTC")
    if calendar.first("SOURCE"):
        yield _risky("", "SOURCE repeats the address of the calendar, which may be a secret")
    interval = calendar.first("REFRESH-INTERVAL")
    if interval is None:
        yield _note("", "no REFRESH-INTERVAL: some programs then look once a week")
    elif interval.parameters.get("VALUE", "").upper() != "DURATION":
        yield _wrong(
            "", "REFRESH-INTERVAL needs VALUE=DURATION, without it one program refuses all"
        )
    if not calendar.first("X-WR-CALNAME"):
        yield _note("", "no X-WR-CALNAME: most programs then show the address as its name")
    if not calendar.components:
        yield _wrong("", "there is no component in it: an empty calendar is invalid")
    zones = {each.value("TZID") for each in calendar.components if each.name == "VTIMEZONE"}
    for zone in calendar.components:
        if zone.name == "VTIMEZONE":
            yield from _of_zone(zone)
    events = [each for each in calendar.components if each.name == "VEVENT"]
    for event in events:
        yield from _of_event(event, zones)
    keys = Counter((each.value("UID"), each.value("RECURRENCE-ID")) for each in events)
    for (uid, _), times in keys.items():
        if uid and times > 1:
            yield _wrong(_named(uid), f"stands {times} times: readers keep one of them")


def _of_zone(zone: _Component) -> Iterator[Complaint]:
    where = f"zone {zone.value('TZID')}"
    if not zone.components:
        yield _wrong(where, "has neither STANDARD nor DAYLIGHT")
    if any(
        each.name == "RDATE" and ("," in each.value)
        for part in zone.components
        for each in part.properties
    ):
        yield _wrong(
            where,
            "lists several dates in one RDATE, of which two readers take only the first: their "
            "summer is an hour out",
        )
    try:
        zone_of(zone.value("TZID"))
    except UnknownZone:
        yield _risky(where, "is not a name of the IANA database, so it may be taken for another")


def _of_event(event: _Component, zones: set[str]) -> Iterator[Complaint]:
    where = _named(event.value("UID"))
    for name in ("UID", "DTSTAMP", "DTSTART"):
        if event.count(name) != 1:
            yield _wrong(where, f"{name} must stand exactly once (RFC 5545 section 3.6.1)")
    if not event.value("SUMMARY"):
        yield _risky(where, "has no SUMMARY to be shown")
    elif len(_ESCAPED.sub("x", event.value("SUMMARY"))) > _LONG_SUMMARY:
        yield _note(where, f"has a SUMMARY of more than {_LONG_SUMMARY} characters")
    for name in ("DTSTART", "DTEND", "RECURRENCE-ID", "EXDATE", "RDATE"):
        for moment in event.properties:
            if moment.name == name:
                yield from _of_moment(where, moment, zones)
    start, end = event.first("DTSTART"), event.first("DTEND")
    if start and end and start.parameters == end.parameters and end.value < start.value:
        yield _wrong(where, "ends before it begins")
    if event.first("DTEND") and event.first("DURATION"):
        yield _wrong(where, "has both DTEND and DURATION")
    for alarm in event.components:
        missing = _ALARM_NEEDS - {each.name for each in alarm.properties}
        if alarm.name == "VALARM" and missing:
            yield _wrong(
                where,
                f"has a reminder without {', '.join(sorted(missing))}: one program then refuses "
                "the whole calendar",
            )


def _of_moment(where: str, moment: _Property, zones: set[str]) -> Iterator[Complaint]:
    zone = moment.parameters.get("TZID")
    if zone is not None and zone not in zones:
        yield _wrong(
            where, f"{moment.name} is in zone {zone}, which no VTIMEZONE describes: an hour out"
        )
    if zone is None and _WALL_TIME.fullmatch(moment.value):
        yield _wrong(
            where, f"{moment.name} floats: without a zone it is another moment for each reader"
        )


def _named(uid: str) -> str:
    return f"event {uid}" if uid else "an event without UID"


def _wrong(where: str, sentence: str) -> Complaint:
    return Complaint(weight=Weight.WRONG, where=where, sentence=sentence)


def _risky(where: str, sentence: str) -> Complaint:
    return Complaint(weight=Weight.RISKY, where=where, sentence=sentence)


def _note(where: str, sentence: str) -> Complaint:
    return Complaint(weight=Weight.NOTE, where=where, sentence=sentence)
