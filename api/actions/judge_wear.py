"""How parts and machines wear, judged from everything the company has written down."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, func, select

from api.storage.part_records import part_records, records_begin
from api.storage.tables import (
    AppointmentRow,
    ContractRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    SiteRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.duty import DutyClass
from scheduler.errors import Absent
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome
from scheduler.wear.block import BlockAdvice
from scheduler.wear.comparing import ComparedBy, Comparison, compare_parts
from scheduler.wear.machine_wear import (
    OverhaulAdvice,
    PartToday,
    advise_overhaul,
    failure_record,
    failure_trend,
    parts_today,
)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTypeWear:
    """How a part type wears, what renewing all at once would do, and what makes a difference.

    ``together`` is None where renewing before a failure never pays.
    """

    wear: PartWear
    together: BlockAdvice | None
    comparisons: Mapping[ComparedBy, Comparison]


def wear_of_part_type(
    session: Session,
    catalogue: Catalogue,
    part_type: str,
    duty: DutyClass,
    *,
    today: date,
    changed_on: date | None = None,
) -> PartTypeWear:
    """Return the wear of a part type in a class of duty.

    Parameters
    ----------
    changed_on
        Lives that began before that day are compared with those that began since.

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
    wear = part_wear(part_type, duty, lives, catalogue, FailurePolicy())
    return PartTypeWear(
        wear=wear,
        together=wear.together(catalogue.currency),
        comparisons=compare_parts(records, duty, today, changed_on=changed_on),
    )


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


def overhaul_of_machine(
    session: Session, machine: MachineRow, *, today: date, overhaul_minor: float
) -> OverhaulAdvice:
    """Return when machines of this make and model are worth an overhaul, by their failures.

    A failure costs what :class:`FailurePolicy` says of one, parts left out.

    Raises
    ------
    TooFewFailures
        Fewer than two failures of such machines are on record.
    """
    begun = records_begin(session) or today
    failed_on: defaultdict[str, list[date]] = defaultdict(list)
    for machine_id, day in session.exec(
        select(col(WorkDoneRow.machine_id), col(WorkDoneRow.done_on))
        .join(MachineRow, col(MachineRow.id) == col(WorkDoneRow.machine_id))
        .where(MachineRow.name == machine.name, MachineRow.kind == machine.kind)
        .where(WorkDoneRow.outcome == Outcome.FAILURE)
    ):
        failed_on[machine_id].append(day)
    alike = session.exec(
        select(MachineRow, col(ContractRow.starts_on))
        .join(SiteRow, col(SiteRow.id) == col(MachineRow.site_id))
        .join(ContractRow, col(ContractRow.id) == col(SiteRow.contract_id))
        .where(MachineRow.name == machine.name, MachineRow.kind == machine.kind)
    )
    fleet = []
    for each, contract_from in alike:
        first = max(each.installed_on, begun, contract_from)
        last = min(today, each.retired_on or today)
        if first <= last:
            fleet.append(
                failure_record(
                    [day for day in failed_on[each.id] if first <= day <= last],
                    new_on=each.installed_on,
                    watched_from=first,
                    today=last,
                )
            )
    return advise_overhaul(
        fleet, overhaul_minor=overhaul_minor, repair_minor=FailurePolicy().breakdown_minor
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
