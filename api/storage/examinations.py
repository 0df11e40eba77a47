"""Examinations on record: those that stand, and until when each machine is certified by them."""

from collections.abc import Collection, Sequence
from datetime import date, timedelta

from sqlalchemy.orm import aliased
from sqlmodel import Session, col, exists, or_, select

from api.storage.tables import ExaminationRow, FittedPartRow, MachineRow
from scheduler.catalogue import Catalogue
from scheduler.machines import Certificate
from scheduler.spacing import holds_until

_correction = aliased(ExaminationRow)

STANDING = ~col(ExaminationRow.withdrawn) & ~exists(
    select(_correction.id).where(_correction.corrects == ExaminationRow.id)
)
"""The condition that an examination is neither corrected by a later record nor withdrawn."""

IN_TURN = (
    col(ExaminationRow.examined_on),
    col(ExaminationRow.recorded_at),
    col(ExaminationRow.result) == "failed",  # recorded in one second: the stricter counts
    col(ExaminationRow.id),
)
"""The order of examinations; the last of a kind is the one that counts."""


def certificate_of(row: ExaminationRow) -> Certificate:
    """Return an examination as upkeep takes it."""
    return Certificate(
        number=row.certificate,
        rule=row.rule,
        examined_on=row.examined_on,
        valid_until=row.valid_until,
        fitted_part=row.fitted_part_id,
    )


def last_examinations(
    session: Session, machines: Collection[str] | None = None, *, on: date
) -> Sequence[ExaminationRow]:
    """Return the last examination of each kind on each machine; none of parts taken out by then.

    All machines when None.
    """
    statement = (
        select(ExaminationRow)
        .join(
            FittedPartRow, col(FittedPartRow.id) == col(ExaminationRow.fitted_part_id), isouter=True
        )
        .where(STANDING)
        .where(or_(col(FittedPartRow.removed_on).is_(None), col(FittedPartRow.removed_on) > on))
        .order_by(*IN_TURN)
    )
    if machines is not None:
        statement = statement.where(col(ExaminationRow.machine_id).in_(machines))
    rows = session.exec(statement)
    return list({(row.machine_id, row.rule, row.fitted_part_id): row for row in rows}.values())


def note_certified_until(
    session: Session, catalogue: Catalogue, machines: Collection[str] | None = None, *, on: date
) -> None:
    """Write on machines until when their certificates hold, the first that ends; all when None."""
    session.flush()
    ends: dict[str, date] = {}
    for last in last_examinations(session, machines, on=on):
        certificate = certificate_of(last)
        end = holds_until(certificate, catalogue.rules.get(last.rule))
        end = end or last.examined_on - timedelta(days=1)
        ends[last.machine_id] = min(end, ends.get(last.machine_id, end))
    statement = select(MachineRow)
    if machines is not None:
        statement = statement.where(col(MachineRow.id).in_(machines))
    else:
        certified = col(MachineRow.certified_until).is_not(None)
        statement = statement.where(
            or_(certified, col(MachineRow.id).in_(select(ExaminationRow.machine_id)))
        )
    for row in session.exec(statement):
        if row.certified_until != ends.get(row.id):
            row.certified_until = ends.get(row.id)
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
