"""Month arithmetic from an anchor: "every six months from 31 August".

Every occurrence counts from the anchor and clamps to the end of its month, so the day neither
drifts to the 28th nor skips February. The rule is RFC 7529's ``SKIP=BACKWARD``.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator
from datetime import date

from scheduler.errors import InvalidInput


def add_months(anchor: date, months: int) -> date:
    """Return the day ``months`` after ``anchor`` (before, when negative).

    A day the month does not have becomes its last: 31 January + 1 month is 28 or 29 February.
    Never chain calls, which would drift; multiply the months instead.
    """
    year, month_index = divmod(anchor.year * 12 + anchor.month - 1 + months, 12)
    month = month_index + 1
    day = anchor.day
    if day > 28:
        day = min(day, monthrange(year, month)[1])
    return date(year, month, day)


def nth_occurrence(anchor: date, every_months: int, n: int) -> date:
    """Return occurrence ``n`` of "every ``every_months`` months"; occurrence 0 is the anchor.

    Raises
    ------
    InvalidInput
        When ``every_months`` is below 1.
    """
    if every_months < 1:
        raise InvalidInput(f"every_months must be at least 1, got {every_months}")
    return add_months(anchor, every_months * n)


def occurrences_between(anchor: date, every_months: int, start: date, end: date) -> Iterator[date]:
    """Yield, in order, the occurrences with ``start <= day < end``, none before the anchor.

    Raises
    ------
    InvalidInput
        When ``every_months`` is below 1.
    """
    if every_months < 1:
        raise InvalidInput(f"every_months must be at least 1, got {every_months}")
    months_to_start = (start.year - anchor.year) * 12 + start.month - anchor.month
    n = max(0, months_to_start // every_months)
    while (day := nth_occurrence(anchor, every_months, n)) < end:
        if day >= start:
            yield day
        n += 1
