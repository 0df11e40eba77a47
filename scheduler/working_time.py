"""Local hours of a place turned into instants, and response times counted in them.

The only module that thinks about daylight saving. Its rules:

* A local time the clocks jump over means the instant they jump, so hours that lie wholly inside
  the jump vanish and no hour is invented.
* In the hour that comes twice, a place opens at the first occurrence and closes at the second.
* Working minutes are minutes that really pass, not differences of the wall clock.
* On a public holiday nothing begins; a night that began the evening before still runs to its end.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache, lru_cache
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import holidays

from scheduler.errors import InvalidInput, NoWorkingTime
from scheduler.intervals import Interval, IntervalSet, total_duration
from scheduler.weekly_hours import WeeklyHours

FIRST_MOMENT = datetime.combine(date.min, time.min)
LAST_MOMENT = datetime.combine(date.max, time.max)
"""Between them lies every wall-clock time there is."""

_ONE_DAY = timedelta(days=1)
_SEARCH_DAYS_WITHOUT_HOURS = 366


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalPeriod:
    """A closure or absence on the wall clock of a place: ``start`` up to ``end``, no zone."""

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start.tzinfo is not None or self.end.tzinfo is not None:
            raise InvalidInput(f"a local period carries no zone, got {self.start} to {self.end}")
        if not self.start < self.end:
            raise InvalidInput(f"a period must end after its start, got {self.start} to {self.end}")

    @classmethod
    def whole_days(cls, first: date, last: date) -> LocalPeriod:
        """Return the period from the morning of ``first`` to the end of ``last``."""
        midnight = time()
        end = LAST_MOMENT if last == date.max else datetime.combine(last + _ONE_DAY, midnight)
        return cls(start=datetime.combine(first, midnight), end=end)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingCalendar:
    """When a place or a person is there: weekly hours less holidays less closures."""

    zone: str
    weekly: WeeklyHours
    holidays: frozenset[date] = frozenset()
    closures: tuple[LocalPeriod, ...] = ()

    def __post_init__(self) -> None:
        _zone(self.zone)

    def beginning_on(self, day: date) -> IntervalSet[datetime]:
        """Return the instants of the spans that begin on the local day, closures not yet taken."""
        if day in self.holidays:
            return IntervalSet()
        pieces: list[Interval[datetime]] = []
        for span in self.weekly.on(day):
            last_day = day + _ONE_DAY if span.past_midnight else day
            opens = instant_at(datetime.combine(day, span.opens), self.zone, "first")
            closes = instant_at(datetime.combine(last_day, span.closes), self.zone, "second")
            pieces.extend(IntervalSet.between(opens, closes))
        return IntervalSet.of(pieces)

    def between(self, start: datetime, end: datetime) -> IntervalSet[datetime]:
        """Return the working instants inside ``[start, end)``, both UTC."""
        if not start < end:
            return IntervalSet()
        # a span that runs past midnight may have begun the day before
        day = start.astimezone(_zone(self.zone)).date() - _ONE_DAY
        last_day = end.astimezone(_zone(self.zone)).date()
        pieces: list[Interval[datetime]] = []
        while day <= last_day:
            pieces.extend(self.beginning_on(day))
            day += _ONE_DAY
        return IntervalSet.of(pieces).clip(start, end) - self._closed(start, end)

    def _closed(self, start: datetime, end: datetime) -> IntervalSet[datetime]:
        """Return the closures that touch ``[start, end)``, cut to a little more than that.

        Closures may reach to the first or last day there is, which no zone can turn into instants.
        """
        first = local_time(start, self.zone) - _ONE_DAY
        last = local_time(end, self.zone) + _ONE_DAY
        return IntervalSet.of(
            interval
            for period in self.closures
            if period.start < last and first < period.end
            for interval in IntervalSet.between(
                instant_at(max(period.start, first), self.zone, "first"),
                instant_at(min(period.end, last), self.zone, "second"),
            )
        )


@cache
def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise InvalidInput(
            f"unknown time zone {name!r}: use a name such as Europe/Paris"
        ) from error


@lru_cache(maxsize=65536)
def instant_at(
    local: datetime, zone: str, repeated: Literal["first", "second"] = "first"
) -> datetime:
    """Return the UTC instant of a wall-clock time.

    Parameters
    ----------
    local
        Date and time without a zone.
    zone
        IANA name.
    repeated
        Which occurrence is meant when the clocks are set back over it. A time the clocks jump
        over becomes the instant they jump, whichever is asked for.
    """
    in_zone = local.replace(tzinfo=_zone(zone))
    first = in_zone.replace(fold=0).astimezone(UTC)
    second = in_zone.replace(fold=1).astimezone(UTC)
    if first > second:
        return _jump_between(second, first, _zone(zone))
    return first if repeated == "first" else second


def _jump_between(before: datetime, after: datetime, zone: ZoneInfo) -> datetime:
    """Return the instant the clocks jump, by bisection to the second."""
    offset_before = before.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + timedelta(seconds=(after - before) // timedelta(seconds=2))
        if middle.astimezone(zone).utcoffset() == offset_before:
            before = middle
        else:
            after = middle
    return after


def local_day(day: date, zone: str) -> IntervalSet[datetime]:
    """Return the instants of a local day: 23, 24 or 25 hours; none where the zone skipped it."""
    midnight = datetime.combine(day, time())
    return IntervalSet.between(instant_at(midnight, zone), instant_at(midnight + _ONE_DAY, zone))


def local_time(instant: datetime, zone: str) -> datetime:
    """Return the wall clock of the zone at an instant; beyond all days there are, their end."""
    try:
        return instant.astimezone(_zone(zone)).replace(tzinfo=None)
    except OverflowError:
        return FIRST_MOMENT if instant.year == FIRST_MOMENT.year else LAST_MOMENT


def local_date(instant: datetime, zone: str) -> date:
    """Return the date on the wall calendar of the zone at an instant."""
    return instant.astimezone(_zone(zone)).date()


@cache
def public_holidays(country: str, subdivision: str | None, year: int) -> frozenset[date]:
    """Return the public holidays of a year, from the ``holidays`` package.

    Parameters
    ----------
    country
        ISO 3166-1 alpha-2 code.
    subdivision
        The part of ISO 3166-2 after the country, or None for the holidays of the whole country.

    Raises
    ------
    InvalidInput
        When the package does not know the country or the subdivision.
    """
    try:
        return frozenset(holidays.country_holidays(country, subdiv=subdivision, years=year))
    except NotImplementedError as error:
        raise InvalidInput(f"no public holidays known for {country}/{subdivision}") from error


def working_time(calendar: WorkingCalendar, start: datetime, end: datetime) -> timedelta:
    """Return the working time that passes in ``[start, end)``, both UTC."""
    return total_duration(calendar.between(start, end))


def deadline(calendar: WorkingCalendar, start: datetime, working_minutes: int) -> datetime:
    """Return the first instant by which ``working_minutes`` have passed since ``start`` (UTC).

    Minutes that run out exactly at closing time end there, not at the next opening. No minutes
    end at ``start`` itself, even when the place is closed.

    Raises
    ------
    InvalidInput
        When ``working_minutes`` is negative.
    NoWorkingTime
        When the calendar holds no working time for a whole year before the minutes run out.
    """
    if working_minutes < 0:
        raise InvalidInput(f"working_minutes must be >= 0, got {working_minutes}")
    left = timedelta(minutes=working_minutes)
    if not left:
        return start
    for interval in _working_intervals_from(calendar, start):
        length = interval.end - interval.start
        if left <= length:
            return interval.start + left
        left -= length
    raise NoWorkingTime(calendar.zone, start, working_minutes)


def _working_intervals_from(
    calendar: WorkingCalendar, start: datetime
) -> Iterator[Interval[datetime]]:
    """Yield working intervals in order until a whole year holds none."""
    week = timedelta(days=7)
    idle_days = 0
    while idle_days < _SEARCH_DAYS_WITHOUT_HOURS:
        found = calendar.between(start, start + week)
        yield from found
        idle_days = 0 if found else idle_days + week.days
        start += week
