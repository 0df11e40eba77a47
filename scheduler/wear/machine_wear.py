"""What a technician at one machine wants to know: change it today, or leave it; is it worse?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from scheduler.catalogue import Catalogue
from scheduler.errors import Impossible, InvalidInput, TooFewFailures
from scheduler.wear.lives import Life
from scheduler.wear.part_wear import FailurePolicy, part_wear
from scheduler.wear.records import Kind, PartRecord
from scheduler.wear.repairable import FailureRecord, PowerLawFit, fit_power_law
from scheduler.wear.replacement import TodayAdvice, change_today


@dataclass(frozen=True, slots=True, kw_only=True)
class PartToday:
    """One fitted part and whether to renew it now.

    ``advice`` is None where no law of such parts is known; ``because`` says so then.
    """

    part: str
    part_type: str
    position: str
    age_days: int
    advice: TodayAdvice | None
    because: str


def parts_today(
    records: Iterable[PartRecord],
    lives: Mapping[Kind, Sequence[Life]],
    catalogue: Catalogue,
    policy: FailurePolicy,
    *,
    today: date,
    next_visit_on: date,
) -> tuple[PartToday, ...]:
    """Return for each part still fitted whether to change it today, the most pressing first.

    Parameters
    ----------
    lives
        Of all parts of these kinds, in days.
    next_visit_on
        When somebody comes next if nobody changes it today; after ``today``.
    """
    if not today < next_visit_on:
        raise InvalidInput(f"the next visit must be after today, {today}, got {next_visit_on}")
    days = (next_visit_on - today).days
    found = [
        _part_today(record, lives, catalogue, policy, today, days)
        for record in records
        if record.removed_on is None
    ]
    return tuple(sorted(found, key=lambda part: (-_urgency(part), part.part)))


def _part_today(
    record: PartRecord,
    lives: Mapping[Kind, Sequence[Life]],
    catalogue: Catalogue,
    policy: FailurePolicy,
    today: date,
    days: int,
) -> PartToday:
    kind = record.part_type, record.duty
    age = (today - record.good_since).days
    advice: TodayAdvice | None = None
    try:
        wear = part_wear(*kind, lives.get(kind, ()), catalogue, policy)
    except Impossible as reason:
        because = f"Nothing can be said of its wear: {reason}."
    else:
        advice = change_today(
            wear.fit.law,
            wear.costs,
            age=age,
            until_next_visit=days,
            today_minor=wear.work_minor,
            limit_age=wear.limit_days,
        )
        because = advice.because
    return PartToday(
        part=record.part,
        part_type=record.part_type,
        position=record.position,
        age_days=age,
        advice=advice,
        because=because,
    )


def _urgency(part: PartToday) -> float:
    """What leaving it costs; a limit outweighs money, the unknown comes last."""
    if part.advice is None:
        return float("-inf")
    return float("inf") if part.advice.limited else part.advice.cost_of_leaving_minor


def failure_trend(
    failed_on: Sequence[date], *, watched_from: date, today: date
) -> PowerLawFit | None:
    """Return whether a machine fails ever faster, None with fewer than two failures.

    Ages count from the day from which its failures were written down; a failure is taken to fall in
    the middle of its day, and several of one day are one.

    Raises
    ------
    InvalidInput
        When a failure lies outside ``watched_from`` to ``today``.
    """
    days = sorted({(day - watched_from).days for day in failed_on})
    try:
        return fit_power_law(
            [
                FailureRecord(
                    failure_ages=tuple(day + 0.5 for day in days),
                    watched_until=(today - watched_from).days + 1,
                )
            ]
        )
    except TooFewFailures:
        return None
