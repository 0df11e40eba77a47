"""When a component of a calendar from outside takes place, within a horizon.

Recurrence rules run on the wall clock of the component's own zone and each occurrence is turned
into an instant afterwards, so "every Monday at nine" stays at nine when the clocks change.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import chain
from typing import Any

from dateutil.rrule import rrulestr
from icalendar import vRecur
from icalendar.cal import Component

from scheduler.errors import UnreadableComponent
from scheduler.intervals import Interval

MOST_OCCURRENCES = 1_000
"""Of one component within the horizon."""

_ONE_DAY = timedelta(days=1)
_TOO_FREQUENT = ("SECONDLY", "MINUTELY", "HOURLY")
_DECISIVE = frozenset(
    {
        "DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID",
        "TRANSP", "STATUS", "FREEBUSY", "BUSYTYPE",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTime:
    """What a calendar writes as a time: a naive ``clock`` and the ``zone`` it is read in."""

    clock: datetime
    zone: tzinfo
    is_whole_day: bool = False

    def instant(self) -> datetime:
        """The instant in UTC. A time the clocks skip is read with the offset before the change."""
        return self.clock.replace(tzinfo=self.zone).astimezone(UTC)


def wall_time(value: date, parameters: Any, home: tzinfo) -> WallTime:
    """Return a DATE or DATE-TIME value as a wall time; one without a zone is in ``home``.

    Raises
    ------
    UnreadableComponent
        When it names a zone that is neither known nor described in the file.
    """
    if not isinstance(value, datetime):
        return WallTime(clock=datetime.combine(value, time()), zone=home, is_whole_day=True)
    if value.tzinfo is not None:
        return WallTime(clock=value.replace(tzinfo=None), zone=value.tzinfo)
    if "TZID" in parameters:
        raise UnreadableComponent(f"its time zone {parameters['TZID']!r} is not known")
    return WallTime(clock=value, zone=home)


def require_readable(component: Component) -> None:
    """Refuse a component of which a line that decides about times could not be read."""
    for name, message in component.errors:
        if name in _DECISIVE:
            raise UnreadableComponent(f"its {name} cannot be read: {message}")


def property_time(component: Component, name: str, home: tzinfo) -> WallTime | None:
    """Return the time of property ``name``, or None when the component does not have it."""
    value = component.get(name)
    if value is None:
        return None
    if isinstance(value, list) or not isinstance(value.dt, date):
        raise UnreadableComponent(f"its {name} must be one date or time")
    return wall_time(value.dt, value.params, home)


def property_duration(component: Component) -> timedelta | None:
    """Return the DURATION of a component, or None when it does not have one."""
    value = component.get("DURATION")
    if value is None:
        return None
    duration = getattr(value, "dt", None)
    if not isinstance(duration, timedelta):
        raise UnreadableComponent("its DURATION must be one duration")
    return duration


def occurrences(
    component: Component, home: tzinfo, horizon: Interval[datetime]
) -> dict[datetime, Interval[datetime]]:
    """Return the occurrences that touch ``horizon``, by the instant at which each would start.

    An occurrence of no length is left out.

    Raises
    ------
    UnreadableComponent
        When it has no start, ends before it starts, recurs more often than daily, or occurs more
        than `MOST_OCCURRENCES` times.
    """
    start = property_time(component, "DTSTART", home)
    if start is None:
        raise UnreadableComponent("it has no DTSTART")
    length = _length(component, start, home)
    excluded = {wall.instant() for wall in _listed(component, "EXDATE", home)}
    first_clock = (horizon.start - length - 2 * _ONE_DAY).replace(tzinfo=None)
    last_clock = (horizon.end + 2 * _ONE_DAY).replace(tzinfo=None)
    found: dict[datetime, Interval[datetime]] = {}
    walls = chain([start], _ruled(component, start, last_clock), _listed(component, "RDATE", home))
    for wall in walls:
        if not first_clock <= wall.clock <= last_clock:
            continue
        begin, end = wall.instant(), _end(wall, length)
        if begin < end and begin not in excluded and begin < horizon.end and end > horizon.start:
            found[begin] = Interval(start=begin, end=end)
            if len(found) > MOST_OCCURRENCES:
                raise UnreadableComponent(f"it occurs more than {MOST_OCCURRENCES} times")
    return found


def _length(component: Component, start: WallTime, home: tzinfo) -> timedelta:
    length = _ONE_DAY if start.is_whole_day else timedelta()
    if (end := property_time(component, "DTEND", home)) is not None:
        days, hours = end.clock - start.clock, end.instant() - start.instant()
        length = days if start.is_whole_day else hours
    elif (duration := property_duration(component)) is not None:
        length = duration
    if length < timedelta():
        raise UnreadableComponent("it ends before it starts")
    return length


def _end(start: WallTime, length: timedelta) -> datetime:
    """Whole days end at a midnight, anything else after so many hours (RFC 5545, 3.8.5.3)."""
    if start.is_whole_day:
        return WallTime(clock=start.clock + length, zone=start.zone).instant()
    return start.instant() + length


def _ruled(component: Component, start: WallTime, last_clock: datetime) -> Iterator[WallTime]:
    if component.get("EXRULE") is not None:
        raise UnreadableComponent("its EXRULE is of a standard withdrawn in 2009")
    rules = component.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        parts = dict(rule)
        frequency = str(parts.get("FREQ", [""])[0]).upper()
        if frequency in _TOO_FREQUENT:
            raise UnreadableComponent(f"it recurs {frequency.lower()}; daily is the most")
        if any(interval < 1 for interval in parts.get("INTERVAL", [])):
            raise UnreadableComponent("its INTERVAL must be at least 1")
        last = min([last_clock, *(_until(value, start) for value in parts.pop("UNTIL", []))])
        try:
            clocks = rrulestr(_rule_text(parts), dtstart=start.clock)
        except ValueError as error:
            raise UnreadableComponent(f"its RRULE cannot be read: {error}") from None
        for clock in clocks:
            if clock > last:
                break
            yield WallTime(clock=clock, zone=start.zone, is_whole_day=start.is_whole_day)


def _rule_text(parts: dict[str, Any]) -> str:
    text: bytes = vRecur(parts).to_ical()  # type: ignore[no-untyped-call]  # icalendar lacks types
    return text.decode()


def _until(value: date, start: WallTime) -> datetime:
    """The last wall time a rule may reach. A bare date includes its whole day."""
    if not isinstance(value, datetime):
        return datetime.combine(value, time.max)
    if value.tzinfo is None:
        return value
    return value.astimezone(start.zone).replace(tzinfo=None)


def _listed(component: Component, name: str, home: tzinfo) -> Iterator[WallTime]:
    """The times of RDATE or EXDATE; of a period, when it starts."""
    entries = component.get(name, [])
    for entry in entries if isinstance(entries, list) else [entries]:
        for listed in entry.dts:
            value = listed.dt[0] if isinstance(listed.dt, tuple) else listed.dt
            yield wall_time(value, entry.params, home)
