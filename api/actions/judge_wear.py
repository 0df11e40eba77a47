"""How parts and machines wear, judged from everything the company has written down."""

from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, func, select

from api.storage.part_records import part_records
from api.storage.tables import (
    AppointmentRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.duty import DutyClass
from scheduler.errors import Absent
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome
from scheduler.wear.machine_wear import PartToday, failure_trend, parts_today
from scheduler.wear.part_wear import FailurePolicy, PartWear, part_wear
from scheduler.wear.records import lives_by_kind
from scheduler.wear.repairable import PowerLawFit

USUAL_GAP = timedelta(days=90)
"""When somebody comes next to a machine nothing is planned for (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineWear:
    """What the parts and failures of one machine say today.

    ``trend`` is None with fewer than two failures since ``watched_from``.
    """

    next_visit_on: date
    parts: tuple[PartToday, ...]
    watched_from: date
    failures: int
    trend: PowerLawFit | None


def wear_of_part_type(
    session: Session, catalogue: Catalogue, part_type: str, duty: DutyClass, *, today: date
) -> PartWear:
    """Return the wear of a part type in a class of duty.

    Raises
    ------
    Absent
        There is no such part type.
    NeverRenewed, TooFewFailures
        Nothing can be said (``scheduler.wear.part_wear.part_wear``).
    """
    if part_type not in catalogue.part_types:
        raise Absent("part type", part_type)
    records = part_records(session, catalogue, on=today, part_types=[part_type])
    lives = lives_by_kind(records, today).get((part_type, duty), ())
    return part_wear(part_type, duty, lives, catalogue, FailurePolicy())


def wear_of_machine(
    session: Session,
    catalogue: Catalogue,
    machine: MachineRow,
    *,
    today: date,
    next_visit_on: date | None = None,
) -> MachineWear:
    """Return whether to change the parts of a machine today, and whether it is getting worse.

    Parameters
    ----------
    next_visit_on
        When somebody comes next; by default the next visit planned for the machine.

    Raises
    ------
    InvalidInput
        ``next_visit_on`` is not after today.
    """
    types = set(
        session.exec(
            select(FittedPartRow.part_type).where(FittedPartRow.machine_id == machine.id).distinct()
        )
    )
    records = part_records(session, catalogue, on=today, part_types=types)
    own = [record for record in records if record.machine == machine.id]
    coming = next_visit_on or _next_visit(session, machine.id, today) or today + USUAL_GAP
    begun = max([machine.installed_on, *(record.records_begin for record in own[:1])])
    failed_on = session.exec(
        select(col(WorkDoneRow.done_on)).where(
            WorkDoneRow.machine_id == machine.id,
            WorkDoneRow.outcome == Outcome.FAILURE,
            WorkDoneRow.done_on >= begun,
            WorkDoneRow.done_on <= today,
        )
    ).all()
    return MachineWear(
        next_visit_on=coming,
        parts=parts_today(
            own,
            lives_by_kind(records, today),
            catalogue,
            FailurePolicy(),
            today=today,
            next_visit_on=coming,
        ),
        watched_from=begun,
        failures=len(failed_on),
        trend=failure_trend(failed_on, watched_from=begun, today=today),
    )


def _next_visit(session: Session, machine_id: str, today: date) -> date | None:
    """Return the day after today on which the next visit to a machine is booked or aimed at."""
    visits = select(DueTaskRow.visit_id).where(DueTaskRow.machine_id == machine_id)
    booked = session.exec(
        select(func.min(AppointmentRow.starts_at))
        .where(col(AppointmentRow.visit_id).in_(visits))
        .where(col(AppointmentRow.state).in_((AppointmentState.PLANNED, AppointmentState.PROMISED)))
    ).one()
    open_visit = session.exec(
        select(func.min(VisitRow.target))
        .where(col(VisitRow.id).in_(visits), VisitRow.state == "open")
        .where(VisitRow.target > today)
    ).one()
    days = [day for day in (booked.date() if booked else None, open_visit) if day and day > today]
    return min(days, default=None)
