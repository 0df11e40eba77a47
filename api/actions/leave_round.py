"""An appointment leaves its place in a round: what becomes of its call at the workshop."""

from datetime import datetime

from sqlmodel import Session, col, select

from api.actions.plan_changes import Slot
from api.storage.open_work import MOVABLE
from api.storage.tables import AppointmentRow, TechnicianRow
from scheduler.working_time import local_date


def leave_round(session: Session, row: AppointmentRow, slot: Slot | None, *, now: datetime) -> None:
    """Hand the call at the workshop, and what is fetched there, on to the next of the round.

    Where nothing comes after it that day the call is gone: the next plan sees what is lacking then.
    What was to be fetched for the visit itself is not any more, unless its technician keeps it.

    Parameters
    ----------
    slot : where the appointment goes; None when it is called off. It is not there yet.
    """
    zone = session.get_one(TechnicianRow, row.technician_id).zone
    day = local_date(row.starts_at, zone)
    keeps = slot is not None and slot.technician == row.technician_id
    ahead = session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.technician_id == row.technician_id, AppointmentRow.id != row.id)
        .where(col(AppointmentRow.state).in_(MOVABLE), AppointmentRow.starts_at >= now)
        .order_by(col(AppointmentRow.starts_at))
    ).all()
    of_round = [each for each in ahead if local_date(each.starts_at, zone) == day]
    later = next((each for each in of_round if each.starts_at > row.starts_at), None)
    calls = row.call_minutes is not None or bool(row.fetch)
    stays = keeps and slot is not None and local_date(slot.starts_at, zone) == day
    if calls and not (stays and later is None):
        if later is not None:
            if later.call_minutes is None:
                later.call_minutes = row.call_minutes
            later.fetch = {**row.fetch, **later.fetch}
            later.revised_at = now
            session.add(later)
        row.call_minutes, row.fetch = None, {}
    if not keeps:
        for each in ahead:
            if row.visit_id in each.fetch:
                each.fetch = {v: parts for v, parts in each.fetch.items() if v != row.visit_id}
                each.revised_at = now
                session.add(each)
