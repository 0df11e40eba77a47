"""Examinations on record: those that stand, and until when each machine is certified by them."""

from collections.abc import Collection, Sequence
from datetime import date, timedelta

from sqlalchemy.orm import aliased
from sqlmodel import Session, col, exists, or_, select

from api.storage.tables import ExaminationRow, MachineRow
from scheduler.machines import Certificate

_correction = aliased(ExaminationRow)

STANDING = ~col(ExaminationRow.withdrawn) & ~exists(
    select(_correction.id).where(_correction.corrects == ExaminationRow.id)
)
"""The condition that an examination is neither corrected by a later record nor withdrawn."""


def certificate_of(row: ExaminationRow) -> Certificate:
    """Return an examination as upkeep takes it."""
    return Certificate(
        number=row.certificate,
        rule=row.rule,
        examined_on=row.examined_on,
        valid_until=row.valid_until,
        fitted_part=row.fitted_part_id,
    )


def last_examinations(session: Session, machine: str) -> Sequence[ExaminationRow]:
    """Return the last examination of each kind on a machine, of parts taken out no more."""
    rows = session.exec(
        select(ExaminationRow)
        .where(ExaminationRow.machine_id == machine, STANDING)
        .order_by(col(ExaminationRow.examined_on), col(ExaminationRow.recorded_at))
    )
    return list({(row.rule, row.fitted_part_id): row for row in rows}.values())


def note_certified_until(session: Session, machines: Collection[str]) -> None:
    """Write on machines until when their certificates hold, the first that ends."""
    session.flush()
    for machine in sorted(machines):
        row = session.get_one(MachineRow, machine)
        ends = [
            last.valid_until or last.examined_on - timedelta(days=1)
            for last in last_examinations(session, machine)
        ]
        row.certified_until = min(ends, default=None)
        session.add(row)


def machines_run_out(
    session: Session,
    today: date,
    *,
    machines: Collection[str] | None = None,
    sites: Collection[str] | None = None,
) -> Sequence[MachineRow]:
    """Return the machines in service of which a certificate has run out, in order of id."""
    statement = (
        select(MachineRow)
        .where(col(MachineRow.certified_until) < today)
        .where(or_(col(MachineRow.retired_on).is_(None), col(MachineRow.retired_on) > today))
        .order_by(col(MachineRow.id))
    )
    if machines is not None:
        statement = statement.where(col(MachineRow.id).in_(machines))
    if sites is not None:
        statement = statement.where(col(MachineRow.site_id).in_(sites))
    return session.exec(statement).all()
