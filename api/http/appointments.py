"""Appointments: the published calendar, and what happens to each of them."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import col

from api.actions.appointments import change_state, move_by_hand
from api.actions.booking import cancel_with_notice, move_to_hold
from api.actions.judge_slots import judge_slot, promised_time
from api.actions.report_visit import PartReplaced, ReadCounter, VisitReport, report_work
from api.auth import NotAllowed, Principal, Role
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, Now, OfficeDeed, OfficeOrPortalDeed, StaffDeed
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.readings import Judged, ReadingTaken, judged_shown
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Amount, Id, Instant
from api.storage.names import named_sites, technician_names
from api.storage.open_work import MOVABLE
from api.storage.presence import at_one_site_at_once
from api.storage.standing import unreported as never_reported
from api.storage.tables import AppointmentRow
from api.storage.unread import whom_to_telephone
from scheduler.catalogue import Counter
from scheduler.hand_moves import Breach
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome

router = APIRouter(prefix="/v1/appointments", tags=["appointments"])

_ON_SITE = frozenset({AppointmentState.UNDER_WAY, AppointmentState.NO_ACCESS})
"""What a technician may say of their own appointments; the rest is the office's to decide."""


class Appointment(Kept):
    """A visit at a time with a technician."""

    visit_id: str
    technician_id: str | None = Field(description="Not told to portals.")
    starts_at: datetime
    ends_at: datetime
    state: AppointmentState
    sequence: int = Field(description="Rises when calendars have to show it otherwise.")
    created_at: datetime
    revised_at: datetime
    moved_from: datetime | None = Field(
        description="The start its technician was first told, once it has moved."
    )
    travel_minutes: int = Field(description="The drive to it, as planned.")
    call_minutes: int | None = Field(
        description="Minutes at the workshop on the way to it; null where the round does not call "
        "there. Not told to portals."
    )
    fetch: dict[str, dict[str, int]] = Field(
        description="What is fetched there, or loaded before the round that begins with it: the "
        "visit it is for, part type and pieces. Not told to portals."
    )
    arrive_from: datetime | None = Field(
        description="The window of arrival the client was told, if any was."
    )
    arrive_until: datetime | None


class ListedAppointment(Appointment):
    """An appointment, with names, which may change without its version."""

    technician_name: str | None = Field(description="Not told to portals.")
    site_id: str
    site_name: str


class Placed(Appointment):
    """An appointment as it was just placed or changed."""

    telephone: str | None = Field(
        default=None,
        description="Whom to telephone because the visit is urgent and no device has fetched "
        "their calendar for a day. Not told to portals.",
        examples=["telephone Inga Voss, +47 …: no device has fetched their calendar for a day"],
    )


class Broken(BaseModel):
    """Something a time chosen by hand does not keep."""

    breach: Breach
    detail: str


class PlacedByHand(Placed):
    """An appointment where a dispatcher put it, and what that breaks."""

    breaks: list[Broken] = Field(
        description="Promises, hours, access, drives that are not kept and the like; you judge."
    )


class Reported(Appointment, Judged):
    """An appointment whose work was reported, and what its readings mean."""

    counter_notices: list[str] = Field(
        default_factory=list,
        description="Counters that run backwards: reset, replaced or mistyped. Kept all the same.",
    )


class NewState(Given):
    """Where the appointment goes. `done` is reached by reporting the work."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"state": "promised"}]})

    state: Literal["planned", "promised", "under_way", "no_access", "cancelled"]


class NewSlot(Given):
    """Another time, or another technician."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"technician_id": "te-2", "starts_at": "2027-03-24T09:15:00+01:00"}]
        }
    )

    technician_id: Id
    starts_at: Instant


class NewTime(Given):
    """Another time for an appointment, held before."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"hold_id": "ho_7k0x"}]})

    hold_id: Id


class Replaced(Given):
    """A part taken out and replaced by a new one of the same type."""

    fitted_part: Id
    outcome: Outcome


class CounterRead(Given):
    """A counter as it was read."""

    machine: Annotated[Id, Field(description="Its id, or the tag on it.")]
    counter: Counter
    value: Amount


class Report(Given):
    """What was done at a visit."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "counters": [{"machine": "ma-001", "counter": "brew_cycles", "value": 184220}],
                    "readings": [
                        {
                            "machine": "ma-001",
                            "set_point": "brew_pressure",
                            "value": 9.1,
                            "unit": "bar",
                            "stage": "as_left",
                        }
                    ],
                    "note": "Group 2 gasket was cut.",
                }
            ]
        }
    )

    tasks_done: list[str] | None = Field(
        default=None,
        max_length=500,
        description="Ids of the due tasks done. Left out it means all of them, and is refused "
        "where a value read makes follow-up work: then say which.",
    )
    replaced: list[Replaced] = Field(
        default_factory=list, max_length=200, description="Beyond what the tasks replace anyway."
    )
    counters: list[CounterRead] = Field(default_factory=list, max_length=200)
    readings: list[ReadingTaken] = Field(
        default_factory=list, max_length=200, description="Values read, as found and as left."
    )
    cause: Id | None = Field(
        default=None, description="The fault of the catalogue that was found, after a callback."
    )
    note: str = Field(default="", max_length=2000)
    set_out_at: Instant | None = Field(
        default=None, description="When you set out for the site: drives are learnt from it."
    )
    arrived_at: Instant | None = Field(
        default=None, description="When you came; when the visit was begun, if left out."
    )
    left_at: Instant | None = Field(
        default=None, description="When you went; the time of the report, if left out."
    )


@router.get("", responses=documented())
def list_appointments(
    look: AnyonesLook,
    now: Now,
    paging: PageWanted,
    starts_from: Annotated[
        Instant | None, Query(description="Only those that start then or later.")
    ] = None,
    starts_before: Annotated[
        Instant | None, Query(description="Only those that start before.")
    ] = None,
    technician: Annotated[str | None, Query(description="Only of this technician.")] = None,
    visit: Annotated[str | None, Query(description="Only of this visit.")] = None,
    state: Annotated[AppointmentState | None, Query(description="Only in this state.")] = None,
    unreported: Annotated[
        bool, Query(description="Only those over for 12 hours of which nothing was reported.")
    ] = False,
    meeting: Annotated[
        bool,
        Query(
            description="Only those during which another technician has an appointment at the "
            "site. None is made any more; some may be left from before that was refused."
        ),
    ] = False,
) -> ListOf[ListedAppointment]:
    """List appointments in order of time; a technician and a portal see their own."""
    starts_at = col(AppointmentRow.starts_at)
    if look.who.role is Role.PORTAL:
        technician = None  # a filter on what is not told would tell it
    page = look.page(
        AppointmentRow,
        [starts_at, col(AppointmentRow.id)],
        paging,
        lambda row: appointment_shown(row, look.who),
        None if starts_from is None else starts_at >= starts_from,
        None if starts_before is None else starts_at < starts_before,
        equals(col(AppointmentRow.technician_id), technician),
        equals(col(AppointmentRow.visit_id), visit),
        equals(col(AppointmentRow.state), state),
        never_reported(now) if unreported else None,
        at_one_site_at_once() if meeting else None,
    )
    people = {each.technician_id for each in page.items if each.technician_id is not None}
    names = technician_names(look.session, people)
    sites = named_sites(look.session, {each.visit_id for each in page.items})
    return ListOf(
        items=[
            ListedAppointment(
                **each.model_dump(),
                technician_name=names[each.technician_id] if each.technician_id else None,
                site_id=sites[each.visit_id].id,
                site_name=sites[each.visit_id].name,
            )
            for each in page.items
        ],
        next=page.next,
    )


@router.get("/{appointment_id}", responses=documented(404))
def get_appointment(appointment_id: str, look: AnyonesLook) -> Appointment:
    """Return one appointment."""
    return appointment_shown(look.one(AppointmentRow, appointment_id), look.who)


@router.put("/{appointment_id}/state", responses=documented(400, 404, 409, 412, 428))
def set_appointment_state(
    appointment_id: str, body: NewState, deed: StaffDeed, version: IfMatch
) -> Placed:
    """Promise, release, begin or cancel an appointment, or say that nobody opened."""
    to = AppointmentState(body.state)
    if deed.who.role is Role.TECHNICIAN and to not in _ON_SITE:
        raise NotAllowed(deed.who.role, frozenset({Role.DISPATCHER, Role.ADMINISTRATOR}))
    whose = deed.who.technician
    return _confirmed(deed, version, change_state, appointment_id, to, technician=whose)


@router.put("/{appointment_id}/slot", responses=documented(400, 404, 409, 412, 428))
def move_appointment(
    appointment_id: str, body: NewSlot, deed: OfficeDeed, version: IfMatch
) -> PlacedByHand:
    """Put an appointment at another time or with another technician by hand.

    Two appointments at once are refused, and two technicians at one site; anything else that is not
    kept is told. Plans to come may move it again unless you promise it.
    """
    slot = body.technician_id, body.starts_at
    with deed.database.read() as session:
        promised = promised_time(session, appointment_id)
    moved = _confirmed(deed, version, move_by_hand, appointment_id, *slot)
    return placed_by_hand(deed, moved, promised)


@router.put("/{appointment_id}/time", responses=documented(400, 404, 409, 412, 428))
def move_appointment_to_hold(
    appointment_id: str, body: NewTime, deed: OfficeOrPortalDeed, version: IfMatch
) -> Placed:
    """Move an appointment to a held time. The old time is given up as the new one is taken."""
    scope = deed.who.scope
    return _confirmed(deed, version, move_to_hold, appointment_id, body.hold_id, scope=scope)


@router.put("/{appointment_id}/cancellation", responses=documented(404, 409, 412, 428))
def cancel_appointment(appointment_id: str, deed: OfficeOrPortalDeed, version: IfMatch) -> Placed:
    """Cancel an appointment in time. Its visit is open again and can be given another."""
    return _confirmed(deed, version, cancel_with_notice, appointment_id, scope=deed.who.scope)


@router.post("/{appointment_id}/report", responses=documented(400, 404, 409, 412, 413, 428))
def report_appointment(
    appointment_id: str, body: Report, deed: StaffDeed, version: IfMatch
) -> Reported:
    """Report the work of an appointment that is under way. Tasks not done stay open.

    The reply says what the readings mean; look at `stop_and_make_safe` before you leave.
    """
    report = VisitReport(
        tasks_done=None if body.tasks_done is None else tuple(body.tasks_done),
        replaced=tuple(PartReplaced(**part.model_dump()) for part in body.replaced),
        counters=tuple(ReadCounter(**read.model_dump()) for read in body.counters),
        readings=tuple(reading.taken() for reading in body.readings),
        cause=body.cause,
        note=body.note,
        set_out_at=body.set_out_at,
        arrived_at=body.arrived_at,
        left_at=body.left_at,
    )
    reported = report_work(
        deed.database,
        appointment_id,
        report,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
        technician=deed.who.technician,
        if_version=version,
    )
    shown = appointment_shown(deed.changed(reported.appointment), deed.who)
    return Reported(
        **shown.model_dump(),
        **judged_shown(reported.judged).model_dump(),
        counter_notices=list(reported.counter_notices),
    )


def _confirmed(
    deed: Deed, version: int, action: Callable[..., AppointmentRow], *what: Any, **whose: Any
) -> Placed:
    """Carry out a change of one appointment, and return what it has become with its new ETag."""
    row = action(
        deed.database,
        *what,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
        if_version=version,
        **whose,
    )
    return placed_shown(deed.changed(row), deed)


def placed_shown(row: AppointmentRow, deed: Deed) -> Placed:
    """Return an appointment and whom to telephone about it."""
    shown = appointment_shown(row, deed.who)
    if deed.who.role is Role.PORTAL or row.state not in MOVABLE:
        return Placed(**shown.model_dump())
    with deed.database.read() as session:
        calls = whom_to_telephone(session, [(row.visit_id, row.technician_id)], now=deed.now)
    return Placed(**shown.model_dump(), telephone=next((e.sentence for e in calls), None))


def placed_by_hand(deed: Deed, shown: Placed, promised: datetime | None = None) -> PlacedByHand:
    """Return an appointment with what its time breaks."""
    with deed.database.read() as session:
        row = session.get_one(AppointmentRow, shown.id)
        found = judge_slot(session, row, deed.catalogue, promised=promised)
    return PlacedByHand(**shown.model_dump(), breaks=[from_row(Broken, broken) for broken in found])


def appointment_shown(row: AppointmentRow, who: Principal) -> Appointment:
    """Return an appointment as somebody may see it: a portal is not told who comes."""
    if who.role is Role.PORTAL:
        return from_row(Appointment, row, technician_id=None, call_minutes=None, fetch={})
    return from_row(Appointment, row)
