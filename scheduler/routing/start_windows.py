"""When a visit may start, so that all of it lies in the hours of its site."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil, floor

from scheduler.intervals import IntervalSet
from scheduler.routing.open_visits import OpenVisit
from scheduler.working_time import instant_at

_ONE_DAY = timedelta(days=1)
_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """Instants as whole minutes of the problem."""

    zero: datetime
    now: datetime

    def up(self, instant: datetime) -> int:
        """Return the first whole minute not before ``instant``."""
        return ceil((instant - self.zero) / _MINUTE)

    def down(self, instant: datetime) -> int:
        """Return the last whole minute not after ``instant``."""
        return (instant - self.zero) // _MINUTE


def start_windows(
    visit: OpenVisit, clock: Minutes, extremes: tuple[int, int], waived: bool
) -> tuple[tuple[int, int], ...]:
    """Return the minutes in which the visit may start so that all of it lies in allowed time.

    Whoever makes it must be through in time. Where hours are too short for the slowest, they are
    taken as long enough for the worksheet's minutes, rather than leave the visit to nobody.

    Parameters
    ----------
    extremes : the time on site of the fastest and of the slowest who could make it.
    waived : whether it may start after the answer is due.
    """
    from_day = instant_at(datetime.combine(visit.earliest, datetime.min.time()), visit.zone)
    start = max(from_day, clock.now)
    last_start = datetime.max.replace(tzinfo=UTC) - _ONE_DAY
    if visit.hard_latest is not None:
        day_after = datetime.combine(visit.hard_latest + _ONE_DAY, datetime.min.time())
        last_start = min(last_start, instant_at(day_after, visit.zone) - _MINUTE)
    if visit.respond_by is not None and not waived:
        last_start = min(last_start, visit.respond_by)
    fastest, slowest = extremes
    opening, deadline = clock.up(start), clock.down(last_start)
    windows = []
    for whole in _starts(visit.allowed, clock, (0, visit.minutes, slowest)):
        for off in _starts_off(visit, clock, fastest / visit.minutes, slowest / visit.minutes):
            first = max(whole.first, off.first, opening)
            last = min(whole.last, off.last, deadline)
            if first <= last:
                of_slowest = min(last, whole.last_of_slowest, off.last_of_slowest)
                windows.append((first, max(first, of_slowest)))
    return tuple(windows)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Starts:
    """The minutes in which a visit may start for the sake of one stretch of hours."""

    first: int
    last: int
    last_of_slowest: int


def _starts(
    hours: IntervalSet[datetime], clock: Minutes, part: tuple[int, int, int]
) -> list[_Starts]:
    """Return when a visit may start whose part lies in the hours.

    `part` is from which minute of the visit to which, by the worksheet and for the slowest.
    """
    begins, ends, of_slowest = part
    return [
        _Starts(
            first=clock.up(interval.start) - begins,
            last=clock.down(interval.end) - ends,
            last_of_slowest=clock.down(interval.end) - of_slowest,
        )
        for interval in hours
    ]


def _starts_off(visit: OpenVisit, clock: Minutes, fastest: float, slowest: float) -> list[_Starts]:
    """Return when it may start for the sake of the machine that is off; a fast one gets there soon.

    Any time will do where no machine is.
    """
    off = visit.off
    if off is None:
        ever = clock.down(datetime.max.replace(tzinfo=UTC) - _ONE_DAY)
        return [_Starts(first=-ever, last=ever, last_of_slowest=ever)]
    part = floor(off.begins * min(fastest, 1.0)), off.ends, ceil(off.ends * max(slowest, 1.0))
    return _starts(off.hours, clock, part)
