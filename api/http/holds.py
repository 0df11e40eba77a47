"""Holds and bookings: a time is kept for some minutes, then promised."""

from contextlib import suppress
from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field
from sqlmodel import col

from api.actions.booking import book_hold
from api.actions.holding import keep_time, look_for_time, release_hold, state_of
from api.auth import Principal, Role
from api.http.appointments import Placed, placed_shown
from api.http.context import Deed, Now, OfficeOrPortalDeed, OfficeOrPortalLook
from api.http.idempotency import RequiredKey, once, repeated
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Id, Instant
from api.storage.tables import HoldRow
from scheduler.errors import JustTaken

router = APIRouter(prefix="/v1", tags=["holds"])

_TRIES = 3
"""How often another technician is looked for when somebody else was faster."""

State = Literal["held", "booked", "released", "expired"]


class NewHold(Given):
    """Which offer is to be held."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"visit_id": "vi_7k0x", "arrive_from": "2027-03-24T09:00:00+01:00"}]
        }
    )

    visit_id: Id
    arrive_from: Instant = Field(description="As an offer says it.")


class NewBooking(Given):
    """Which hold is to become an appointment."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"hold_id": "ho_7k0x"}]})

    hold_id: Id


class Hold(Kept):
    """A time kept for a client for some minutes."""

    visit_id: str
    arrive_from: datetime
    arrive_until: datetime
    technician_id: str | None = Field(description="Not told to portals.")
    state: State
    created_at: datetime
    expires_at: datetime = Field(description="From then on others may have the time.")
    appointment_id: str | None = Field(description="What it was booked as.")


@router.post("/holds", status_code=201, responses=documented(400, 404, 409, 413))
def hold_offered_time(body: NewHold, deed: OfficeOrPortalDeed, key: RequiredKey) -> Hold:
    """Hold an offered time. A visit has one hold at a time: an earlier one is released."""

    for _ in range(_TRIES - 1):
        with suppress(JustTaken):
            return _hold(body, deed, key)
    return _hold(body, deed, key)


def _hold(body: NewHold, deed: Deed, key: str) -> Hold:
    """Look for the time before the key's transaction begins: others need not wait for that."""
    if (given := repeated(deed, key, body, Hold)) is not None:
        return given
    found = look_for_time(
        deed.database, body.visit_id, body.arrive_from, now=deed.now, scope=deed.who.scope
    )

    def hold(deed: Deed) -> Hold:
        row = keep_time(deed.database, found, now=deed.now, origin=deed.origin)
        return _shown(deed.added(row, f"/v1/holds/{row.id}"), deed.who, deed.now)

    return once(deed, key, body, Hold, hold, status=201)


@router.get("/holds", responses=documented())
def list_holds(
    look: OfficeOrPortalLook,
    now: Now,
    paging: PageWanted,
    visit: Annotated[str | None, Query(description="Only of this visit.")] = None,
) -> ListOf[Hold]:
    """List holds in the order they were made."""
    return look.page(
        HoldRow,
        [col(HoldRow.created_at), col(HoldRow.id)],
        paging,
        lambda row: _shown(row, look.who, now),
        equals(col(HoldRow.visit_id), visit),
    )


@router.get("/holds/{hold_id}", responses=documented(404))
def get_hold(hold_id: str, look: OfficeOrPortalLook, now: Now) -> Hold:
    """Return one hold."""
    return _shown(look.row(HoldRow, hold_id), look.who, now)


@router.post("/holds/{hold_id}/release", responses=documented(404))
def release_held_time(hold_id: str, deed: OfficeOrPortalDeed) -> Hold:
    """Give a held time back. A hold that has ended already stays as it is."""
    row = release_hold(
        deed.database, hold_id, now=deed.now, origin=deed.origin, scope=deed.who.scope
    )
    return _shown(row, deed.who, deed.now)


@router.post("/bookings", status_code=201, responses=documented(400, 404, 409, 413))
def book_held_time(body: NewBooking, deed: OfficeOrPortalDeed, key: RequiredKey) -> Placed:
    """Book a held time: it becomes an appointment, promised to the client."""

    def book(deed: Deed) -> Placed:
        row = book_hold(
            deed.database,
            body.hold_id,
            deed.catalogue,
            now=deed.now,
            origin=deed.origin,
            scope=deed.who.scope,
        )
        deed.added(row, f"/v1/appointments/{row.id}")
        return placed_shown(row, deed)

    return once(deed, key, body, Placed, book, status=201)


def _shown(row: HoldRow, who: Principal, now: datetime) -> Hold:
    technician = None if who.role is Role.PORTAL else row.technician_id
    return from_row(Hold, row, technician_id=technician, state=state_of(row, now))
