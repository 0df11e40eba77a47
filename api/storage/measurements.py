"""Rows → values measured on machines."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.ids import new_id
from api.storage.tables import MeasurementRow
from scheduler.readings import Judgement, Reading, Stage


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


def measurement_row(
    judgement: Judgement, machine: str, *, visit: str | None, now: datetime
) -> MeasurementRow:
    """Return a judged value as it is kept; ``visit`` is None when it was read outside of one."""
    reading = judgement.reading
    return MeasurementRow(
        id=new_id("me"),
        machine_id=machine,
        set_point=reading.set_point,
        value=reading.value,
        unit=reading.unit,
        stage=str(reading.stage),
        verdict=str(judgement.verdict),
        because=judgement.because,
        taken_at=now,
        taken_on=reading.taken_on,
        visit_id=visit,
    )
