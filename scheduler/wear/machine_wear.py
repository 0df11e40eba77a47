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
from scheduler.wear.repairable import (
    FailureCount,
    FailureRecord,
    PowerLawFit,
    Trend,
    fit_power_law,
    fit_power_law_to_counts,
)
from scheduler.wear.replacement import TodayAdvice, change_today, minimal_repair_age
from scheduler.wear.weibull import Weibull


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
    try:
        return fit_power_law(
            [failure_record(failed_on, new_on=watched_from, watched_from=watched_from, today=today)]
        )
    except TooFewFailures:
        return None


def failure_record(
    failed_on: Sequence[date], *, new_on: date, watched_from: date, today: date
) -> FailureRecord:
    """Return the failures of a machine by its age in days, counted from ``new_on``."""
    days = sorted({(day - new_on).days for day in failed_on})
    return FailureRecord(
        failure_ages=tuple(day + 0.5 for day in days),
        watched_from=(watched_from - new_on).days,
        watched_until=(today - new_on).days + 1,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteTrend:
    """How often all machines of a site fail, by the month; ``shape`` above 1: ever more often."""

    shape: float
    failures: int
    failures_next_year: float
    because: str


def site_trend(
    failed_on: Sequence[date], *, watched_from: date, months_end: Sequence[date]
) -> SiteTrend | None:
    """Return how the failures at a site develop, counted month by month.

    Several failures on one day count as several, unlike in :func:`failure_trend`.

    Parameters
    ----------
    months_end
        The day after each month that is over, ascending.

    Returns
    -------
    None with failures in fewer than two months.
    """
    begins = [watched_from, *months_end]
    counts = [
        FailureCount(
            until=(end - watched_from).days, failures=sum(begin <= day < end for day in failed_on)
        )
        for begin, end in zip(begins, months_end, strict=False)
    ]
    try:
        shape, scale = fit_power_law_to_counts(counts)
    except TooFewFailures:
        return None
    watched = counts[-1].until
    ahead = scale * ((watched + 365) ** shape - watched**shape)
    seen = sum(count.failures for count in counts)
    return SiteTrend(
        shape=shape,
        failures=seen,
        failures_next_year=ahead,
        because=f"{seen} failures in {len(counts)} months, shape {shape:.2f}: if it goes on like "
        f"that, {ahead:.0f} in the next year.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OverhaulAdvice:
    """At which age a kind of machine is worth an overhaul that makes it as good as new.

    Attributes
    ----------
    age_days
        None when failures do not come faster with age, as far as can be told.
    cost_per_day_minor
        Of overhauls and repairs in the long run, when overhauled at that age; None with it.
    """

    machines: int
    fit: PowerLawFit
    age_days: float | None
    cost_per_day_minor: float | None
    because: str


def advise_overhaul(
    fleet: Sequence[FailureRecord], *, overhaul_minor: float, repair_minor: float
) -> OverhaulAdvice:
    """Return when to overhaul machines of one kind that are only patched up when they fail.

    Parameters
    ----------
    fleet
        All machines of the kind, ages in days.
    overhaul_minor, repair_minor
        What an overhaul costs, and a failure; > 0.

    Raises
    ------
    TooFewFailures
        As for :func:`scheduler.wear.repairable.fit_power_law`.
    """
    if not (overhaul_minor > 0 and repair_minor > 0):
        raise InvalidInput(f"costs must be > 0, got {overhaul_minor} and {repair_minor}")
    fit = fit_power_law(fleet)
    seen = f"{fit.failures} failures of {len(fleet)} machines, shape {fit.shape:.2f}"
    if fit.trend is not Trend.WORSE:
        return OverhaulAdvice(
            machines=len(fleet),
            fit=fit,
            age_days=None,
            cost_per_day_minor=None,
            because=f"No overhaul for its failures: they do not come faster with age ({seen}).",
        )
    law = Weibull(shape=fit.shape, scale=fit.scale ** (-1 / fit.shape))
    age = minimal_repair_age(law, overhaul_minor=overhaul_minor, repair_minor=repair_minor)
    cost = (overhaul_minor + repair_minor * fit.expected_failures(0, age)) / age
    return OverhaulAdvice(
        machines=len(fleet),
        fit=fit,
        age_days=age,
        cost_per_day_minor=cost,
        because=f"Overhaul at {age:.0f} days of age, after {fit.expected_failures(0, age):.1f} "
        f"failures on average ({seen}).",
    )
