"""Work that nobody needs any more: a callback is withdrawn, a machine is retired."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.actions.appointments import enter_state
from api.actions.take_callback import announce_callback
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.open_work import bump_revision
from api.storage.scope import Scope, one
from api.storage.snapshots import company_zone
from api.storage.standing import live_appointment
from api.storage.tables import CallbackRow, DueTaskRow, MachineRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Conflict
from scheduler.lifecycle import AppointmentState
from scheduler.working_time import local_date


def cancel_callback(
    database: Database,
    callback_id: str,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    scope: Scope,
    if_version: int | None = None,
) -> CallbackRow:
    """Withdraw a callback: its visit is dropped, its appointment cancelled.

    Raises
    ------
    Absent
        There is no such callback in the scope.
    StaleVersion
        ``if_version`` is given and no longer current.
    Conflict
        The callback is done or cancelled already, or somebody is at it.
    """
    now = now.replace(microsecond=0)
    with database.write() as session:
        row = one(session, CallbackRow, callback_id, scope)
        _lock(database, session, [row.visit_id])
        row.expect_version(if_version)
        if row.state != "open":
            raise Conflict(f"callback {row.id} is {row.state}, not open")
        if _is_under_way(session, row.visit_id):
            raise Conflict(f"somebody is at callback {row.id}: report the visit instead")
        _withdraw(session, row, catalogue, now=now, origin=origin)
        return row


def drop_work_of_retired(
    database: Database,
    session: Session,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Drop what is still to be done on machines retired by today, callbacks included.

    A visit of which nothing is left is dropped, its appointment cancelled. Where somebody is at
    work, their report decides.
    """
    today = local_date(now, company_zone(session))
    retired = select(MachineRow.id).where(col(MachineRow.retired_on) <= today)
    tasks = session.exec(
        select(DueTaskRow)
        .where(DueTaskRow.state == "open", col(DueTaskRow.machine_id).in_(retired))
        .order_by(col(DueTaskRow.id))
    ).all()
    callbacks = session.exec(
        select(CallbackRow)
        .where(CallbackRow.state == "open", col(CallbackRow.machine_id).in_(retired))
        .order_by(col(CallbackRow.id))
    ).all()
    if not tasks and not callbacks:
        return
    concerned = {task.visit_id for task in tasks} | {callback.visit_id for callback in callbacks}
    visits = sorted(visit for visit in concerned if visit is not None)
    _lock(database, session, visits)
    at_work = {visit for visit in visits if _is_under_way(session, visit)}
    for callback in callbacks:
        if callback.visit_id not in at_work:
            _withdraw(session, callback, catalogue, now=now, origin=origin)
    for task in tasks:
        if task.visit_id not in at_work:
            task.state, task.visit_id = "dropped", None
            session.add(task)
    session.flush()
    for visit in visits:
        if visit not in at_work and not _has_work(session, visit):
            _drop_visit(session, visit, catalogue, now=now, origin=origin)


def drop_if_idle(
    session: Session, visit_id: str, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    """Drop a visit that has no time yet if nothing is left to be done at it."""
    visit = session.get_one(VisitRow, visit_id)
    session.flush()
    if visit.state == "open" and not _has_work(session, visit_id):
        _drop_visit(session, visit_id, catalogue, now=now, origin=origin)


def _withdraw(
    session: Session, row: CallbackRow, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    row.state = "cancelled"
    session.add(row)
    if row.visit_id is not None:
        _drop_visit(session, row.visit_id, catalogue, now=now, origin=origin)
    announce_callback(session, row, topic="callback.cancelled", now=now)
    record(session, origin, now=now, verb="cancel", subject=f"callback/{row.id}")


def _drop_visit(
    session: Session, visit_id: str, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    """Drop a visit at which nobody is, and cancel its appointment if it has one."""
    visit = session.get_one(VisitRow, visit_id)
    if visit.state not in ("open", "booked"):
        return
    visit.state = "dropped"
    session.add(visit)
    standing = live_appointment(session, visit_id)
    if standing is None:
        bump_revision(session, now)
    else:
        enter_state(
            session, standing, visit, AppointmentState.CANCELLED, catalogue, now=now, origin=origin
        )


def _lock(database: Database, session: Session, visits: Sequence[str | None]) -> None:
    """Keep everybody away from the time of whoever goes to some visits."""
    technicians = {
        row.technician_id
        for visit in visits
        if (row := live_appointment(session, visit)) is not None
    }
    database.lock(session, technicians=technicians)


def _is_under_way(session: Session, visit: str | None) -> bool:
    standing = live_appointment(session, visit)
    return standing is not None and standing.state == AppointmentState.UNDER_WAY


def _has_work(session: Session, visit: str) -> bool:
    """Whether a visit still answers a callback or has a task to be done."""
    waiting = (
        select(DueTaskRow.id).where(DueTaskRow.visit_id == visit, DueTaskRow.state == "open"),
        select(CallbackRow.id).where(CallbackRow.visit_id == visit, CallbackRow.state == "open"),
    )
    return any(session.exec(statement).first() is not None for statement in waiting)
