"""A calendar as bytes: one VEVENT per appointment, the same bytes for the same input.

Nothing here depends on the moment of writing, on the order in which events arrive or on a hash
seed, so a calendar program that looks again and finds the same bytes knows that nothing changed.
"""

import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import lru_cache

from api.feeds.calendar_text import clean_text, escape, join_lines, one_line
from api.feeds.vtimezone import FIRST_YEAR, LAST_YEAR, is_repeated, vtimezone_lines, zone_of
from scheduler.errors import InvalidInput

PRODUCT = "-//Steamround//Steamround calendar//EN"
REFRESH_MINUTES = 15
"""How often a calendar program is asked to look again."""

URGENT_ALARM_MINUTES = 60
"""How long before an urgent visit its reminder sounds."""

# What is written between two events; in a text no line break is followed by anything but a blank.
_BEGIN = b"\r\nBEGIN:VEVENT\r\n"
_START = re.compile(rb"\r\nDTSTART(?:;TZID=([^:\r]+))?:(\d{8}T\d{6})")
_SPAN = re.compile(rb"\r\nDT(?:START|END)(?:;TZID=([^:\r]+))?:(\d{4})")


class EventStatus(StrEnum):
    """STATUS of RFC 5545 section 3.8.1.11."""

    CONFIRMED = "CONFIRMED"
    TENTATIVE = "TENTATIVE"
    CANCELLED = "CANCELLED"


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedEvent:
    """One appointment as a calendar shows it.

    Attributes
    ----------
    uid
        Stable for the life of the appointment, ``id@domain``, never used again.
    start, end
        Aware UTC, whole seconds, half-open.
    zone
        IANA zone of the place, in whose wall time the event is written.
    sequence
        Raised when `changes_schedule` says so, never lowered.
    revised
        When the row last changed; DTSTAMP and LAST-MODIFIED.
    urgent
        PRIORITY 1 and a reminder, unless cancelled or over.
    """

    uid: str
    start: datetime
    end: datetime
    zone: str
    summary: str
    created: datetime
    revised: datetime
    description: str = ""
    location: str = ""
    lat_lon: tuple[float, float] | None = None  # degrees, WGS 84
    url: str | None = None
    status: EventStatus = EventStatus.CONFIRMED
    sequence: int = 0
    urgent: bool = False
    categories: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("start", "end", "created", "revised"):
            moment: datetime = getattr(self, name)
            if moment.utcoffset() != timedelta(0) or moment.microsecond:
                raise InvalidInput(f"{name} must be UTC in whole seconds, got {moment.isoformat()}")
        if self.end <= self.start:
            raise InvalidInput(f"end must be after start {self.start}, got {self.end}")
        if not self.uid or not self.uid.isascii() or not self.uid.isprintable():
            raise InvalidInput(f"uid must be printable ASCII, got {self.uid!r}")
        if not clean_text(self.summary):
            raise InvalidInput(f"summary must say something, got {self.summary!r}")
        if self.sequence < 0:
            raise InvalidInput(f"sequence must be >= 0, got {self.sequence}")
        if self.lat_lon is not None:
            lat, lon = self.lat_lon
            if not (-90 <= lat <= 90 and -180 <= lon <= 180):
                raise InvalidInput(f"lat_lon must be degrees north and east, got {self.lat_lon}")
        if self.url is not None and not (
            self.url.isascii() and self.url.isprintable() and " " not in self.url
        ):
            raise InvalidInput(f"url must be percent-encoded ASCII, got {self.url!r}")
        zone_of(self.zone)


def changes_schedule(before: FeedEvent, after: FeedEvent) -> bool:
    """Whether SEQUENCE has to rise from ``before`` to ``after`` (RFC 5546 section 2.1.4).

    A change of start, end or status does; a change of text, place or technician does not.
    """
    return (before.start, before.end, before.status) != (after.start, after.end, after.status)


def render_calendar(
    name: str,
    events: Iterable[FeedEvent],
    zone: str,
    *,
    day_start: datetime,
    kept: Mapping[str, bytes] | None = None,
) -> bytes:
    """Write a calendar.

    Parameters
    ----------
    name
        Shown as the calendar's title; must not change from one writing to the next.
    events
        In any order; each ``uid`` once.
    zone
        IANA zone of the calendar itself; its VTIMEZONE is written even when there are no events,
        since a calendar without any component is invalid (RFC 5545 section 3.6).
    day_start
        UTC instant; events that ended before it get no reminder. Pass the start of a day, so that
        it changes the bytes once a day at most.
    kept
        Events to stand beside ``events``, as `events_in` found them in this calendar, in its
        order and on the same day. The bytes are those of writing all of them, for the time it
        takes to write ``events``.

    Returns
    -------
    bytes
        UTF-8 with CRLF, no byte order mark.

    Raises
    ------
    InvalidInput
        When two events share a uid.
    UnknownZone
        When ``zone`` is not an IANA zone.
    """
    ordered = sorted(events, key=lambda event: (event.start, event.uid))
    kept = kept or {}
    uids = [event.uid for event in ordered]
    if len(set(uids)) < len(uids) or not kept.keys().isdisjoint(uids):
        twice = sorted({uid for uid in uids if uids.count(uid) > 1 or uid in kept})
        raise InvalidInput(f"each uid must occur once, got {', '.join(twice)} more often")
    written = list(kept.values())
    at = 0
    for event in ordered:
        place = (event.start, event.uid)
        at = bisect_left(written, place, at, key=_place_of) if kept else len(written)
        written.insert(at, event_octets(event, day_start=day_start))
    octets = b"".join(written)
    return b"".join(
        [join_lines(_opening_lines(name, octets, zone)), octets, join_lines(["END:VCALENDAR"])]
    )


def events_in(calendar: bytes) -> dict[str, bytes]:
    """Return the events of a calendar written by `render_calendar`: octets by UID, in order."""
    _, *bodies = calendar.removesuffix(b"END:VCALENDAR\r\n").split(_BEGIN)
    return {_uid_of(body): _BEGIN[2:] + body + b"\r\n" for body in _without_last_break(bodies)}


def _without_last_break(bodies: list[bytes]) -> list[bytes]:
    return [*bodies[:-1], bodies[-1].removesuffix(b"\r\n")] if bodies else []


def _uid_of(body: bytes) -> str:
    """The UID of an event, whose first line it is and behind which DTSTAMP comes."""
    return body[4 : body.index(b"\r\nDTSTAMP:")].replace(b"\r\n ", b"").decode()


def _place_of(octets: bytes) -> tuple[datetime, str]:
    """Start and UID of a written event: what events are sorted by."""
    match = _START.search(octets)
    assert match is not None, "every event written here has a start"
    # a time with a zone is never one that comes twice: those are written in UTC
    zone = UTC if match[1] is None else zone_of(match[1].decode())
    start = datetime.fromisoformat(match[2].decode()).replace(tzinfo=zone).astimezone(UTC)
    return start, _uid_of(octets.removeprefix(_BEGIN[2:]))


def event_octets(event: FeedEvent, *, day_start: datetime) -> bytes:
    """Write one event, as `render_calendar` does."""
    rings = event.urgent and event.status is not EventStatus.CANCELLED and event.end > day_start
    return _event_octets(event, rings)


@lru_cache(maxsize=8192)
def _event_octets(event: FeedEvent, rings: bool) -> bytes:
    """One change leaves nearly all events of a calendar as they were: these are at hand."""
    return join_lines(_event_lines(event, rings))


def _opening_lines(name: str, events: bytes, zone: str) -> Iterator[str]:
    """The lines before the events, which are looked at for the zones and years they need."""
    title = escape(one_line(name))
    yield "BEGIN:VCALENDAR"
    yield "VERSION:2.0"
    yield f"PRODID:{PRODUCT}"
    yield f"NAME:{title}"
    yield f"X-WR-CALNAME:{title}"
    yield f"REFRESH-INTERVAL;VALUE=DURATION:PT{REFRESH_MINUTES}M"
    yield f"X-PUBLISHED-TTL:PT{REFRESH_MINUTES}M"
    spans = set(_SPAN.findall(events))
    years = [int(year) for _, year in spans]
    first_year = min([FIRST_YEAR, *(year - 1 for year in years)])
    last_year = max([LAST_YEAR, *(year + 1 for year in years)])
    for key in sorted({zone, *(key.decode() for key, _ in spans if key)}):
        yield from vtimezone_lines(key, first_year, last_year)


def _event_lines(event: FeedEvent, rings: bool) -> Iterator[str]:
    start, end = _times(event)
    yield "BEGIN:VEVENT"
    yield f"UID:{event.uid}"
    yield f"DTSTAMP:{_utc(event.revised)}"
    yield f"CREATED:{_utc(event.created)}"
    yield f"LAST-MODIFIED:{_utc(event.revised)}"
    yield f"SEQUENCE:{event.sequence}"
    yield f"DTSTART{start}"
    yield f"DTEND{end}"
    yield f"STATUS:{event.status}"
    yield f"TRANSP:{'OPAQUE' if event.status is EventStatus.CONFIRMED else 'TRANSPARENT'}"
    yield f"SUMMARY:{escape(one_line(event.summary))}"
    if location := escape(one_line(event.location)):
        yield f"LOCATION:{location}"
    if event.lat_lon is not None:
        yield f"GEO:{event.lat_lon[0]:.6f};{event.lat_lon[1]:.6f}"
    if description := escape(event.description):
        yield f"DESCRIPTION:{description}"
    if event.url is not None:
        yield f"URL:{event.url}"
    if event.categories:
        yield f"CATEGORIES:{','.join(escape(one_line(word)) for word in event.categories)}"
    if event.urgent:
        yield "PRIORITY:1"
    if rings:
        yield "BEGIN:VALARM"
        yield "ACTION:DISPLAY"
        yield f"DESCRIPTION:{escape(one_line(event.summary))}"
        yield f"TRIGGER:-PT{URGENT_ALARM_MINUTES}M"
        yield "END:VALARM"
    yield "END:VEVENT"


def _times(event: FeedEvent) -> tuple[str, str]:
    """Parameters and values of DTSTART and DTEND.

    In the hour that a clock change repeats, readers disagree about which of the two is meant, so
    an event that begins or ends there is written in UTC. A wall time that is skipped cannot occur:
    both ends are instants.
    """
    zone = zone_of(event.zone)
    start, end = event.start.astimezone(zone), event.end.astimezone(zone)
    if is_repeated(start) or is_repeated(end):
        return f":{_utc(event.start)}", f":{_utc(event.end)}"
    parameter = f";TZID={event.zone}:"
    return f"{parameter}{start:%Y%m%dT%H%M%S}", f"{parameter}{end:%Y%m%dT%H%M%S}"


def _utc(moment: datetime) -> str:
    return f"{moment:%Y%m%dT%H%M%SZ}"
