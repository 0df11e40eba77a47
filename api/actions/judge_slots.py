"""What a time chosen by hand breaks, as things stand."""

from datetime import datetime
from zoneinfo import ZoneInfo

from sqlmodel import Session

from api.actions.offering import ask
from api.storage.snapshots import company_zone
from api.storage.tables import AppointmentRow, SiteRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.hand_moves import Breach, Broken, what_breaks
from scheduler.lifecycle import AppointmentState
from scheduler.routing.remedies import Words
from scheduler.working_time import local_date


def promised_time(session: Session, appointment_id: str) -> datetime | None:
    """Return the start a client was promised; None when no client was."""
    row = session.get(AppointmentRow, appointment_id)
    return row.starts_at if row and row.state == AppointmentState.PROMISED else None


def judge_slot(
    session: Session,
    row: AppointmentRow,
    catalogue: Catalogue,
    *,
    promised: datetime | None = None,
) -> tuple[Broken, ...]:
    """Return what an appointment breaks where it stands, beside everything else in the calendar.

    ``promised`` is the start its client was promised before it was put there.
    """
    visit = session.get_one(VisitRow, row.visit_id)
    broken: tuple[Broken, ...] = ()
    if promised is not None and promised != row.starts_at:
        local = promised.astimezone(ZoneInfo(session.get_one(SiteRow, visit.site_id).zone))
        detail = (
            f"The client was promised {local:%Y-%m-%d %H:%M}: agree on the new time with them, "
            "then promise it."
        )
        broken = (Broken(breach=Breach.PROMISE, detail=detail),)
    day = local_date(row.starts_at, company_zone(session))
    calls = row.call_minutes is not None
    asked = ask(
        session,
        visit,
        now=row.revised_at,
        technicians=(row.technician_id,),
        day=day,
        over_workshop=calls,
    )
    return broken + what_breaks(
        asked.question,
        asked.minute(row.starts_at),
        day=local_date(row.starts_at, session.get_one(SiteRow, visit.site_id).zone),
        last_day=visit.hard_latest,
        calls=calls,
        words=Words(parts=catalogue.part_names),
    )
