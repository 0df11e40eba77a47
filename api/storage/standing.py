"""Which appointment a visit has at present, whether it comes in time, and which were forgotten."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import ColumnElement, and_
from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, CallbackRow
from scheduler.lifecycle import LIVE

REPORTED_WITHIN: Final = timedelta(hours=12)
"""How long after an appointment its report may come: until the night."""


def unreported(now: datetime) -> ColumnElement[bool]:
    """Return the condition that an appointment is long over and was never reported."""
    return and_(
        col(AppointmentRow.state).in_(LIVE), col(AppointmentRow.ends_at) <= now - REPORTED_WITHIN
    )


def live_appointment(session: Session, visit: str | None) -> AppointmentRow | None:
    """Return the appointment a visit has: to come, or under way."""
    return session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.visit_id == visit)
        .where(col(AppointmentRow.state).in_(LIVE))
    ).first()


def callbacks_of(session: Session, visit: str) -> Sequence[CallbackRow]:
    """Return the callbacks a visit answers, the oldest first."""
    return session.exec(
        select(CallbackRow)
        .where(CallbackRow.visit_id == visit)
        .order_by(col(CallbackRow.reported_at), col(CallbackRow.id))
    ).all()


def late_appointment(session: Session, callback: CallbackRow) -> AppointmentRow | None:
    """Return the appointment of a callback if it begins after the answer is due."""
    live = live_appointment(session, callback.visit_id)
    if live is None or callback.respond_by is None or live.starts_at <= callback.respond_by:
        return None
    return live
