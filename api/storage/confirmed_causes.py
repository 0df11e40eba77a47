"""Rows → how often each fault was found, over how long."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session, col, func, select

from api.storage.snapshots import build_of
from api.storage.tables import CallbackRow, MachineRow
from scheduler.machines import Build

_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmedCauses:
    """Fault id → how often it was found, and build → machine-years watched for that."""

    found: Mapping[str, int]
    machine_years: Mapping[Build, float]


def confirmed_causes(session: Session, *, now: datetime) -> ConfirmedCauses:
    """Return what was found at callbacks since the first of them.

    Of callbacks ended without saying what was found nothing is known: the machine-years count in
    the share of those that say it.
    """
    ended = session.exec(
        select(CallbackRow.cause, func.count())
        .where(CallbackRow.state == "done")
        .group_by(col(CallbackRow.cause))
    ).all()
    found = {cause: number for cause, number in ended if cause is not None}
    first = session.exec(select(func.min(CallbackRow.reported_at))).one()
    if not found or first is None:
        return ConfirmedCauses(found={}, machine_years={})
    share = sum(found.values()) / sum(number for _, number in ended)
    days: Counter[Build] = Counter()
    since, today = first.date(), now.date()
    for row in session.exec(select(MachineRow)):
        days[build_of(row)] += _days_in_service(row, since, today)
    years = {build: share * total / _DAYS_PER_YEAR for build, total in days.items()}
    return ConfirmedCauses(found=found, machine_years=years)


def _days_in_service(row: MachineRow, since: date, today: date) -> int:
    end = today if row.retired_on is None else min(row.retired_on, today)
    return max(0, (end - max(row.installed_on, since)).days)
