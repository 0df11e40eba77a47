"""Writes a technician's calendar anew whenever something in it changed.

Called inside the transaction that changes an appointment, so that the next fetch sees it and a
visit that changes hands is never in both calendars or in neither.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import cast

from sqlmodel import Session, col, select

from api.feeds.delivery import StoredFeed, store_form
from api.feeds.events import FeedEvent, render_calendar
from api.feeds.window import COMING_DAYS, PAST_DAYS, day_start, within_window
from api.feeds.wording import (
    AppointmentBrief,
    MachineOff,
    VisitKind,
    WorkLine,
    technician_event,
)
from api.storage.database import Database
from api.storage.documents import worksheet_from_json
from api.storage.tables import (
    AppointmentRow,
    ClientRow,
    FeedDocumentRow,
    HandOverRow,
    MachineRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.company import Urgency
from scheduler.lifecycle import AppointmentState
from scheduler.worksheet import Worksheet

CALENDAR_DOMAIN = "steamround.invalid"
"""Ends every UID. It never changes, so that a moved installation does not double its events."""

_URGENT = frozenset({Urgency.DANGER, Urgency.STOPPED})


def refresh_calendars(
    session: Session, technicians: Iterable[str], catalogue: Catalogue, *, now: datetime
) -> None:
    """Render the calendars of some technicians and keep their bytes."""
    session.flush()
    for technician_id in sorted(set(technicians)):
        technician = session.get_one(TechnicianRow, technician_id)
        today = day_start(now, technician.zone)
        events = within_window(
            _events(session, technician, catalogue, today=today), day_start=today
        )
        body = render_calendar(
            f"Rounds of {technician.name}", events, technician.zone, day_start=today
        )
        _keep(session, technician_id, body, now)


def _keep(session: Session, technician_id: str, body: bytes, now: datetime) -> None:
    row = session.get(FeedDocumentRow, technician_id)
    previous = stored_feed(row) if row is not None else None
    feed = store_form(body, now=now, previous=previous)
    if feed is previous:
        return
    if row is None:
        row = FeedDocumentRow(
            technician_id=technician_id, body=b"", body_gzip=b"", etag="", changed_at=now
        )
    row.body, row.body_gzip = feed.body, feed.gzip_body
    row.etag, row.changed_at = feed.etag, feed.modified
    session.add(row)


def stored_feed(row: FeedDocumentRow) -> StoredFeed:
    """Return a kept calendar as the delivery needs it."""
    return StoredFeed(
        body=row.body, gzip_body=row.body_gzip, etag=row.etag, modified=row.changed_at
    )


def _events(
    session: Session, technician: TechnicianRow, catalogue: Catalogue, *, today: datetime
) -> list[FeedEvent]:
    earliest = today - timedelta(days=PAST_DAYS)
    latest = today + timedelta(days=COMING_DAYS)
    mine = session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.technician_id == technician.id)
        .where(AppointmentRow.ends_at > earliest, AppointmentRow.starts_at < latest)
    ).all()
    handed_over = session.exec(
        select(HandOverRow)
        .where(HandOverRow.technician_id == technician.id)
        .where(HandOverRow.ends_at > earliest, HandOverRow.starts_at < latest)
        .order_by(col(HandOverRow.handed_over_at))
    ).all()
    gone = {row.appointment_id: row for row in handed_over}  # the last one wins
    for row in mine:
        gone.pop(row.id, None)  # it came back
    others = session.exec(
        select(AppointmentRow).where(col(AppointmentRow.id).in_(list(gone)))
    ).all()
    known = _Known(session, [*mine, *others])
    briefs = [known.brief(row, technician, catalogue) for row in mine]
    briefs += [_tombstone(known.brief(row, technician, catalogue), gone[row.id]) for row in others]
    return [technician_event(brief, domain=CALENDAR_DOMAIN) for brief in briefs]


def _tombstone(brief: AppointmentBrief, left: HandOverRow) -> AppointmentBrief:
    """Return the appointment as the technician who gave it away last saw it."""
    return replace(
        brief,
        start=left.starts_at,
        end=left.ends_at,
        sequence=left.sequence,
        revised=left.handed_over_at,
        moved_from=None,
        handed_over=True,
    )


class _Known:
    """The visits, sites, clients and machines some appointments are about, read at once."""

    def __init__(self, session: Session, appointments: Iterable[AppointmentRow]) -> None:
        visit_ids = {row.visit_id for row in appointments}
        self.visits = {
            row.id: row
            for row in session.exec(select(VisitRow).where(col(VisitRow.id).in_(visit_ids)))
        }
        site_ids = {row.site_id for row in self.visits.values()}
        self.sites = {
            row.id: row
            for row in session.exec(select(SiteRow).where(col(SiteRow.id).in_(site_ids)))
        }
        client_ids = {row.client_id for row in self.sites.values()}
        self.clients = {
            row.id: row
            for row in session.exec(select(ClientRow).where(col(ClientRow.id).in_(client_ids)))
        }
        self.machine_names = {
            row.id: row.name
            for row in session.exec(select(MachineRow).where(col(MachineRow.site_id).in_(site_ids)))
        }

    def brief(
        self, row: AppointmentRow, technician: TechnicianRow, catalogue: Catalogue
    ) -> AppointmentBrief:
        """Gather all that may be told about one appointment."""
        visit = self.visits[row.visit_id]
        site = self.sites[visit.site_id]
        sheet = worksheet_from_json(visit.worksheet)
        return AppointmentBrief(
            appointment_id=row.id,
            state=AppointmentState(row.state),
            kind=cast(VisitKind, visit.kind),
            start=row.starts_at,
            end=row.ends_at,
            zone=site.zone,
            created=row.created_at,
            revised=row.revised_at,
            sequence=row.sequence,
            site=site.name,
            town=site.town,
            address=site.address,
            client=self.clients[site.client_id].name,
            technician=technician.name,
            tasks=tuple(visit.headlines),
            lat_lon=(site.lat, site.lon),
            urgent=visit.urgency in _URGENT,
            respond_by=visit.respond_by,
            moved_from=row.moved_from,
            travel_minutes=row.travel_minutes or None,
            steps=tuple(
                WorkLine(
                    text=step.text,
                    minutes=step.minutes,
                    machine=self.machine_names.get(step.machine or "", ""),
                    waiting=step.waiting,
                )
                for step in sheet.steps
                if step.minutes
            ),
            parts=tuple(
                (
                    quantity,
                    catalogue.part_types[part].name if part in catalogue.part_types else part,
                )
                for part, quantity in sheet.parts.items()
            ),
            tools=sheet.tools,
            cautions=sheet.cautions,
            machines_off=tuple(self._machines_off(row, sheet)),
            access_notes=site.access_notes,
            contact=self.clients[site.client_id].contact_name,
            phone=site.phone,
        )

    def _machines_off(self, row: AppointmentRow, sheet: Worksheet) -> Iterable[MachineOff]:
        for machine, back in sheet.machine_back_minutes.items():
            yield MachineOff(
                machine=self.machine_names.get(machine, machine),
                start=row.starts_at,
                end=row.starts_at + timedelta(minutes=back),
            )


def part_name(part: str, catalogue: Catalogue) -> str:
    """Return the name of a part; of one the catalogue no longer has, its id."""
    known = catalogue.part_types.get(part)
    return known.name if known is not None else part


def refresh_all_calendars(database: Database, catalogue: Catalogue, now: datetime) -> None:
    """Turn every calendar to a new day: old appointments leave its window, new ones enter."""
    with database.read() as session:
        technicians = session.exec(select(TechnicianRow.id)).all()
    for technician in technicians:
        with database.write() as session:
            refresh_calendars(session, [technician], catalogue, now=now)
