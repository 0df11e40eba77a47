"""Half-open interval algebra: union, intersection, subtraction, gaps.

An :class:`Interval` holds every value ``v`` with ``start <= v < end``. An :class:`IntervalSet` is a
value made of disjoint intervals in order; intervals that touch are one, so two sets are equal
exactly when they hold the same values.

The algebra works on anything ordered: UTC instants, dates, whole minutes of the planner.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Generic, Protocol, TypeVar

from scheduler.errors import InvalidInput


class Ordered(Protocol):
    """Anything with an order: instants, dates, minutes."""

    def __lt__(self, other: Any, /) -> bool: ...
    def __le__(self, other: Any, /) -> bool: ...


T = TypeVar("T", bound=Ordered)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval(Generic[T]):
    """Every value from ``start`` up to, not including, ``end``; never empty.

    Instants must carry ``datetime.UTC``: two datetimes of one local zone compare by their wall
    clocks, which puts the repeated hour of autumn in the wrong order.
    """

    start: T
    end: T

    def __post_init__(self) -> None:
        for value in (self.start, self.end):
            if isinstance(value, datetime) and value.tzinfo != UTC:
                raise InvalidInput(
                    f"an interval of instants needs UTC, got {value!r}: use .astimezone(UTC)"
                )
        if not self.start < self.end:
            raise InvalidInput(f"an interval must end after its start, got {self}")

    def __str__(self) -> str:
        return f"[{self.start}, {self.end})"

    def contains(self, value: T) -> bool:
        """Whether ``value`` lies inside; the end does not."""
        return self.start <= value and value < self.end

    def covers(self, other: Interval[T]) -> bool:
        """Whether the whole of ``other`` lies inside."""
        return self.start <= other.start and other.end <= self.end

    def overlaps(self, other: Interval[T]) -> bool:
        """Whether the two share a value; touching is not overlapping."""
        return self.start < other.end and other.start < self.end

    def intersection(self, other: Interval[T]) -> Interval[T] | None:
        """Return what the two share, or None."""
        if not self.overlaps(other):
            return None
        return Interval(start=max(self.start, other.start), end=min(self.end, other.end))


@dataclass(frozen=True, slots=True)
class IntervalSet(Generic[T]):
    """Disjoint intervals in order, none touching the next; build one with :meth:`of`.

    ``a | b``, ``a & b`` and ``a - b`` are union, intersection and subtraction, each in one pass.
    """

    intervals: tuple[Interval[T], ...] = ()

    def __post_init__(self) -> None:
        for left, right in zip(self.intervals, self.intervals[1:], strict=False):
            if not left.end < right.start:
                raise InvalidInput(
                    f"intervals must be in order and apart, got {left} then {right}: "
                    "build the set with IntervalSet.of"
                )

    @classmethod
    def of(cls, intervals: Iterable[Interval[T]]) -> IntervalSet[T]:
        """Return the set holding every value of ``intervals``, which may overlap, in any order."""
        merged: list[Interval[T]] = []
        for interval in sorted(intervals, key=lambda interval: interval.start):
            if merged and interval.start <= merged[-1].end:
                if merged[-1].end < interval.end:
                    merged[-1] = Interval(start=merged[-1].start, end=interval.end)
            else:
                merged.append(interval)
        return cls(tuple(merged))

    @classmethod
    def between(cls, start: T, end: T) -> IntervalSet[T]:
        """Return the set ``[start, end)``; empty when the two are equal or the wrong way round."""
        return cls((Interval(start=start, end=end),)) if start < end else cls()

    def __iter__(self) -> Iterator[Interval[T]]:
        return iter(self.intervals)

    def __len__(self) -> int:
        return len(self.intervals)

    def __str__(self) -> str:
        return " ".join(str(interval) for interval in self.intervals) or "nothing"

    def __or__(self, other: IntervalSet[T]) -> IntervalSet[T]:
        return IntervalSet.of((*self.intervals, *other.intervals))

    def __and__(self, other: IntervalSet[T]) -> IntervalSet[T]:
        shared: list[Interval[T]] = []
        mine, theirs = list(self.intervals), list(other.intervals)
        i = j = 0
        while i < len(mine) and j < len(theirs):
            both = mine[i].intersection(theirs[j])
            if both is not None:
                shared.append(both)
            if mine[i].end < theirs[j].end:
                i += 1
            else:
                j += 1
        return IntervalSet(tuple(shared))

    def __sub__(self, other: IntervalSet[T]) -> IntervalSet[T]:
        kept: list[Interval[T]] = []
        theirs, j = other.intervals, 0
        for interval in self.intervals:
            start = interval.start
            while j < len(theirs) and theirs[j].end <= start:
                j += 1
            k = j
            while k < len(theirs) and theirs[k].start < interval.end:
                if start < theirs[k].start:
                    kept.append(Interval(start=start, end=theirs[k].start))
                start = theirs[k].end
                k += 1
            if start < interval.end:
                kept.append(Interval(start=start, end=interval.end))
        return IntervalSet(tuple(kept))

    def contains(self, value: T) -> bool:
        """Whether ``value`` lies inside one of the intervals."""
        return any(interval.contains(value) for interval in self.intervals)

    def covers(self, other: Interval[T]) -> bool:
        """Whether the whole of ``other`` lies inside one of the intervals."""
        return any(interval.covers(other) for interval in self.intervals)

    def clip(self, start: T, end: T) -> IntervalSet[T]:
        """Return the part inside ``[start, end)``."""
        return self & IntervalSet.between(start, end)

    def hull(self) -> Interval[T] | None:
        """Return the shortest single interval that covers the set, or None when it is empty."""
        if not self.intervals:
            return None
        return Interval(start=self.intervals[0].start, end=self.intervals[-1].end)

    def gaps(self) -> IntervalSet[T]:
        """Return what lies between the intervals, nothing before the first or after the last."""
        return IntervalSet(
            tuple(
                Interval(start=left.end, end=right.start)
                for left, right in zip(self.intervals, self.intervals[1:], strict=False)
            )
        )


def total_duration(instants: IntervalSet[datetime]) -> timedelta:
    """Return the time that really passes inside a set of instants."""
    return sum((interval.end - interval.start for interval in instants), timedelta())
