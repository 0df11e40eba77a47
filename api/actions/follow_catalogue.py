"""Brings the work at hand up to date with a catalogue that has been edited."""

from collections.abc import Mapping
from datetime import datetime

from sqlmodel import Session, col, select

from api.actions.calendars import refresh_calendars
from api.actions.raise_due_work import raise_due_work
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.due_work import task_of
from api.storage.open_work import MOVABLE
from api.storage.snapshots import company_zone, machines_by_id
from api.storage.tables import AppointmentRow, DueTaskRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.machines import Machine
from scheduler.working_time import local_date
from scheduler.worksheet import build_worksheet


def follow_catalogue(
    database: Database, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    """Raise due work anew, and lay out again the work of visits that have their time already.

    Such a visit keeps its time and its technician; the order of work, its cautions and its parts
    are the new ones, in the calendars too. One that is under way is left to its report.
    """
    raise_due_work(database, catalogue, now=now, origin=origin)
    with database.write() as session:
        database.lock_calendar(session)
        booked = session.exec(
            select(VisitRow, AppointmentRow)
            .join(AppointmentRow, col(AppointmentRow.visit_id) == col(VisitRow.id))
            .where(VisitRow.kind != "callback", col(AppointmentRow.state).in_(MOVABLE))
            .order_by(col(VisitRow.id))
        ).all()
        today = local_date(now, company_zone(session))
        fleet = machines_by_id(session, on=today, sites={visit.site_id for visit, _ in booked})
        changed = [
            (visit, appointment)
            for visit, appointment in booked
            if _lay_out(session, visit, fleet, catalogue)
        ]
        people = [appointment.technician_id for _, appointment in changed]
        sites = [visit.site_id for visit, _ in changed]
        refresh_calendars(session, people, catalogue, sites=sites, whole=True, now=now)
        after = {"visits": len(changed)}
        record(session, origin, now=now, verb="lay out anew", subject="due_work", after=after)


def _lay_out(
    session: Session, visit: VisitRow, fleet: Mapping[str, Machine], catalogue: Catalogue
) -> bool:
    """Write the worksheet of a visit anew; return whether it has changed."""
    rows = session.exec(
        select(DueTaskRow).where(DueTaskRow.visit_id == visit.id, DueTaskRow.state == "open")
    ).all()
    tasks = [task_of(row) for row in rows]
    machines = {task.machine for task in tasks}
    if not tasks or not machines <= fleet.keys():
        return False  # retired: whoever retired it decides
    if any(task.rule not in catalogue.rules for task in tasks):
        return False  # the files have it no longer
    sheet = build_worksheet(tasks, [fleet[machine] for machine in sorted(machines)], catalogue)
    document = worksheet_to_json(sheet)
    if document == visit.worksheet:
        return False
    visit.worksheet, visit.parts = document, dict(sheet.parts)
    session.add(visit)
    return True
