"""What an appointment says in a calendar, for each kind of reader.

The technician reads it at a traffic light: where and what in the summary, then when to leave, what
to bring, how to get in and whom to ring; after that what to beware of, and the order of work.
The site learns who comes and what that means for its machines; the dispatcher who is where; a
partner only when. Each reader gets no more than that.
"""

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import assert_never

from api.feeds.calendar_text import one_line
from api.feeds.events import EventStatus, FeedEvent
from api.feeds.moments import clock_text, day_text, duration_text
from api.feeds.phrases import ENGLISH, PHRASES, Language, Phrases, VisitKind
from scheduler.errors import InvalidInput
from scheduler.lifecycle import AppointmentState

SUMMARY_CHARACTERS = 80


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
    call_minutes, fetch
        Minutes at the workshop on the way there, if the round calls there, and what is fetched:
        (quantity, name of the part, name of the site it is for). Without a call it is loaded before
        the round sets out.
    cautions
        Whole texts, most important first; never shortened.
    moved_from
        The start it had before, when it has been moved.
    handed_over
        The appointment lives on with another technician; here it shows as cancelled.
    language, short
        The reader's own. A short text leaves out the tools and the order of work, never a caution.
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
    call_minutes: int | None = None
    fetch: tuple[tuple[int, str, str], ...] = ()
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    machines_off: tuple[MachineOff, ...] = ()
    access_notes: str = ""
    contact: str = ""
    phone: str = ""
    worksheet_url: str | None = None
    language: Language = "en"
    short: bool = False

    def __post_init__(self) -> None:
        if not self.tasks:
            raise InvalidInput(f"tasks must name the work of {self.appointment_id}, got none")
        if self.end <= self.start:
            raise InvalidInput(f"end must be after start {self.start}, got {self.end}")

    @property
    def words(self) -> Phrases:
        """The words of the reader's language."""
        return PHRASES[self.language]

    @property
    def is_off(self) -> bool:
        """Whether nobody comes, as far as this reader is concerned."""
        return self.handed_over or self.state is AppointmentState.CANCELLED


def event_uid(appointment_id: str, domain: str) -> str:
    """Return the UID of an appointment's event, the same in every calendar that shows it."""
    return f"{appointment_id}@{domain}"


def technician_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for the technician's own calendar. ``domain`` ends the UID."""
    words = brief.words
    if brief.is_off:
        paragraphs = [_why_off(brief)]
    else:
        tools = () if brief.short else brief.tools
        steps = () if brief.short else brief.steps
        paragraphs = [
            "\n".join([*_moved(brief), *_times(brief), *_respond_by(brief), *leave_by(brief)]),
            _section(fetch_title(brief), fetch_lines(brief)),
            _section(
                words.bring, [f"{quantity} × {one_line(name)}" for quantity, name in brief.parts]
            ),
            _section(words.tools, [one_line(tool) for tool in tools]),
            _section(words.getting_in, [brief.access_notes.strip()] if brief.access_notes else []),
            _section(words.on_site, [one_line(f"{brief.contact} {brief.phone}")]),
            _section(words.take_care, _bullets(brief.cautions, words)),
            _section(words.order_of_work, _numbered(steps, words)),
        ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, place=_place(brief)),
        paragraphs=paragraphs,
        url=None if brief.is_off else brief.worksheet_url,
    )


def fetch_title(brief: AppointmentBrief) -> str:
    """Return what stands above the parts to fetch."""
    return brief.words.load_first if brief.call_minutes is None else brief.words.fetch


def fetch_lines(brief: AppointmentBrief) -> list[str]:
    """Return what to fetch at the workshop: how many of each part, and for which sites."""
    wanted: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for pieces, part, site in brief.fetch:
        wanted[one_line(part)][one_line(site)] += pieces
    lines = []
    for part, sites in wanted.items():
        pattern = brief.words.for_site if len(sites) == 1 else brief.words.share
        shares = [pattern.format(pieces=pieces, site=site) for site, pieces in sites.items()]
        lines.append(
            brief.words.fetched.format(pieces=sites.total(), part=part, shares="; ".join(shares))
        )
    return lines


def site_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for the calendar of the site: who comes when, and what is out of use."""
    words = brief.words
    if brief.is_off:
        paragraphs = [words.nobody_comes]
    else:
        who = words.will_come.format(who=one_line(brief.technician))
        paragraphs = [
            "\n".join([*_moved(brief), *_times(brief), who]),
            _machines_off(brief),
        ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, place=words.kinds[brief.kind]),
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
        f"{one_line(brief.client)}\n"
        f"{brief.words.kinds[brief.kind]}{brief.words.colon}{', '.join(brief.tasks)}",
    ]
    return _event(
        brief,
        domain=domain,
        summary=_summary(brief, who=one_line(brief.technician), place=_place(brief)),
        paragraphs=paragraphs,
    )


def busy_event(brief: AppointmentBrief, *, domain: str) -> FeedEvent:
    """Return the event for somebody who may know when, but not where or what."""
    return FeedEvent(
        uid=event_uid(brief.appointment_id, domain),
        start=brief.start,
        end=brief.end,
        zone=brief.zone,
        summary=brief.words.at_work_cancelled if brief.is_off else brief.words.at_work,
        created=brief.created,
        revised=brief.revised,
        status=EventStatus.CANCELLED if brief.is_off else EventStatus.CONFIRMED,
        sequence=brief.sequence,
    )


def headline(tasks: Sequence[str], words: Phrases = ENGLISH) -> str:
    """Return the first task, and how many more there are."""
    first = one_line(tasks[0])
    return first if len(tasks) == 1 else words.more.format(first=first, count=len(tasks) - 1)


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
        uid=event_uid(brief.appointment_id, domain),
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
        categories=(brief.words.kinds[brief.kind],),
    )


def _state_words(brief: AppointmentBrief) -> str:
    """What must be seen first, since several calendar programs hide an event's status."""
    words = brief.words
    if brief.handed_over:
        return words.handed_over + words.colon
    match brief.state:
        case AppointmentState.CANCELLED:
            return words.cancelled + words.colon
        case AppointmentState.DONE:
            return words.done + words.colon
        case AppointmentState.NO_ACCESS:
            return words.no_access + words.colon
        case AppointmentState.UNDER_WAY | AppointmentState.PLANNED | AppointmentState.PROMISED:
            first = [words.urgent] * brief.urgent + [words.moved] * (brief.moved_from is not None)
            return ", ".join(first).capitalize() + words.colon if first else ""
        case _:
            assert_never(brief.state)


def _why_off(brief: AppointmentBrief) -> str:
    return brief.words.taken_over if brief.handed_over else brief.words.called_off


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
    words = brief.words
    before, what = _state_words(brief), headline(brief.tasks, words)

    def joined(place: str) -> str:
        where = words.who_at.format(who=who, place=place) if who else place
        return f"{before}{where}{words.colon}{what}"

    room = SUMMARY_CHARACTERS - len(joined("")) + len(what)
    if len(place) + len(what) > room:
        place = clipped(place, max(room - len(what), room // 2, 1))
    return clipped(joined(place))


def _moved(brief: AppointmentBrief) -> list[str]:
    if brief.moved_from is None:
        return []
    moment = brief.moved_from
    return [
        brief.words.moved_from.format(
            day=day_text(moment, brief.zone, brief.words), clock=clock_text(moment, brief.zone)
        )
    ]


def _times(brief: AppointmentBrief) -> list[str]:
    words = brief.words
    lines = [
        words.times.format(
            day=day_text(brief.start, brief.zone, brief.words),
            start=clock_text(brief.start, brief.zone),
            end=clock_text(brief.end, brief.zone),
            length=duration_text(brief.end - brief.start),
        )
    ]
    if brief.state is AppointmentState.PROMISED:
        lines.append(words.promised)
    elif brief.state is AppointmentState.PLANNED:
        lines.append(words.planned)
    return lines


def _respond_by(brief: AppointmentBrief) -> list[str]:
    if brief.respond_by is None or brief.is_off:
        return []
    moment = brief.respond_by
    return [
        brief.words.respond_by.format(
            day=day_text(moment, brief.zone, brief.words), clock=clock_text(moment, brief.zone)
        )
    ]


def leave_by(brief: AppointmentBrief) -> list[str]:
    """Return the sentence about the way there and when to set out; none where it is not known."""
    if not brief.travel_minutes and brief.call_minutes is None:
        return []
    drive, call = brief.travel_minutes or 0, brief.call_minutes or 0
    pattern = brief.words.leave_by if brief.call_minutes is None else brief.words.leave_by_workshop
    leave = brief.start - timedelta(minutes=drive + call)
    return [pattern.format(minutes=drive, call=call, clock=clock_text(leave, brief.zone))]


def _machines_off(brief: AppointmentBrief) -> str:
    if not brief.machines_off:
        return brief.words.machines_stay
    lines = [
        brief.words.machine_off.format(
            machine=one_line(off.machine),
            start=clock_text(off.start, brief.zone),
            end=clock_text(off.end, brief.zone),
        )
        for off in brief.machines_off
    ]
    return "\n".join([*lines, brief.words.leave_it_off])


def _section(title: str, lines: Sequence[str]) -> str:
    filled = [line for line in lines if line]
    return "\n".join([title, *filled]) if filled else ""


def _bullets(cautions: Sequence[str], words: Phrases) -> list[str]:
    if not cautions:
        return []
    return [f"- {one_line(text)}" for text in (*cautions, words.local_rules_first)]


def _numbered(steps: Sequence[WorkLine], words: Phrases) -> list[str]:
    """The steps in order, under the name of their machine wherever it changes."""
    lines: list[str] = []
    number = 0
    for machine, group in groupby(steps, key=lambda step: step.machine):
        if machine:
            lines.append(f"[{one_line(machine)}]")
        for step in group:
            number += 1
            pattern = words.waiting_step if step.waiting else words.step
            lines.append(
                pattern.format(number=number, text=one_line(step.text), minutes=step.minutes)
            )
    return lines
