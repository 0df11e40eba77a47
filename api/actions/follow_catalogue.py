"""Brings the work at hand up to date with a catalogue that has been edited."""

from datetime import datetime

from api.actions.calendars import refresh_calendars
from api.actions.lay_out import lay_out_anew
from api.actions.raise_due_work import raise_due_work
from api.storage.audit import Origin, record
from api.storage.database import Database
from scheduler.catalogue import Catalogue


def follow_catalogue(
    database: Database, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> None:
    """Raise due work anew, and lay out again the work of visits that have their time already."""
    raise_due_work(database, catalogue, now=now, origin=origin)
    with database.write() as session:
        database.lock_calendar(session)
        changed = lay_out_anew(session, catalogue, now=now)
        people = [appointment.technician_id for _, appointment in changed]
        sites = [visit.site_id for visit, _ in changed]
        refresh_calendars(session, people, catalogue, sites=sites, whole=True, now=now)
        after = {"visits": len(changed)}
        record(session, origin, now=now, verb="lay out anew", subject="due_work", after=after)
