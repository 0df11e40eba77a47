"""What an appointment says in a calendar, for each kind of reader.

The technician reads it at a traffic light: where and what in the summary, then when to leave, what
to bring, how to get in and whom to ring; after that what to beware of, and the order of work.
The site learns who comes and what that means for its machines; the dispatcher who is where; a
partner only when. Each reader gets no more than that.
"""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Literal, assert_never

from api.feeds.calendar_text import one_line
from api.feeds.events import EventStatus, FeedEvent
from api.feeds.vtimezone import is_repeated, zone_of
from scheduler.errors import InvalidInput
from scheduler.lifecycle import AppointmentState

SUMMARY_CHARACTERS = 80

LOCAL_RULES_FIRST = (
    "Local rules come first; gas, mains and pressure work only with the licence for it."
)

VisitKind = Literal["upkeep", "statutory", "callback"]

_KIND_NAMES: dict[VisitKind, str] = {
    "upkeep": "Upkeep",
    "statutory": "Statutory inspection",
    "callback": "Callback",
}
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkLine:
    """One step of the worksheet. A ``waiting`` step (cooling, heating) runs beside the others."""

    text: str
    minutes: int
    machine: str = ""  # how the site calls the machine; empty: the site as a whole
    waiting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineOff:
    """When a machine is out of service during a visit: aware UTC, half-open."""

    machine: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class AppointmentBrief:
    """All that any reader may be told about one appointment.

    Attributes
    ----------
    start, end, created, revised
        Aware UTC, whole seconds.
    zone
        IANA zone of the site.
    tasks
        Short names of the work, or of the symptoms of a callback; the first makes the summary.
    parts
        (quantity, name) of everything to bring.
    cautions
        Whole texts, most important first; never shortened.
    moved_from
        The start it had before, when it has been moved.
    handed_over
        The appointment lives on with another technician; here it shows as cancelled.
    """

    appointment_id: str
    state: AppointmentState
    kind: VisitKind
    start: datetime
    end: datetime
    zone: str
    created: datetime
    revised: datetime
    sequence: int
    site: str
    town: str
    address: str
    client: str
    technician: str
    tasks: tuple[str, ...]
    lat_lon: tuple[float, float] | None = None
    urgent: bool = False
    respond_by: datetime | None = None
    moved_from: datetime | None = None
    handed_over: bool = False
    travel_minutes: int | None = None
    steps: tuple[WorkLine, ...] = ()
    parts: tuple[tuple[int, str], ...] = ()
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    machines_off: tuple[MachineOff, ...] = ()
    access_notes: str = ""
    contact: str = ""
    phone: str = ""
    worksheet_url: str | None = None

    def __post_init__(self) -> None:
        if not self.tasks:
            raise InvalidInput(f"tasks must name the work of {self.appointment_id}, got none")
        if self.end <= self.start:
            raise InvalidInput(f"end must be after start {self.start}, got {self.end}")

    @property
    def is_off(self) -> bool:
        """Whether nobody comes, as far as this reader is concerned."""
        return self.handed_over or self.state is AppointmentState.CANCELLED


def technician_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for the technician's own calendar. ``domain`` ends the UID."""
    if brief.is_off:
        paragraphs = [_why_off(brief)]
    else:
        paragraphs = [
            "\n".join([*_moved(brief), *_times(brief), *_respond_by(brief), *_leave_by(brief)]),
            _section("Bring", [f"{quantity} × {one_line(name)}" for quantity, name in brief.parts]),
            _section("Tools", [one_line(tool) for tool in brief.tools]),
            _section("Getting in", [brief.access_notes.strip()] if brief.access_notes else []),
            _section("On site", [one_line(f"{brief.contact} {brief.phone}")]),
            _section("Take care", _bullets(brief.cautions)),
            _section("Order of work", _numbered(brief.steps)),
        ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, place=_place(brief)),
        paragraphs=paragraphs,
        url=brief.worksheet_url,
    )


def site_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for the calendar of the site: who comes when, and what is out of use."""
    if brief.is_off:
        paragraphs = ["Nobody will come at this time."]
    else:
        paragraphs = [
            "\n".join([*_moved(brief), *_times(brief), f"{one_line(brief.technician)} will come."]),
            _machines_off(brief),
        ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, place=_KIND_NAMES[brief.kind]),
        paragraphs=paragraphs,
    )


def company_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for the dispatcher's calendar: who is where, with what in hand."""
    paragraphs = [
        "\n".join(
            [
                *([_why_off(brief)] if brief.is_off else [*_moved(brief), *_times(brief)]),
                *_respond_by(brief),
            ]
        ),
        f"{one_line(brief.client)}\n{_KIND_NAMES[brief.kind]}: {', '.join(brief.tasks)}",
    ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, who=f"{one_line(brief.technician)} at ", place=_place(brief)),
        paragraphs=paragraphs,
    )


def busy_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for somebody who may know when, but not where or what."""
    return FeedEvent(
        uid=f"{brief.appointment_id}@{domain}",
        start=brief.start,
        end=brief.end,
        zone=brief.zone,
        summary="Cancelled: at work" if brief.is_off else "At work",
        created=brief.created,
        revised=brief.revised,
        status=EventStatus.CANCELLED if brief.is_off else EventStatus.CONFIRMED,
        sequence=brief.sequence,
    )


def headline(tasks: Sequence[str]) -> str:
    """Return the first task, and how many more there are."""
    first = one_line(tasks[0])
    return first if len(tasks) == 1 else f"{first} + {len(tasks) - 1} more"


def clipped(text: str, limit: int = SUMMARY_CHARACTERS) -> str:
    """Return ``text`` in at most ``limit`` characters, cut between words where one is near."""
    if len(text) <= limit:
        return text
    end = limit - 1
    blank = text.rfind(" ", end - 15, end + 1)
    if blank > 0:
        end = blank
    else:
        while end > 1 and (unicodedata.combining(text[end]) or "\u200d" in text[end - 1 : end + 1]):
            end -= 1
    return text[:end].rstrip(" ,;:–-") + "…"


def _event(
    brief: AppointmentBrief,
    *,
    domain: str,
    summary: str,
    paragraphs: Sequence[str],
    url: str | None = None,
) -> FeedEvent:
    expected = brief.state in (AppointmentState.PLANNED, AppointmentState.PROMISED)
    return FeedEvent(
        uid=f"{brief.appointment_id}@{domain}",
        start=brief.start,
        end=brief.end,
        zone=brief.zone,
        summary=summary,
        description="\n\n".join(paragraph for paragraph in paragraphs if paragraph),
        location=_joined(brief.site, brief.address, brief.town),
        lat_lon=brief.lat_lon,
        url=url,
        created=brief.created,
        revised=brief.revised,
        status=EventStatus.CANCELLED if brief.is_off else EventStatus.CONFIRMED,
        sequence=brief.sequence,
        urgent=brief.urgent and expected and not brief.is_off,
        categories=(_KIND_NAMES[brief.kind],),
    )


def _state_words(brief: AppointmentBrief) -> str:
    """What must be seen first, since several calendar programs hide an event's status."""
    if brief.handed_over:
        return "Handed over: "
    match brief.state:
        case AppointmentState.CANCELLED:
            return "Cancelled: "
        case AppointmentState.DONE:
            return "Done: "
        case AppointmentState.NO_ACCESS:
            return "No access: "
        case AppointmentState.UNDER_WAY | AppointmentState.PLANNED | AppointmentState.PROMISED:
            words = ["urgent"] * brief.urgent + ["moved"] * (brief.moved_from is not None)
            return f"{', '.join(words).capitalize()}: " if words else ""
        case _:
            assert_never(brief.state)


def _why_off(brief: AppointmentBrief) -> str:
    if brief.handed_over:
        return "Another technician has taken this visit over. Nothing to do here."
    return "This visit has been cancelled. Nothing to do here."


def _place(brief: AppointmentBrief) -> str:
    return _joined(brief.site, brief.town)


def _joined(*parts: str) -> str:
    """The parts with commas between them, without those that an earlier one already names."""
    joined = ""
    for part in filter(None, map(one_line, parts)):
        if not re.search(rf"(?<!\w){re.escape(part)}(?!\w)", joined, re.IGNORECASE):
            joined = f"{joined}, {part}" if joined else part
    return joined


def _summary(brief: AppointmentBrief, *, place: str, who: str = "") -> str:
    """Where and what, in `SUMMARY_CHARACTERS`. A long place gives way, to half the room at most."""
    before, what = _state_words(brief) + who, headline(brief.tasks)
    room = SUMMARY_CHARACTERS - len(before) - len(": ")
    if len(place) + len(what) > room:
        place = clipped(place, max(room - len(what), room // 2, 1))
    return clipped(f"{before}{place}: {what}")


def _moved(brief: AppointmentBrief) -> list[str]:
    if brief.moved_from is None:
        return []
    return [f"Moved from {_day(brief.moved_from, brief.zone)} {_clock(brief.moved_from, brief)}."]


def _times(brief: AppointmentBrief) -> list[str]:
    span = f"{_clock(brief.start, brief)} to {_clock(brief.end, brief)}"
    lines = [f"{_day(brief.start, brief.zone)}, {span} ({_duration(brief.end - brief.start)})."]
    if brief.state is AppointmentState.PROMISED:
        lines.append("The client has been promised this time.")
    elif brief.state is AppointmentState.PLANNED:
        lines.append("Planned; the time may still move.")
    return lines


def _respond_by(brief: AppointmentBrief) -> list[str]:
    if brief.respond_by is None or brief.is_off:
        return []
    return [
        f"Answer due by {_day(brief.respond_by, brief.zone)} {_clock(brief.respond_by, brief)}."
    ]


def _leave_by(brief: AppointmentBrief) -> list[str]:
    if not brief.travel_minutes:
        return []
    leave = brief.start - timedelta(minutes=brief.travel_minutes)
    return [f"Drive of about {brief.travel_minutes} min: leave by {_clock(leave, brief)}."]


def _machines_off(brief: AppointmentBrief) -> str:
    if not brief.machines_off:
        return "Your machines stay in use."
    lines = [
        f"{one_line(off.machine)} is off from about {_clock(off.start, brief)} "
        f"to {_clock(off.end, brief)}: no coffee, hot water or steam from it."
        for off in brief.machines_off
    ]
    lines.append(
        "Leave it off until the technician hands it back: it may be open, hot or under pressure."
    )
    return "\n".join(lines)


def _section(title: str, lines: Sequence[str]) -> str:
    filled = [line for line in lines if line]
    return "\n".join([title, *filled]) if filled else ""


def _bullets(cautions: Sequence[str]) -> list[str]:
    if not cautions:
        return []
    return [f"- {one_line(text)}" for text in (*cautions, LOCAL_RULES_FIRST)]


def _numbered(steps: Sequence[WorkLine]) -> list[str]:
    """The steps in order, under the name of their machine wherever it changes."""
    lines: list[str] = []
    number = 0
    for machine, group in groupby(steps, key=lambda step: step.machine):
        if machine:
            lines.append(f"[{one_line(machine)}]")
        for step in group:
            number += 1
            meanwhile = ", meanwhile go on" if step.waiting else ""
            lines.append(f"{number}. {one_line(step.text)} ({step.minutes} min{meanwhile})")
    return lines


def _day(moment: datetime, zone: str) -> str:
    # Not strftime: its names of days and months follow the locale of the process.
    local = moment.astimezone(zone_of(zone))
    return f"{_WEEKDAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]} {local.year}"


def _clock(moment: datetime, brief: AppointmentBrief) -> str:
    """Wall time at the site; in an hour that comes twice, with the zone's abbreviation."""
    local = moment.astimezone(zone_of(brief.zone))
    return f"{local:%H:%M} {local.tzname()}" if is_repeated(local) else f"{local:%H:%M}"


def _duration(length: timedelta) -> str:
    hours, minutes = divmod(round(length / timedelta(minutes=1)), 60)
    return " ".join([f"{hours} h"] * (hours > 0) + [f"{minutes} min"] * (minutes > 0 or not hours))
