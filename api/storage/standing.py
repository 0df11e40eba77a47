"""Which appointment a visit has at present, and whether it comes in time."""

from sqlmodel import Session, col, select

from api.storage.open_work import LIVE
from api.storage.tables import AppointmentRow, CallbackRow


def live_appointment(session: Session, visit: str | None) -> AppointmentRow | None:
    """Return the appointment a visit has: to come, or under way."""
    return session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.visit_id == visit)
        .where(col(AppointmentRow.state).in_(LIVE))
    ).first()


def late_appointment(session: Session, callback: CallbackRow) -> AppointmentRow | None:
    """Return the appointment of a callback if it begins after the answer is due."""
    live = live_appointment(session, callback.visit_id)
    if live is None or callback.respond_by is None or live.starts_at <= callback.respond_by:
        return None
    return live
