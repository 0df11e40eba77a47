"""Technicians' own calendars, which say when they are away."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Body, Query, Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from sqlmodel import col

from api.actions.absence_calendars import (
    Reading,
    ask_to_read,
    forget_calendar,
    look_at_upload,
    subscribe,
    upload,
)
from api.http.context import Deed, StaffDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.absence_hits import Hit, appointments_hit
from api.storage.column_types import Name
from api.storage.tables import AbsenceCalendarRow, TechnicianRow
from scheduler.intervals import Interval, IntervalSet

router = APIRouter(prefix="/v1", tags=["technicians"])

TentativeBlocks = Annotated[
    bool,
    Field(
        description="Whether 'perhaps away' counts as away. Otherwise the planner avoids such "
        "hours at a cost."
    ),
]


class NewSubscription(Given):
    """The address of a technician's calendar."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "private", "address": "https://calendar.example.org/x.ics"}]
        }
    )

    name: Name
    address: Annotated[
        str,
        Field(
            max_length=2000,
            description="https or webcal, on the public internet. It is kept secret: nobody is "
            "shown it again.",
        ),
    ]
    tentative_blocks: TentativeBlocks = False


class SkippedComponent(BaseModel):
    """Something in a calendar that was left out."""

    component: str
    uid: str
    reason: str


class AbsenceCalendar(BaseModel):
    """A technician's calendar, without its address."""

    id: str
    technician_id: str
    name: str
    host: str | None = Field(description="Where it is fetched; null for an upload.")
    tentative_blocks: TentativeBlocks
    created_at: datetime
    read_at: datetime | None = Field(description="How old the absences are that are known.")
    tried_at: datetime | None
    next_try_at: datetime | None
    failure: str = Field(description="Why the latest attempt failed; empty when it did not.")
    failures: int = Field(description="How many attempts have failed in a row.")
    skipped: list[SkippedComponent]


class HitAppointment(BaseModel):
    """A published appointment in an absence; one that is promised has to be talked about."""

    appointment: str
    site: str
    starts_at: datetime
    ends_at: datetime
    promised: bool


class Hits(BaseModel):
    """The appointments an absence would hit."""

    items: list[HitAppointment]


class Away(BaseModel):
    """A time in which somebody is away, or perhaps."""

    starts_at: datetime
    ends_at: datetime
    certainty: Literal["away", "perhaps"]


class CalendarRead(BaseModel):
    """What an uploaded calendar says, and what that hits."""

    calendar: AbsenceCalendar | None = Field(description="Null where nothing was stored.")
    absences: list[Away]
    hits: list[HitAppointment] = Field(description="Appointments while the technician is away.")
    perhaps_hits: list[HitAppointment] = Field(description="The same while they may be away.")
    skipped: list[SkippedComponent]


@router.get("/technicians/{technician_id}/absence-calendars", responses=documented(404))
def list_absence_calendars(
    technician_id: str, look: StaffLook, paging: PageWanted
) -> ListOf[AbsenceCalendar]:
    """List a technician's calendars, how old what is known of them is, and what went wrong."""
    look.row(TechnicianRow, technician_id)
    return look.page(
        AbsenceCalendarRow,
        [col(AbsenceCalendarRow.id)],
        paging,
        _shown,
        col(AbsenceCalendarRow.technician_id) == technician_id,
    )


@router.post(
    "/technicians/{technician_id}/absence-calendars",
    status_code=201,
    responses=documented(400, 404, 409, 413),
)
def add_absence_calendar(
    technician_id: str, body: NewSubscription, deed: StaffDeed, key: IdempotencyKey = None
) -> AbsenceCalendar:
    """Subscribe to a technician's calendar: it is fetched within a minute, then every hour."""

    def add(deed: Deed) -> AbsenceCalendar:
        row = subscribe(
            deed.database,
            technician_id,
            body.name,
            body.address,
            tentative_blocks=body.tentative_blocks,
            now=deed.now,
            origin=deed.origin,
            scope=deed.who.scope,
        )
        return _shown(row)

    return once(deed, key, body, AbsenceCalendar, add, status=201)


@router.post(
    "/technicians/{technician_id}/absence-calendars/upload",
    responses=documented(400, 404, 409, 413),
)
def upload_absence_calendar(
    technician_id: str,
    deed: StaffDeed,
    octets: Annotated[
        bytes, Body(media_type="text/calendar", description="VEVENT, VFREEBUSY, VAVAILABILITY.")
    ],
    name: Annotated[Name, Query(description="A later upload of this name replaces it.")] = "upload",
    tentative_blocks: Annotated[bool, Query(description="'Perhaps away' counts as away.")] = False,
    preview: Annotated[bool, Query(description="Only say what it would hit.")] = False,
) -> CalendarRead:
    """Take over the absences of a calendar, or only see which appointments they would hit."""
    if preview:
        return _read(
            look_at_upload(deed.database, technician_id, octets, now=deed.now, scope=deed.who.scope)
        )
    return _read(
        upload(
            deed.database,
            technician_id,
            name,
            octets,
            tentative_blocks=tentative_blocks,
            now=deed.now,
            origin=deed.origin,
            scope=deed.who.scope,
        )
    )


@router.get("/technicians/{technician_id}/absence-hits", responses=documented(404))
def preview_absence(
    technician_id: str,
    look: StaffLook,
    starts_at: Annotated[AwareDatetime, Query()],
    ends_at: Annotated[AwareDatetime, Query()],
) -> Hits:
    """Say which published appointments an absence would hit."""
    look.row(TechnicianRow, technician_id)
    span = Interval(start=starts_at.astimezone(UTC), end=ends_at.astimezone(UTC))
    found = appointments_hit(look.session, technician_id, [span])
    return Hits(items=list(map(_hit, found)))


@router.post("/absence-calendars/{calendar_id}/read", responses=documented(404, 409))
def read_absence_calendar(calendar_id: str, deed: StaffDeed) -> AbsenceCalendar:
    """Have a subscribed calendar fetched within a minute."""
    row = ask_to_read(
        deed.database, calendar_id, now=deed.now, origin=deed.origin, scope=deed.who.scope
    )
    return _shown(row)


@router.delete("/absence-calendars/{calendar_id}", status_code=204, responses=documented(404))
def remove_absence_calendar(calendar_id: str, deed: StaffDeed) -> Response:
    """Forget a calendar and the absences out of it."""
    forget_calendar(
        deed.database, calendar_id, now=deed.now, origin=deed.origin, scope=deed.who.scope
    )
    return Response(status_code=204)


def _shown(row: AbsenceCalendarRow) -> AbsenceCalendar:
    return from_row(
        AbsenceCalendar,
        row,
        host=None if row.address is None else urlsplit(row.address).hostname,
        skipped=[
            SkippedComponent(component=component, uid=uid, reason=reason)
            for component, uid, reason in row.skipped
        ],
    )


def _read(reading: Reading) -> CalendarRead:
    absences = reading.absences
    return CalendarRead(
        calendar=None if reading.calendar is None else _shown(reading.calendar),
        absences=[*_away(absences.away, "away"), *_away(absences.perhaps, "perhaps")],
        hits=list(map(_hit, reading.hits)),
        perhaps_hits=list(map(_hit, reading.perhaps_hits)),
        skipped=[
            SkippedComponent(component=entry.component, uid=entry.uid, reason=entry.reason)
            for entry in absences.skipped
        ],
    )


def _away(spans: IntervalSet[datetime], certainty: Literal["away", "perhaps"]) -> list[Away]:
    return [Away(starts_at=span.start, ends_at=span.end, certainty=certainty) for span in spans]


def _hit(hit: Hit) -> HitAppointment:
    return from_row(HitAppointment, hit)
