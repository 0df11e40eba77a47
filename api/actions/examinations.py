"""Statutory examinations: recorded from their certificates, corrected, never overwritten."""

from datetime import date, datetime

from sqlmodel import Session, col, or_, select

from api.actions.company_fields import ExaminationFields
from api.actions.lay_out import technicians_coming_to
from api.actions.raise_due_work import LOOK_AHEAD, is_ours, while_covered
from api.actions.standstills import Stop, stop_machine
from api.actions.withdraw_work import drop_if_idle
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.due_work import open_task
from api.storage.examinations import STANDING, last_examinations, note_certified_until
from api.storage.ids import new_id
from api.storage.interval_decisions import interval_decisions
from api.storage.snapshots import (
    build_of,
    company_zone,
    contracts_by_id,
    machines_by_id,
    sites_by_id,
)
from api.storage.tables import (
    DueTaskRow,
    ExaminationRow,
    FittedPartRow,
    MachineRow,
    VisitRow,
)
from scheduler.catalogue import Authority, Catalogue
from scheduler.duty import stated_duty
from scheduler.errors import Absent, Conflict, InvalidInput, UnknownReference
from scheduler.upkeep import MachineUpkeep
from scheduler.working_time import local_date


def record_examination(
    database: Database,
    examined: ExaminationFields,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    corrects: str | None = None,
    reason: str = "",
) -> ExaminationRow:
    """Record an examination, or correct a record of one: from then on only the new one counts.

    Raises
    ------
    Absent
        There is no record to correct.
    Conflict
        It has been corrected already, or the same certificate is on record.
    InvalidInput
        The machine, part or rule is not there or do not go together, the rule is none of the law,
        or the dates cannot be.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        machines = {examined.machine_id}
        coming = technicians_coming_to(session, examined.machine_id)
        database.lock(session, technicians=coming)
        if corrects is not None:
            machines.add(_standing(session, corrects).machine_id)
        _check(session, examined, catalogue, today=local_date(now, company_zone(session)))
        _refuse_twice(session, examined, corrects)
        row = ExaminationRow(
            **examined.columns(),
            id=new_id("ex"),
            recorded_by=origin.actor,
            recorded_at=now,
            corrects=corrects,
            reason=reason,
        )
        session.add(row)
        today = local_date(now, company_zone(session))
        note_certified_until(session, catalogue, machines, on=today)
        visits = _end_tasks(session, row)
        for machine in sorted(machines):
            raise_next(session, machine, row.rule, row.fitted_part_id, catalogue, today=today)
        if row.id in _refused(session, row.machine_id, on=today):
            _stop(session, row, catalogue, now=now, origin=origin)
        for visit in visits:
            drop_if_idle(session, visit, catalogue, now=now, origin=origin)
        verb = "record" if corrects is None else "correct"
        _note(session, row, verb, now=now, origin=origin)
        return row


def withdraw_examination(
    database: Database,
    examination_id: str,
    reason: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> ExaminationRow:
    """Say that a record was a mistake altogether; what stood before it counts again.

    Raises
    ------
    Absent, Conflict
        As for :func:`record_examination`.
    """
    with database.write() as session:
        wrong = _standing(session, examination_id)
        row = ExaminationRow(
            **{
                **wrong.model_dump(),
                "id": new_id("ex"),
                "recorded_by": origin.actor,
                "recorded_at": now,
                "corrects": wrong.id,
                "withdrawn": True,
                "reason": reason,
            }
        )
        session.add(row)
        today = local_date(now, company_zone(session))
        note_certified_until(session, catalogue, {row.machine_id}, on=today)
        raise_next(session, row.machine_id, row.rule, row.fitted_part_id, catalogue, today=today)
        _note(session, row, "withdraw", now=now, origin=origin)
        return row


def _standing(session: Session, examination_id: str) -> ExaminationRow:
    row = session.get(ExaminationRow, examination_id)
    if row is None:
        raise Absent("examination", examination_id)
    later = session.exec(
        select(ExaminationRow).where(ExaminationRow.corrects == examination_id)
    ).first()
    if later is not None or row.withdrawn:
        by = f": look at {later.id}" if later is not None else ""
        raise Conflict(f"examination {examination_id} does not stand any more{by}")
    return row


def _check(
    session: Session, examined: ExaminationFields, catalogue: Catalogue, *, today: date
) -> None:
    laws = [each.id for each in catalogue.rules.values() if each.authority is Authority.STATUTE]
    if examined.rule not in laws:
        raise UnknownReference("rule of the law", examined.rule, laws)
    rule = catalogue.rules[examined.rule]
    machine = session.get(MachineRow, examined.machine_id)
    if machine is None:
        raise InvalidInput(f"machine_id names no machine: got {examined.machine_id!r}")
    if not build_of(machine).suits(rule.applies_to):
        raise InvalidInput(f"{rule.name} is not asked for on machines built like {machine.id}")
    part = session.get(FittedPartRow, examined.fitted_part_id or "")
    if (rule.part_type is None) != (examined.fitted_part_id is None) or (
        part is not None and (part.machine_id, part.part_type) != (machine.id, rule.part_type)
    ):
        wanted = "none" if rule.part_type is None else f"a {rule.part_type} of machine {machine.id}"
        raise InvalidInput(f"fitted_part_id must be {wanted}, got {examined.fitted_part_id!r}")
    if part is None and examined.fitted_part_id is not None:
        raise InvalidInput(f"fitted_part_id names no part: got {examined.fitted_part_id!r}")
    if examined.examined_on > today:
        raise InvalidInput(f"examined_on must not lie ahead, got {examined.examined_on}")


def _refuse_twice(session: Session, examined: ExaminationFields, corrects: str | None) -> None:
    same = session.exec(
        select(ExaminationRow).where(
            ExaminationRow.machine_id == examined.machine_id,
            ExaminationRow.rule == examined.rule,
            ExaminationRow.certificate == examined.certificate,
            ExaminationRow.fitted_part_id == examined.fitted_part_id,
            STANDING,
        )
    ).first()
    if same is not None and same.id != corrects:
        raise Conflict(
            f"certificate {examined.certificate} is on record as examination {same.id}: "
            "correct that one"
        )


def raise_next(
    session: Session,
    machine_id: str,
    rule: str,
    fitted_part: str | None,
    catalogue: Catalogue,
    *,
    today: date,
) -> None:
    """Open the examination that is next by the records as they stand, if it is near and ours.

    At once and not at night: one that was not passed leaves no gap in which nothing is due.
    """
    session.flush()
    laws = [catalogue.rules[rule]] if rule in catalogue.rules else []
    machine = machines_by_id(session, [machine_id], on=today, rules=laws).get(machine_id)
    if machine is None:
        return
    site = sites_by_id(session, [machine.site], from_day=today)[machine.site]
    contract = contracts_by_id(session, [site.contract], from_day=today)[site.contract]
    duty = stated_duty(machine, catalogue, hardness_dh=site.hardness_dh)
    upkeep = MachineUpkeep(machine, catalogue, duty, interval_decisions(session))
    tasks = [
        task
        for task, _ in upkeep.statutory_tasks()
        if (task.rule, task.fitted_part) == (rule, fitted_part)
        and task.earliest < today + LOOK_AHEAD
        and is_ours(catalogue.rules[rule], contract)
    ]
    for task in while_covered(tasks, contract, today):
        open_task(session, task)


def _refused(session: Session, machine: str, *, on: date) -> list[str]:
    """Return the ids of the examinations that forbid the use of a machine."""
    last = last_examinations(session, [machine], on=on)
    return [each.id for each in last if each.result == "failed"]


def _stop(
    session: Session, row: ExaminationRow, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    rule = catalogue.rules[row.rule]
    because = (
        f"{rule.name} of {row.examined_on} was not passed (certificate {row.certificate}): switch "
        "off and make safe; not to be used before it is passed."
    )
    if row.findings:
        because += f" Findings: {row.findings}"
    stop = Stop(because=because, examination=row.id)
    stop_machine(session, row.machine_id, stop, catalogue, now=now, origin=origin)


def _end_tasks(session: Session, row: ExaminationRow) -> list[str]:
    """End what an examination was due for, and return the visits that may be idle now.

    A visit that has its time is left to its report.
    """
    booked = select(VisitRow.id).where(VisitRow.state == "booked")
    tasks = session.exec(
        select(DueTaskRow)
        .where(DueTaskRow.machine_id == row.machine_id, DueTaskRow.rule == row.rule)
        .where(DueTaskRow.fitted_part_id == row.fitted_part_id, DueTaskRow.state == "open")
        .where(DueTaskRow.anchor <= row.examined_on)
        .where(or_(col(DueTaskRow.visit_id).is_(None), col(DueTaskRow.visit_id).not_in(booked)))
    ).all()
    visits = sorted({task.visit_id for task in tasks if task.visit_id is not None})
    for task in tasks:
        task.state, task.visit_id = "done", None
        session.add(task)
    return visits


def _note(
    session: Session, row: ExaminationRow, verb: str, *, now: datetime, origin: Origin
) -> None:
    record(
        session,
        origin,
        now=now,
        verb=verb,
        subject=f"examination/{row.id}",
        after={
            "machine": row.machine_id,
            "rule": row.rule,
            "certificate": row.certificate,
            "valid_until": None if row.valid_until is None else str(row.valid_until),
            "corrects": row.corrects,
        },
    )
