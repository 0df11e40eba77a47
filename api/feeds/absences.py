"""When a calendar from outside says that somebody is away (RFC 5545 and RFC 7953).

Events that block time, published busy time and the hours outside stated availability. Only times
are taken over, never texts: the calendar may be a private one.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Literal

from icalendar import Calendar
from icalendar.cal import Component

from api.feeds.recurrence import (
    occurrences,
    property_duration,
    property_time,
    require_readable,
    wall_time,
)
from api.feeds.vtimezone import zone_of
from scheduler.errors import UnreadableComponent
from scheduler.intervals import Interval, IntervalSet

Instants = IntervalSet[datetime]
Span = Interval[datetime]
Certainty = Literal["away", "perhaps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """A component that was left out, and why."""

    component: str
    uid: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Absences:
    """What was read: certain absences, possible ones (never also certain), what was left out."""

    away: Instants
    perhaps: Instants
    skipped: tuple[Skipped, ...]


def absences_in(octets: bytes, *, zone: str, horizon: Interval[datetime]) -> Absences:
    """Read a calendar. Call this only on octets that may be trusted, or in a process of its own.

    Parameters
    ----------
    octets
        One or more VCALENDARs.
    zone
        IANA zone in which whole days and times without a zone are meant.
    horizon
        Only what touches it is read; the result is cut to it.
    """
    reader = _Reader(home=zone_of(zone), horizon=horizon)
    for calendar in Calendar.from_ical(octets, multiple=True):
        reader.read(calendar)
    return reader.absences()


class _Reader:
    def __init__(self, *, home: tzinfo, horizon: Span) -> None:
        self.home = home
        self.horizon = horizon
        self.busy: dict[Certainty, list[Span]] = {"away": [], "perhaps": []}
        self.stated: dict[Certainty, Instants] = {"away": IntervalSet(), "perhaps": IntervalSet()}
        self.skipped: list[Skipped] = []

    def read(self, calendar: Component) -> None:
        events: dict[str, list[Component]] = {}
        availabilities: list[Component] = []
        for component in calendar.subcomponents:
            match component.name:
                case "VEVENT":
                    events.setdefault(_uid(component), []).append(component)
                case "VFREEBUSY":
                    self._busy_time(component)
                case "VAVAILABILITY":
                    availabilities.append(component)
                case "VTIMEZONE":
                    pass
                case _:
                    self._skip(component, "it is not about being away")
        for versions in events.values():
            self._event(versions)
        for component in sorted(availabilities, key=_priority, reverse=True):
            self._availability(component)

    def absences(self) -> Absences:
        away, perhaps = (
            (IntervalSet.of(self.busy[certainty]) | self.stated[certainty]).clip(
                self.horizon.start, self.horizon.end
            )
            for certainty in ("away", "perhaps")
        )
        return Absences(away=away, perhaps=perhaps - away, skipped=tuple(self.skipped))

    def _skip(self, component: Component, reason: str) -> None:
        self.skipped.append(
            Skipped(component=component.name or "", uid=_uid(component), reason=reason)
        )

    def _block(self, kind: str, spans: Iterable[Span]) -> None:
        if certainty := _certainty(kind):
            self.busy[certainty] += spans

    def _event(self, versions: list[Component]) -> None:
        """Take over one event: its series, and the occurrences that were changed singly."""
        series: dict[datetime, tuple[Component, Span | None]] = {}
        singles: dict[datetime, tuple[Component, Span | None]] = {}
        for component in sorted(versions, key=_revision):
            try:
                require_readable(component)
                found = occurrences(component, self.home, self.horizon)
                single = property_time(component, "RECURRENCE-ID", self.home)
                if single is None:
                    series = {moment: (component, span) for moment, span in found.items()}
                elif "RANGE" in component["RECURRENCE-ID"].params:
                    raise UnreadableComponent("it changes all later occurrences at once")
                else:
                    # None where it was moved out of the horizon: it still replaces the original.
                    singles[single.instant()] = (component, next(iter(found.values()), None))
            except (UnreadableComponent, OverflowError) as unreadable:
                self._skip(component, str(unreadable))
        for component, span in (series | singles).values():
            if span is not None and str(component.get("TRANSP", "")).upper() != "TRANSPARENT":
                self._block(str(component.get("STATUS", "")), [span])

    def _busy_time(self, component: Component) -> None:
        spans: list[tuple[str, Span]] = []
        try:
            require_readable(component)
            for entry in _as_list(component.get("FREEBUSY")):
                first, last = entry.dt
                begin = wall_time(first, entry.params, self.home).instant()
                end = (
                    begin + last
                    if isinstance(last, timedelta)
                    else wall_time(last, entry.params, self.home).instant()
                )
                if begin < end:
                    kind = str(entry.params.get("FBTYPE", "BUSY"))
                    spans.append((kind, Interval(start=begin, end=end)))
        except (UnreadableComponent, OverflowError) as unreadable:
            self._skip(component, str(unreadable))
            return
        for kind, span in spans:
            self._block(kind, [span])

    def _availability(self, component: Component) -> None:
        """Block what lies in the span of the statement and in none of its AVAILABLE times.

        Called from the lowest priority to the highest: within its span, each statement replaces
        what those before it said.
        """
        free: list[Span] = []
        try:
            require_readable(component)
            span = self._span_of(component)
            for available in component.subcomponents:
                require_readable(available)
                free += occurrences(available, self.home, self.horizon).values()
        except (UnreadableComponent, OverflowError) as unreadable:
            self._skip(component, str(unreadable))
            return
        self.stated = {certainty: said - span for certainty, said in self.stated.items()}
        if certainty := _certainty(str(component.get("BUSYTYPE", "BUSY-UNAVAILABLE"))):
            self.stated[certainty] |= span - IntervalSet.of(free)

    def _span_of(self, component: Component) -> Instants:
        """The span of a VAVAILABILITY within the horizon; without limits it is unbounded."""
        start = property_time(component, "DTSTART", self.home)
        end = property_time(component, "DTEND", self.home)
        first = start.instant() if start else self.horizon.start
        last = end.instant() if end else self.horizon.end
        if start and not end and (duration := property_duration(component)) is not None:
            last = first + duration
        return IntervalSet.between(max(first, self.horizon.start), min(last, self.horizon.end))


def _certainty(kind: str) -> Certainty | None:
    """What a STATUS, FBTYPE or BUSYTYPE means; an unknown one blocks (RFC 5545 section 3.2.9)."""
    match kind.upper():
        case "CANCELLED" | "FREE":
            return None
        case "TENTATIVE" | "BUSY-TENTATIVE":
            return "perhaps"
        case _:
            return "away"


def _priority(component: Component) -> int:
    """1 is the highest priority; 0, the default, comes after 9 (RFC 7953 section 3.1)."""
    priority = component.get("PRIORITY", 0)
    return priority if isinstance(priority, int) and priority > 0 else 10


def _revision(component: Component) -> tuple[int, datetime]:
    """Later versions of an event sort last: by SEQUENCE, then by DTSTAMP."""
    sequence = component.get("SEQUENCE", 0)
    stamp = getattr(component.get("DTSTAMP"), "dt", None)
    never = datetime.min.replace(tzinfo=UTC)
    return (
        sequence if isinstance(sequence, int) else 0,
        stamp if isinstance(stamp, datetime) and stamp.tzinfo is not None else never,
    )


def _as_list(value: Any) -> list[Any]:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def _uid(component: Component) -> str:
    return str(component.get("UID", ""))
