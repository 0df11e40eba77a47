"""A machine stopped and made safe stands still until somebody, with a reason, puts it back."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.audit import Origin, announce, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.tables import MachineRow, SiteRow, StandstillRow
from scheduler.errors import Absent, Conflict
from scheduler.readings import Judgement


def stop_machine(
    session: Session,
    machine_id: str,
    visit_id: str,
    judgements: Sequence[Judgement],
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Take a machine out of service because of what was read, and tell its client.

    One that stands still already goes on to, for one more reason.
    """
    machine = session.get_one(MachineRow, machine_id)
    because = " ".join(each.because for each in judgements)
    row = session.exec(
        select(StandstillRow)
        .where(StandstillRow.machine_id == machine_id)
        .where(col(StandstillRow.ended_at).is_(None))
    ).first()
    if row is None:
        row = StandstillRow(
            id=new_id("ss"),
            machine_id=machine_id,
            visit_id=visit_id,
            began_at=now,
            because=because,
        )
        machine.out_of_service_since = now
    else:
        row.because += f" {because}"
    session.add_all([row, machine])
    subject = f"machine/{machine_id}"
    record(session, origin, now=now, verb="stop", subject=subject, after={"because": because})
    _announce(
        session,
        machine,
        row,
        topic="machine.stopped",
        set_points=sorted({each.reading.set_point for each in judgements}),
        now=now,
    )


def end_standstill(
    database: Database,
    standstill_id: str,
    reason: str,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> StandstillRow:
    """Put a machine back into service.

    Raises
    ------
    Absent, StaleVersion
        There is no such standstill, or it has changed since the caller read it.
    Conflict
        It has ended already.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = session.get(StandstillRow, standstill_id)
        if row is None:
            raise Absent("standstill", standstill_id)
        row.expect_version(if_version)
        if row.ended_at is not None:
            raise Conflict(f"standstill {standstill_id} ended at {row.ended_at:%Y-%m-%d %H:%M}Z")
        row.ended_at, row.ended_by, row.ended_because = now, origin.actor, reason
        machine = session.get_one(MachineRow, row.machine_id)
        machine.out_of_service_since = None
        session.add_all([row, machine])
        subject = f"machine/{machine.id}"
        after = {"standstill": row.id, "reason": reason}
        record(session, origin, now=now, verb="put back", subject=subject, after=after)
        _announce(session, machine, row, topic="machine.in_service", set_points=[], now=now)
        return row


def _announce(
    session: Session,
    machine: MachineRow,
    row: StandstillRow,
    *,
    topic: str,
    set_points: list[str],
    now: datetime,
) -> None:
    announce(
        session,
        now=now,
        topic=topic,
        client=session.get_one(SiteRow, machine.site_id).client_id,
        payload={
            "visit": row.visit_id,
            "site": machine.site_id,
            "machine": machine.id,
            "tag": machine.tag,
            "standstill": row.id,
            "began_at": row.began_at,
            "ended_at": row.ended_at,
            "set_points": set_points,
        },
    )
