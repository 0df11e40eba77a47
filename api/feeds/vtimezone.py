"""The VTIMEZONE of an IANA zone, for calendar programs that do not know the zone by its name.

A zone whose clock changes follow a yearly rule gets one RRULE per change, which every reader
understands. Where they do not (Casablanca follows Ramadan, Nuuk "the day before the last Sunday"),
each change is one ``RDATE`` line of its own: several readers see only the first of a list.
Onsets are in the wall time before the change (RFC 5545 section 3.6.5).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo

from scheduler.errors import UnknownZone

FIRST_YEAR = 2026
LAST_YEAR = 2045
"""Years the published VTIMEZONEs cover; fixed, so that the text of a zone does not move."""

_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """The instant at which a zone changes its offset from UTC."""

    instant: datetime  # UTC
    offset_from: timedelta
    offset_to: timedelta
    name: str  # the abbreviation that holds from here on

    @property
    def wall(self) -> datetime:
        """Naive wall time of the onset, read on a clock that has not been changed yet."""
        return self.instant.replace(tzinfo=None) + self.offset_from


def zone_of(key: str) -> ZoneInfo:
    """Return the zone named ``key``.

    Raises
    ------
    UnknownZone
        When the pinned time zone database has no such zone.
    """
    try:
        return ZoneInfo(key)
    except (KeyError, ValueError, OSError):
        raise UnknownZone(key) from None


def is_repeated(local: datetime) -> bool:
    """Whether the wall clock shows this time twice: ``local`` is an instant in a `ZoneInfo`."""
    return local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()


def onsets(key: str, first_year: int, last_year: int) -> tuple[Onset, ...]:
    """Return every change of offset of zone ``key`` from ``first_year`` to ``last_year``, in order.

    Found by looking at each midnight UTC and halving the day in which the offset differs, so two
    changes that undo each other within one day would be missed; no zone has had such a day.
    """
    zone = zone_of(key)
    start = datetime(first_year, 1, 1, tzinfo=UTC)
    end = datetime(last_year + 1, 1, 1, tzinfo=UTC)
    days = [start + timedelta(days=n) for n in range((end - start).days + 1)]
    offsets = [_offset(zone, day) for day in days]
    found = []
    for day, (before, after) in zip(days[1:], pairwise(offsets), strict=True):
        if before != after:
            instant = _first_second_of(after, zone, day)
            found.append(
                Onset(
                    instant=instant,
                    offset_from=before,
                    offset_to=after,
                    name=instant.astimezone(zone).tzname() or key,
                )
            )
    return tuple(found)


@lru_cache(maxsize=1024)
def vtimezone_lines(
    key: str, first_year: int = FIRST_YEAR, last_year: int = LAST_YEAR
) -> tuple[str, ...]:
    """Return the unfolded content lines of the VTIMEZONE of zone ``key``.

    Exact for every instant from the start of ``first_year`` to the end of ``last_year``.

    Raises
    ------
    UnknownZone
        When the pinned time zone database has no such zone.
    """
    # One year more at the front: each observance has then begun when the first year starts.
    changes = onsets(key, first_year - 1, last_year)
    kinds: dict[tuple[timedelta, timedelta, str], list[Onset]] = {}
    for change in changes:
        kinds.setdefault((change.offset_from, change.offset_to, change.name), []).append(change)
    rules = [_yearly_rule(group, first_year - 1, last_year) for group in kinds.values()]
    observances: list[str] = []
    if rules and all(rules):
        for group, rule in zip(kinds.values(), rules, strict=True):
            observances += _observance(group[0], [f"RRULE:{rule}"])
    else:
        observances += _observance(_state_at_start(key, first_year - 1), [])
        for group in kinds.values():
            observances += _observance(group[0], [f"RDATE:{_wall(o)}" for o in group[1:]])
    return ("BEGIN:VTIMEZONE", f"TZID:{key}", *observances, "END:VTIMEZONE")


def _offset(zone: ZoneInfo, instant: datetime) -> timedelta:
    offset = instant.astimezone(zone).utcoffset()
    assert offset is not None  # a ZoneInfo always has one
    return offset


def _first_second_of(offset: timedelta, zone: ZoneInfo, day_after: datetime) -> datetime:
    """The first second with ``offset`` in the 24 hours that end at ``day_after``."""
    low, high = -86_400, 0  # seconds before day_after: low has the old offset, high the new one
    while high - low > 1:
        middle = (low + high) // 2
        if _offset(zone, day_after + timedelta(seconds=middle)) == offset:
            high = middle
        else:
            low = middle
    return day_after + timedelta(seconds=high)


def _state_at_start(key: str, first_year: int) -> Onset:
    """The offset in force before any change, as an observance that has always held."""
    start = datetime(first_year, 1, 1, tzinfo=UTC)
    zone = zone_of(key)
    offset = _offset(zone, start)
    name = start.astimezone(zone).tzname() or key
    long_ago = datetime(1970, 1, 1, tzinfo=UTC) - offset
    return Onset(instant=long_ago, offset_from=offset, offset_to=offset, name=name)


def _yearly_rule(group: Sequence[Onset], first_year: int, last_year: int) -> str | None:
    """The RRULE that yields exactly ``group``, or None when no plain yearly rule does.

    Only "the n-th" and "the last such weekday of the month" count as plain: other forms are legal
    but several calendar programs misread them.
    """
    walls = [onset.wall for onset in group]
    if [wall.year for wall in walls] != list(range(first_year, last_year + 1)):
        return None
    if len({(wall.month, wall.weekday(), wall.time()) for wall in walls}) != 1:
        return None
    ranks = {(wall.day - 1) // 7 + 1 for wall in walls}
    if len(ranks) == 1:
        rank = ranks.pop()
    elif all((wall + timedelta(days=7)).month != wall.month for wall in walls):
        rank = -1
    else:
        return None
    weekday = _WEEKDAYS[walls[0].weekday()]
    return f"FREQ=YEARLY;BYMONTH={walls[0].month};BYDAY={rank}{weekday}"


def _observance(first: Onset, recurrence: list[str]) -> list[str]:
    # Readers take DAYLIGHT for the larger offset, whatever the law of the country calls it.
    kind = "DAYLIGHT" if first.offset_to > first.offset_from else "STANDARD"
    return [
        f"BEGIN:{kind}",
        f"DTSTART:{_wall(first)}",
        f"TZOFFSETFROM:{_utc_offset(first.offset_from)}",
        f"TZOFFSETTO:{_utc_offset(first.offset_to)}",
        f"TZNAME:{first.name}",
        *recurrence,
        f"END:{kind}",
    ]


def _wall(onset: Onset) -> str:
    return onset.wall.strftime("%Y%m%dT%H%M%S")


def _utc_offset(offset: timedelta) -> str:
    # Whole minutes: the last zone with seconds in its offset gave them up in 1972 (Monrovia).
    minutes = offset // timedelta(minutes=1)
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}{abs(minutes) % 60:02d}"
