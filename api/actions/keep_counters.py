"""What a counter shows, refused where the machine cannot have come to it."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.snapshots import build_of
from api.storage.tables import MachineRow, MeterReadingRow
from scheduler.catalogue import Catalogue, Counter
from scheduler.errors import InvalidInput
from scheduler.machines import MeterReading
from scheduler.plausibility import check_counter


def check_meter_reading(
    session: Session, row: MeterReadingRow, catalogue: Catalogue, *, now: datetime
) -> None:
    """Refuse a reading that is not of this world, before it is kept.

    Raises
    ------
    InvalidInput
        It was taken in the future or at an instant at which the counter was read already, or it
        lies farther from the readings around it than the machine can have gone.
    """
    if row.taken_at > now:
        raise InvalidInput(f"taken_at must not lie ahead, got {row.taken_at.isoformat()}")
    others = session.exec(
        select(MeterReadingRow)
        .where(MeterReadingRow.machine_id == row.machine_id)
        .where(MeterReadingRow.counter == row.counter, MeterReadingRow.id != row.id)
        .order_by(col(MeterReadingRow.taken_at))
    ).all()
    if any(other.taken_at == row.taken_at for other in others):
        raise InvalidInput(
            f"{row.counter} of machine {row.machine_id} was read at {row.taken_at.isoformat()} "
            "already: leave one of them out"
        )
    before = [other for other in others if other.taken_at < row.taken_at]
    after = others[len(before) :]
    check_counter(
        _reading(row),
        build_of(session.get_one(MachineRow, row.machine_id)),
        catalogue,
        before=_first(before[-1:]),
        after=_first(after),
    )


def _first(rows: Sequence[MeterReadingRow]) -> MeterReading | None:
    return _reading(rows[0]) if rows else None


def _reading(row: MeterReadingRow) -> MeterReading:
    return MeterReading(counter=Counter(row.counter), value=row.value, taken_at=row.taken_at)
