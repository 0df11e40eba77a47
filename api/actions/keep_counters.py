"""What a counter shows: refused where the machine cannot have come to it, corrected, never lost."""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

from sqlmodel import Session, col, select

from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.meter_readings import STANDING
from api.storage.snapshots import build_of
from api.storage.tables import MachineRow, MeterReadingRow
from scheduler.catalogue import Catalogue, Counter
from scheduler.errors import Absent, Conflict, InvalidInput
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
        lies farther from the readings around it than the machine can have gone; they are named, as
        one of them may be what is wrong.
    """
    if row.taken_at > now:
        raise InvalidInput(f"taken_at must not lie ahead, got {row.taken_at.isoformat()}")
    others = _others(session, row)
    if any(other.taken_at == row.taken_at for other in others):
        raise InvalidInput(
            f"{row.counter} of machine {row.machine_id} was read at {row.taken_at.isoformat()} "
            "already: leave one of them out"
        )
    before = [other for other in others if other.taken_at < row.taken_at]
    around = [*before[-1:], *others[len(before) :][:1]]
    try:
        check_counter(
            _reading(row),
            build_of(session.get_one(MachineRow, row.machine_id)),
            catalogue,
            before=[_reading(other) for other in before[-2:]],
            after=_first(others[len(before) :]),
        )
    except InvalidInput as refusal:
        if not around:
            raise
        names = " or ".join(f"/v1/meter-readings/{other.id}/correction" for other in around)
        raise InvalidInput(
            f"{refusal} Where the reading beside it is the wrong one, correct that first: "
            f"POST {names}"
        ) from refusal


def notice_of_fall(session: Session, row: MeterReadingRow) -> str:
    """Say where the counter runs backwards at a reading; empty where it does not.

    Such a reading is kept: counters are reset and replaced. But it may as well be mistyped.
    """
    others = _others(session, row)
    before = [other for other in others if other.taken_at < row.taken_at]
    course = [*before[-1:], row, *others[len(before) :][:1]]
    falls = [
        f"{row.counter} was {earlier.value:.10g} on {earlier.taken_at:%Y-%m-%d} ({earlier.id}) and "
        f"is only {later.value:.10g} on {later.taken_at:%Y-%m-%d} ({later.id})"
        for earlier, later in pairwise(course)
        if later.value < earlier.value
    ]
    if not falls:
        return ""
    return (
        f"{'; '.join(falls)}. It is kept, as a counter may have been reset or replaced; if this "
        "one was not, put the wrong value right: POST /v1/meter-readings/{id}/correction"
    )


def correct_meter_reading(
    database: Database,
    reading_id: str,
    value: float | None,
    reason: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> MeterReadingRow:
    """Put another value in the place of one that was mistyped, None where nothing was read.

    The record that was wrong stays; from now on only the new one counts.

    Raises
    ------
    Absent
        There is no such reading.
    Conflict
        It does not stand any more.
    InvalidInput
        The value cannot be.
    """
    with database.write() as session:
        wrong = session.get(MeterReadingRow, reading_id)
        if wrong is None:
            raise Absent("meter reading", reading_id)
        later = session.exec(
            select(MeterReadingRow.id).where(MeterReadingRow.corrects == reading_id)
        ).first()
        if later is not None or wrong.withdrawn:
            by = f": look at {later}" if later is not None else ""
            raise Conflict(f"meter reading {reading_id} does not stand any more{by}")
        row = MeterReadingRow(
            id=new_id("mr"),
            machine_id=wrong.machine_id,
            counter=wrong.counter,
            value=wrong.value if value is None else value,
            taken_at=wrong.taken_at,
            corrects=wrong.id,
            withdrawn=value is None,
            reason=reason,
        )
        if value is not None:
            check_meter_reading(session, row, catalogue, now=now)
        session.add(row)
        record(
            session,
            origin,
            now=now,
            verb="withdraw" if value is None else "correct",
            subject=f"meter_reading/{wrong.id}",
            before={"value": wrong.value},
            after={"value": value, "reading": row.id, "reason": reason},
        )
        return row


def _others(session: Session, row: MeterReadingRow) -> Sequence[MeterReadingRow]:
    """Return what else was read on the counter of a reading, in order of time."""
    return session.exec(
        select(MeterReadingRow)
        .where(MeterReadingRow.machine_id == row.machine_id)
        .where(MeterReadingRow.counter == row.counter, STANDING)
        .where(col(MeterReadingRow.id).not_in([row.id, row.corrects or ""]))
        .order_by(col(MeterReadingRow.taken_at))
    ).all()


def _first(rows: Sequence[MeterReadingRow]) -> MeterReading | None:
    return _reading(rows[0]) if rows else None


def _reading(row: MeterReadingRow) -> MeterReading:
    return MeterReading(counter=Counter(row.counter), value=row.value, taken_at=row.taken_at)
