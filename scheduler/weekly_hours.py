"""The hours of an ordinary week, and the short text they are stored and typed as.

``Mo-Fr 07:30-12:00,13:00-18:00; Sa 18:00-02:00`` - weekdays, then spans of local time. A span whose
end is not after its start runs past midnight (``00:00-00:00`` is the whole day). The notation is
a subset of the ``opening_hours`` specification of OpenStreetMap.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, time

from scheduler.errors import InvalidInput

WEEKDAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")
_SPAN = re.compile(r"(\d{1,2}):(\d{2})-(\d{1,2}):(\d{2})")


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class DaySpan:
    """Local time from ``opens`` up to ``closes``, past midnight when ``closes <= opens``."""

    opens: time
    closes: time

    def __post_init__(self) -> None:
        for value in (self.opens, self.closes):
            if value.tzinfo is not None:
                raise InvalidInput(f"hours of the week are local times without a zone, got {value}")

    @property
    def past_midnight(self) -> bool:
        """Whether the span ends on the day after it began."""
        return self.closes <= self.opens

    def __str__(self) -> str:
        return f"{self.opens:%H:%M}-{self.closes:%H:%M}"


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyHours:
    """The spans that begin on each weekday, Monday first."""

    by_weekday: tuple[tuple[DaySpan, ...], ...]

    def __post_init__(self) -> None:
        if len(self.by_weekday) != 7:
            raise InvalidInput(f"a week has 7 days, got hours for {len(self.by_weekday)}")

    @classmethod
    def parse(cls, text: str) -> WeeklyHours:
        """Read hours such as ``Mo-Fr 08:00-17:00; Sa,Su 10:00-14:00``; empty text is never open.

        A weekday may be named by several rules; its spans add up.

        Raises
        ------
        InvalidInput
            Naming the rule that cannot be read.
        """
        spans: list[list[DaySpan]] = [[] for _ in WEEKDAYS]
        for rule in filter(None, (part.strip() for part in text.split(";"))):
            days, _, hours = rule.partition(" ")
            day_spans = [_span(part.strip(), rule) for part in hours.split(",")]
            for weekday in _weekdays(days, rule):
                spans[weekday].extend(day_spans)
        return cls(by_weekday=tuple(tuple(sorted(day)) for day in spans))

    def on(self, day: date) -> tuple[DaySpan, ...]:
        """Return the spans that begin on ``day`` in an ordinary week."""
        return self.by_weekday[day.weekday()]

    def __str__(self) -> str:
        rules: list[str] = []
        weekday = 0
        while weekday < 7:
            last = weekday
            while last < 6 and self.by_weekday[last + 1] == self.by_weekday[weekday]:
                last += 1
            if self.by_weekday[weekday]:
                days = (
                    WEEKDAYS[weekday]
                    if last == weekday
                    else f"{WEEKDAYS[weekday]}-{WEEKDAYS[last]}"
                )
                rules.append(f"{days} {','.join(str(span) for span in self.by_weekday[weekday])}")
            weekday = last + 1
        return "; ".join(rules)


def _weekdays(text: str, rule: str) -> list[int]:
    weekdays: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        if first not in WEEKDAYS or (dash and last not in WEEKDAYS):
            raise InvalidInput(
                f"cannot read the weekdays of {rule!r}: write Mo, Tu, We, Th, Fr, Sa, Su, "
                "as in 'Mo-Fr,Su 08:00-17:00'"
            )
        start = WEEKDAYS.index(first)
        length = (WEEKDAYS.index(last) - start) % 7 if dash else 0
        weekdays.extend((start + offset) % 7 for offset in range(length + 1))
    return weekdays


def _span(text: str, rule: str) -> DaySpan:
    match = _SPAN.fullmatch(text)
    if match is None:
        raise InvalidInput(f"cannot read the hours {text!r} of {rule!r}: write 08:00-17:30")
    open_hour, open_minute, close_hour, close_minute = (int(part) for part in match.groups())
    if (close_hour, close_minute) == (24, 0):
        close_hour = 0
    try:
        return DaySpan(opens=time(open_hour, open_minute), closes=time(close_hour, close_minute))
    except ValueError as error:
        raise InvalidInput(f"no such time of day in {text!r} of {rule!r}") from error
