"""Visits: what one technician does at one site in one go, step by step."""

from datetime import date, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from sqlmodel import col

from api.actions.appointments import book_by_hand
from api.http.appointments import NewSlot, PlacedByHand, placed_by_hand, placed_shown
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, equals, from_row
from api.storage.documents import worksheet_from_json
from api.storage.standing import callbacks_of, live_appointment
from api.storage.tables import TechnicianRow, VisitRow
from scheduler.catalogue import MachineState
from scheduler.company import Urgency
from scheduler.upgrades import Upgrade
from scheduler.worksheet import at_pace

router = APIRouter(prefix="/v1/visits", tags=["visits"])

State = Literal["open", "booked", "done", "dropped"]
Kind = Literal["upkeep", "statutory", "callback"]


class Visit(Kept):
    """A bundle of due tasks, or the answer to a callback."""

    site_id: str
    kind: Kind
    window: Literal["access", "quiet", "any"] = Field(
        description="The hours it may use: live work is welcome, a machine may be off, or any."
    )
    minutes: int = Field(description="From arrival to leaving.")
    skills: list[str]
    parts: dict[str, int] = Field(description="Part type → quantity to bring.")
    earliest: date
    target: date
    latest: date
    hard_latest: date | None = Field(description="The last day law or maker allow.")
    urgency: Urgency | None
    respond_by: datetime | None = Field(description="Until when somebody has to be there.")
    awaits_price: bool = Field(
        description="No contract covers it: it waits until the price of its callback is accepted."
    )
    headlines: list[str] = Field(description="The work in a few words.")
    because: str
    state: State


class Step(BaseModel):
    """One step at a machine, or at the site as a whole where there is no machine."""

    number: int
    machine: str | None
    state: MachineState = Field(description="The state the machine has to be in.")
    text: str
    start_minute: int = Field(description="Minutes after arrival.")
    minutes: int
    because: str
    tasks: list[str] = Field(description="Ids of the due tasks it serves.")
    details: list[str]
    cautions: list[str] = Field(
        description="Dangers. Local codes and licensed practice come before this text."
    )
    readings: list[str] = Field(description="Set-points to read.")


class Reported(BaseModel):
    """What the caller said."""

    text: str
    photos: list[str] = Field(description="As the caller's program gave them.")


class Worksheet(BaseModel):
    """The visit in order, shared access and cool-down counted once."""

    visit_id: str
    minutes: int = Field(description="From arrival to leaving, at the pace below.")
    minutes_p80: int = Field(description="Four visits of five take no longer.")
    pace: float = Field(
        description="Hands-on minutes of whoever has the appointment over those of the catalogue."
    )
    needs_off: bool = Field(description="A machine is out of service for part of the time.")
    skills: list[str]
    parts: dict[str, int]
    tools: list[str]
    cautions: list[str]
    because: str
    upgrades: list[Upgrade] = Field(description="To offer instead of parts that are superseded.")
    steps: list[Step]
    reported: list[Reported] = Field(description="The fault reports that led to the visit.")


@router.get("", responses=documented())
def list_visits(
    look: AnyonesLook,
    paging: PageWanted,
    site: Annotated[str | None, Query(description="Only at this site.")] = None,
    kind: Annotated[Kind | None, Query(description="Only of this kind.")] = None,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
) -> ListOf[Visit]:
    """List visits, the soonest target first."""
    return look.page(
        VisitRow,
        [col(VisitRow.target), col(VisitRow.id)],
        paging,
        _shown,
        equals(col(VisitRow.site_id), site),
        equals(col(VisitRow.kind), kind),
        equals(col(VisitRow.state), state),
    )


@router.get("/{visit_id}", responses=documented(404))
def get_visit(visit_id: str, look: AnyonesLook) -> Visit:
    """Return one visit."""
    return _shown(look.one(VisitRow, visit_id))


@router.get("/{visit_id}/worksheet", responses=documented(404))
def get_worksheet(visit_id: str, look: StaffLook) -> Worksheet:
    """Return the steps of a visit as they were laid out when it was made."""
    row = look.one(VisitRow, visit_id)
    booked = live_appointment(look.session, row.id)
    pace = look.session.get_one(TechnicianRow, booked.technician_id).pace if booked else 1.0
    sheet = at_pace(worksheet_from_json(row.worksheet), pace)
    return Worksheet(
        visit_id=row.id,
        minutes=sheet.minutes,
        minutes_p80=sheet.minutes_p80,
        pace=pace,
        needs_off=sheet.needs_off,
        skills=sorted(sheet.skills),
        parts=dict(sheet.parts),
        tools=list(sheet.tools),
        cautions=list(sheet.cautions),
        because=sheet.because,
        upgrades=list(sheet.upgrades),
        steps=[from_row(Step, step) for step in sheet.steps],
        reported=[from_row(Reported, each) for each in callbacks_of(look.session, row.id)],
    )


@router.post(
    "/{visit_id}/book", status_code=201, responses=documented(400, 404, 409, 412, 413, 428)
)
def book_visit(
    visit_id: str,
    body: NewSlot,
    deed: OfficeDeed,
    version: IfMatch,
    key: IdempotencyKey = None,
) -> PlacedByHand:
    """Give an open visit its appointment by hand. `If-Match` names the version of the visit.

    The reply says what the time does not keep.
    """

    def book(deed: Deed) -> PlacedByHand:
        row = book_by_hand(
            deed.database,
            visit_id,
            body.technician_id,
            body.starts_at,
            deed.catalogue,
            now=deed.now,
            origin=deed.origin,
            if_version=version,
        )
        shown = placed_shown(deed.added(row, f"/v1/appointments/{row.id}"), deed)
        return placed_by_hand(deed, shown)

    return once(deed, key, body, PlacedByHand, book, status=201)


def _shown(row: VisitRow) -> Visit:
    return from_row(Visit, row)
