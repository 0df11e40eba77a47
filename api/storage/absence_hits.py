"""Which published appointments an absence would hit."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, SiteRow, VisitRow
from scheduler.intervals import Interval
from scheduler.lifecycle import LIVE, AppointmentState


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """An appointment that lies in an absence; a promised one has to be talked about."""

    appointment: str
    site: str
    starts_at: datetime
    ends_at: datetime
    promised: bool


def appointments_hit(
    session: Session, technician: str, spans: Iterable[Interval[datetime]]
) -> tuple[Hit, ...]:
    """Return a technician's live appointments that touch any of some spans, in order of time."""
    spans = tuple(spans)
    if not spans:
        return ()
    rows = session.exec(
        select(AppointmentRow, SiteRow.name)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .where(AppointmentRow.technician_id == technician)
        .where(col(AppointmentRow.state).in_(LIVE))
        .where(AppointmentRow.ends_at > min(span.start for span in spans))
        .where(AppointmentRow.starts_at < max(span.end for span in spans))
        .order_by(col(AppointmentRow.starts_at))
    )
    return tuple(
        Hit(
            appointment=row.id,
            site=site,
            starts_at=row.starts_at,
            ends_at=row.ends_at,
            promised=row.state == AppointmentState.PROMISED,
        )
        for row, site in rows
        if any(row.starts_at < span.end and span.start < row.ends_at for span in spans)
    )
