"""Lays out the work of booked visits anew: the catalogue has changed, or a machine was stopped.

A visit keeps its time and its technician; the order of work, its cautions and its parts are the new
ones. One that is under way is left to its report.
"""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.documents import finding_from_json, worksheet_to_json
from api.storage.due_work import task_of
from api.storage.open_work import MOVABLE
from api.storage.snapshots import company_zone, machines_by_id
from api.storage.standing import callbacks_of
from api.storage.tables import AppointmentRow, DueTaskRow, MachineRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.machines import Machine
from scheduler.triage import callback_worksheet
from scheduler.working_time import local_date
from scheduler.worksheet import Worksheet, build_worksheet


def technicians_coming(session: Session, site: str) -> Sequence[str]:
    """Return the technicians who have a visit to a site before them."""
    return session.exec(
        select(AppointmentRow.technician_id)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .where(VisitRow.site_id == site, col(AppointmentRow.state).in_(MOVABLE))
        .distinct()
        .order_by(col(AppointmentRow.technician_id))
    ).all()


def technicians_coming_to(session: Session, machine: str) -> Sequence[str]:
    """Return the technicians who have a visit to a machine's site before them."""
    row = session.get(MachineRow, machine)
    return () if row is None else technicians_coming(session, row.site_id)


def lay_out_anew(
    session: Session, catalogue: Catalogue, *, sites: Collection[str] | None = None, now: datetime
) -> list[tuple[VisitRow, AppointmentRow]]:
    """Write the worksheets of booked visits anew, at all sites when None; return those changed.

    A callback keeps what triage found. The caller has locked the technicians who go there, and
    writes their calendars.
    """
    session.flush()
    statement = (
        select(VisitRow, AppointmentRow)
        .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
        .where(col(AppointmentRow.state).in_(MOVABLE))
        .order_by(col(VisitRow.id))
    )
    if sites is not None:
        statement = statement.where(col(VisitRow.site_id).in_(sites))
    booked = session.exec(statement).all()
    today = local_date(now, company_zone(session))
    fleet = machines_by_id(session, on=today, sites={visit.site_id for visit, _ in booked})
    return [each for each in booked if _lay_out(session, each[0], fleet, catalogue)]


def _lay_out(
    session: Session, visit: VisitRow, fleet: dict[str, Machine], catalogue: Catalogue
) -> bool:
    """Write the worksheet of a visit anew; return whether it has changed."""
    sheet = (_of_callback if visit.kind == "callback" else _of_tasks)(
        session, visit, fleet, catalogue
    )
    if sheet is None or (document := worksheet_to_json(sheet)) == visit.worksheet:
        return False
    visit.worksheet, visit.parts = document, dict(sheet.parts)
    session.add(visit)
    return True


def _of_callback(
    session: Session, visit: VisitRow, fleet: dict[str, Machine], catalogue: Catalogue
) -> Worksheet | None:
    callbacks = [each for each in callbacks_of(session, visit.id) if each.state == "open"]
    if len(callbacks) != 1 or callbacks[0].machine_id not in fleet:
        return None  # nobody waits, or it is retired: whoever retired it decides
    finding = finding_from_json(callbacks[0].finding)
    if not set(finding.cautions) <= catalogue.cautions.keys():
        return None  # the files have them no longer
    machine = fleet[callbacks[0].machine_id]
    return callback_worksheet(finding, machine, catalogue, callbacks[0].id)


def _of_tasks(
    session: Session, visit: VisitRow, fleet: dict[str, Machine], catalogue: Catalogue
) -> Worksheet | None:
    rows = session.exec(
        select(DueTaskRow).where(DueTaskRow.visit_id == visit.id, DueTaskRow.state == "open")
    ).all()
    tasks = [task_of(row) for row in rows]
    machines = {task.machine for task in tasks}
    if not tasks or not machines <= fleet.keys():
        return None  # retired: whoever retired it decides
    if any(task.rule not in catalogue.rules for task in tasks):
        return None  # the files have it no longer
    return build_worksheet(tasks, [fleet[machine] for machine in sorted(machines)], catalogue)
