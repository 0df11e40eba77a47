"""Which appointments a transaction has touched, so that only these are written into calendars anew.

Noted at every flush, by whatever action: an appointment somebody forgot to name would stand wrong
in a calendar until the next morning.
"""

from collections.abc import Collection
from typing import Any

from sqlalchemy import event
from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, HandOverRow, VisitRow

_APPOINTMENTS, _VISITS = "touched appointments", "touched visits"


def watch(session: Session) -> None:
    """Note from now on what a session changes of appointments and of the visits they are for."""
    session.info[_APPOINTMENTS], session.info[_VISITS] = set(), set()
    event.listen(session, "after_flush", _note)


def touched_appointments(session: Session) -> Collection[str]:
    """Return the ids of the appointments in which something has changed since it was watched.

    Rows changed by a bare UPDATE, without loading them, are not noticed.
    """
    session.flush()
    appointments: set[str] = session.info[_APPOINTMENTS]
    visits: set[str] = session.info[_VISITS]
    of_visits = select(AppointmentRow.id).where(col(AppointmentRow.visit_id).in_(visits))
    return appointments | (set(session.exec(of_visits)) if visits else set())


def _note(session: Session, _context: Any) -> None:
    for row in (*session.new, *session.dirty):
        match row:
            case AppointmentRow():
                session.info[_APPOINTMENTS].add(row.id)
            case HandOverRow():
                session.info[_APPOINTMENTS].add(row.appointment_id)
            case VisitRow():
                session.info[_VISITS].add(row.id)
