"""Rows → values measured on machines."""

from collections import defaultdict
from collections.abc import Mapping, Sequence

from sqlmodel import Session, col, select

from api.storage.tables import MeasurementRow
from scheduler.readings import Reading, Stage


def readings_by_machine(
    session: Session, machines: Sequence[str] | None = None
) -> Mapping[str, list[Reading]]:
    """Return the readings of machines, of all when None, in order of time."""
    statement = select(MeasurementRow).order_by(
        col(MeasurementRow.taken_at), col(MeasurementRow.id)
    )
    if machines is not None:
        statement = statement.where(col(MeasurementRow.machine_id).in_(machines))
    found: defaultdict[str, list[Reading]] = defaultdict(list)
    for row in session.exec(statement):
        found[row.machine_id].append(reading_of(row))
    return found


def reading_of(row: MeasurementRow) -> Reading:
    """Return a reading as it is judged."""
    return Reading(
        set_point=row.set_point,
        value=row.value,
        unit=row.unit,
        stage=Stage(row.stage),
        taken_on=row.taken_on,
    )
