"""What a time chosen by hand breaks, as things stand."""

from sqlmodel import Session

from api.actions.offering import ask
from api.storage.snapshots import company_zone
from api.storage.tables import AppointmentRow, SiteRow, VisitRow
from scheduler.hand_moves import Broken, what_breaks
from scheduler.working_time import local_date


def judge_slot(session: Session, row: AppointmentRow) -> tuple[Broken, ...]:
    """Return what an appointment breaks where it stands, beside everything else in the calendar."""
    visit = session.get_one(VisitRow, row.visit_id)
    day = local_date(row.starts_at, company_zone(session))
    asked = ask(session, visit, now=row.revised_at, technicians=(row.technician_id,), day=day)
    return what_breaks(
        asked.question,
        asked.minute(row.starts_at),
        day=local_date(row.starts_at, session.get_one(SiteRow, visit.site_id).zone),
        last_day=visit.hard_latest,
    )
