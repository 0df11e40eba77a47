"""A machine stopped and made safe stands still until somebody answers for putting it back.

What stopped it says what lets it run again: a value read beyond its limit has to be read again
within its range, an examination that was not passed has to be passed. Where nothing can be read, a
competent person answers for it by name, and the office writes that down.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session, col, select

from api.actions.calendars import refresh_calendars
from api.actions.lay_out import lay_out_anew, technicians_coming_to
from api.storage.audit import Origin, announce, record
from api.storage.database import Database
from api.storage.examinations import last_examinations
from api.storage.ids import new_id
from api.storage.measurements import measurement_row
from api.storage.snapshots import build_of
from api.storage.tables import MachineRow, MeasurementRow, SiteRow, StandstillRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, Conflict, InvalidInput
from scheduler.plausibility import check_possible
from scheduler.readings import Judgement, Reading, Stage, Verdict, judge
from scheduler.working_time import local_date


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Why a machine is stopped: values read at a visit, or an examination that was not passed."""

    because: str
    set_points: tuple[str, ...] = ()
    visit: str | None = None
    examination: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeReading:
    """A value as read, at the machine, before it is put back."""

    set_point: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PutBack:
    """What lets a machine run again.

    ``reason`` says what was done and checked; ``competent_person`` is whoever answers for it where
    nothing was read.
    """

    reason: str
    readings: tuple[SafeReading, ...] = ()
    competent_person: str = ""


def stop_machine(
    session: Session,
    machine_id: str,
    stop: Stop,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Take a machine out of service, tell its client, and lay out anew what is booked on it.

    One that stands still already goes on to, for one more reason. The caller has locked the
    technicians who have a visit to its site before them.
    """
    machine = session.get_one(MachineRow, machine_id)
    row = session.exec(
        select(StandstillRow)
        .where(StandstillRow.machine_id == machine_id)
        .where(col(StandstillRow.ended_at).is_(None))
    ).first()
    if row is None:
        row = StandstillRow(
            id=new_id("ss"),
            machine_id=machine_id,
            visit_id=stop.visit,
            began_at=now,
            because=stop.because,
        )
        machine.out_of_service_since = now
    else:
        row.because += f" {stop.because}"
    row.set_points = sorted({*row.set_points, *stop.set_points})
    row.examination_id = stop.examination or row.examination_id
    session.add_all([row, machine])
    subject = f"machine/{machine_id}"
    after = {"because": stop.because}
    record(session, origin, now=now, verb="stop", subject=subject, after=after)
    _renew_worksheets(session, machine, catalogue, now=now)
    _announce(session, machine, row, "machine.stopped", sorted({*stop.set_points}), now=now)


def end_standstill(
    database: Database,
    standstill_id: str,
    back: PutBack,
    catalogue: Catalogue,
    *,
    if_version: int,
    by_office: bool,
    now: datetime,
    origin: Origin,
) -> StandstillRow:
    """Put a machine back into service.

    Raises
    ------
    Absent, StaleVersion
        There is no such standstill, or it has changed since the caller read it.
    Conflict
        It has ended already, or the examination that stopped it has not been passed since.
    InvalidInput
        Something that stopped it was not read again within its range and no competent person
        answers for it, somebody else than the office names one, or a reading cannot be.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        known = session.get(StandstillRow, standstill_id)
        if known is None:
            raise Absent("standstill", standstill_id)
        database.lock(session, technicians=technicians_coming_to(session, known.machine_id))
        row = session.get_one(StandstillRow, standstill_id)
        row.expect_version(if_version)
        if row.ended_at is not None:
            raise Conflict(f"standstill {standstill_id} ended at {row.ended_at:%Y-%m-%d %H:%M}Z")
        if back.competent_person and not by_office:
            raise InvalidInput("competent_person is for the office to write down: ask it to")
        machine = session.get_one(MachineRow, row.machine_id)
        zone = session.get_one(SiteRow, machine.site_id).zone
        _expect_passed(session, row, on=local_date(now, zone))
        _keep(session, machine, back.readings, catalogue, zone, now)
        _expect_safe(session, row, back, catalogue)
        row.ended_at, row.ended_by, row.ended_because = now, origin.actor, back.reason
        row.ended_for = back.competent_person
        machine.out_of_service_since = None
        session.add_all([row, machine])
        subject = f"machine/{machine.id}"
        after = {
            "standstill": row.id,
            "reason": back.reason,
            "competent_person": back.competent_person,
        }
        record(session, origin, now=now, verb="put back", subject=subject, after=after)
        _renew_worksheets(session, machine, catalogue, now=now)
        _announce(session, machine, row, "machine.in_service", [], now=now)
        return row


def _expect_passed(session: Session, row: StandstillRow, *, on: date) -> None:
    """Let nobody put back what the law forbids: an examination is passed, or its record wrong."""
    for last in last_examinations(session, [row.machine_id], on=on):
        if last.result == "failed":
            raise Conflict(
                f"the examination of {last.examined_on} ({last.rule}, certificate "
                f"{last.certificate}) was not passed: record one that is with POST "
                "/v1/examinations, or correct the record, before the machine is put back"
            )


def _keep(
    session: Session,
    machine: MachineRow,
    readings: Sequence[SafeReading],
    catalogue: Catalogue,
    zone: str,
    now: datetime,
) -> None:
    """Judge and keep the values read before the machine is put back.

    Raises
    ------
    InvalidInput
        A value is there twice, cannot be, or is one at which the machine has to stand still.
    Conflict
        The same value was noted in the same second, by the report of a visit for instance.
    """
    for number, each in enumerate(readings):
        try:
            judgement = _judged(machine, each, catalogue, zone, now)
            if each.set_point in [other.set_point for other in readings[:number]]:
                raise InvalidInput(f"{each.set_point} is there twice")
            if judgement.verdict is Verdict.STOP_AND_MAKE_SAFE:
                raise InvalidInput(f"{judgement.because} It stays out of service.")
        except InvalidInput as refusal:
            raise InvalidInput(f"readings[{number}]: {refusal}") from refusal
        reading = judgement.reading
        if session.exec(
            select(MeasurementRow.id)
            .where(MeasurementRow.machine_id == machine.id)
            .where(MeasurementRow.set_point == reading.set_point)
            .where(MeasurementRow.stage == str(reading.stage))
            .where(MeasurementRow.taken_at == now)
        ).first():
            raise Conflict(
                f"readings[{number}]: {each.set_point} was read on this machine in this very "
                "second: send it again in the next"
            )
        session.add(measurement_row(judgement, machine.id, visit=None, now=now))
    session.flush()


def _judged(
    machine: MachineRow, read: SafeReading, catalogue: Catalogue, zone: str, now: datetime
) -> Judgement:
    point = catalogue.set_points.get(read.set_point)
    if point is None or not build_of(machine).suits(point.applies_to):
        raise InvalidInput(f"{read.set_point!r} is not read on a machine built like {machine.id}")
    reading = Reading(
        set_point=point.id,
        value=read.value,
        unit=read.unit,
        stage=Stage.AS_LEFT,
        taken_on=local_date(now, zone),
    )
    judgement = judge(reading, point)
    check_possible(judgement.reading.value, point)
    return judgement


def _expect_safe(session: Session, row: StandstillRow, back: PutBack, catalogue: Catalogue) -> None:
    """Ask for everything that stopped the machine, read again since and within its range.

    A value on the other side of the range is no answer: a boiler that is cold holds no pressure.
    """
    if back.competent_person:
        return
    last: dict[str, MeasurementRow] = {}
    for read in session.exec(
        select(MeasurementRow)
        .where(MeasurementRow.machine_id == row.machine_id, MeasurementRow.stage == Stage.AS_LEFT)
        .where(MeasurementRow.taken_at > row.began_at)
        .order_by(col(MeasurementRow.taken_at))
    ):
        last[read.set_point] = read
    missing = [
        _wanted(name, last.get(name), catalogue)
        for name in row.set_points
        if name not in last or last[name].verdict != Verdict.OK
    ]
    nothing_to_read = not row.set_points and row.examination_id is None
    if missing or nothing_to_read:
        raise InvalidInput(
            f"machine {row.machine_id} stays out of service until "
            + (f"{' and '.join(missing)}: give it in readings, or " if missing else "")
            + "a competent person answers for it: the office names them in competent_person"
        )


def _wanted(set_point: str, last: MeasurementRow | None, catalogue: Catalogue) -> str:
    """Say what has to be read, within which range, and what was read instead."""
    read = "not read again yet" if last is None else f"it read {last.value:g} {last.unit}"
    known = catalogue.set_points.get(set_point)
    if known is None:
        return f"{set_point} is read within its range ({read})"
    span = f"{known.low:g} to {known.high:g} {known.unit}"
    return f"{known.name} ({set_point}) is read within {span} ({read})"


def _renew_worksheets(
    session: Session, machine: MachineRow, catalogue: Catalogue, *, now: datetime
) -> None:
    """Let whoever is booked know: what is stopped is neither run nor worked on live."""
    changed = lay_out_anew(session, catalogue, sites=[machine.site_id], now=now)
    for _, appointment in changed:
        appointment.sequence += 1
        appointment.revised_at = now
        session.add(appointment)
    people = [appointment.technician_id for _, appointment in changed]
    if people:
        refresh_calendars(session, people, catalogue, now=now)


def _announce(
    session: Session,
    machine: MachineRow,
    row: StandstillRow,
    topic: str,
    set_points: list[str],
    *,
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
