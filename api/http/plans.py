"""Plans: asked for, solved in the background, looked at as a draft, published."""

import hashlib
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import Session, col

from api.actions.plan_changes import Change as PlanChange
from api.actions.plan_changes import ChangeKind, changes_of
from api.actions.planning import (
    LONGEST_DAYS,
    LONGEST_SECONDS,
    PlanRequest,
    cancel_plan,
    plan_by_id,
    request_plan,
)
from api.actions.publishing import publish_plan
from api.http.conditions import show_tag
from api.http.context import Deed, Now, OfficeDeed, OfficeLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, equals, from_row
from api.storage.booked_time import HOLD
from api.storage.column_types import Day
from api.storage.documents import unpack_problem
from api.storage.open_work import site_names
from api.storage.tables import PlanRow
from api.storage.unread import whom_to_telephone
from scheduler.errors import Conflict
from scheduler.road_travel import Source
from scheduler.routing.bound import could_save
from scheduler.routing.problem_file import problem_to_json

router = APIRouter(prefix="/v1/plans", tags=["plans"])

State = Literal["queued", "solving", "draft", "published", "failed", "cancelled", "superseded"]


class NewPlan(Given):
    """What a plan is asked for; bounded by seconds, or by iterations so that it can be repeated."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"first_day": "2027-03-23", "days": 10, "seconds": 20}]}
    )

    first_day: Day
    days: int = Field(default=10, ge=1, le=LONGEST_DAYS, description="Working days.")
    seconds: float | None = Field(default=None, gt=0, le=LONGEST_SECONDS)
    iterations: int | None = Field(default=None, ge=1, le=1_000_000_000)
    seed: int = Field(default=1, ge=0, le=2**31 - 1)
    repairs: bool = Field(
        default=False,
        description="Repair what is published after an absence or an urgent callback: as few "
        "visits as is sensible change technician, day or time.",
    )


class LeftOut(BaseModel):
    """A visit that has no place in the plan, and what would help."""

    visit: str
    site: str = Field(description="Its name; empty where the visit is no more.")
    held: bool = Field(
        description="Whether a client holds a time for it, which can no longer be kept: ring them."
    )
    reason: str
    detail: str
    would_help: str


class TravelOfPlan(BaseModel):
    """What the travel times of a plan rest on."""

    source: Source
    drives: int = Field(description="Recorded drives the estimate was taught by.")
    pairs: int = Field(description="Ordered pairs of places.")
    estimated: int = Field(description="How many of them are estimated.")
    oldest: datetime | None = Field(description="When the oldest time by road was asked.")
    attribution: str = Field(description="To be shown with times by road.")
    warnings: list[str] = Field(description="What the dispatcher should know of.")


class Plan(BaseModel):
    """A planning run. It changes while it is solved: poll it, or wait for `state` to leave
    `queued` and `solving`."""

    id: str
    state: State
    requested_at: datetime
    requested_by: str
    first_day: date
    days: int
    seconds: float | None
    iterations: int | None
    seed: int
    repairs: bool
    progress: float = Field(description="From 0 to 1.")
    best_cost: int | None = Field(description="In minutes of travel equivalent.")
    lower_bound: int | None = Field(
        description="No plan of the same work can cost less; null where none could be had in time."
    )
    could_save_percent: float | None = Field(
        description="At most this share of the cost could be saved, as far as can be proved."
    )
    base_revision: int | None = Field(
        description="The revision of the published calendar it was made from."
    )
    finished_at: datetime | None
    published_at: datetime | None
    failure: str | None
    left_out: list[LeftOut]
    travel: TravelOfPlan | None = Field(description="None until the run is solved.")
    broken_promises: list[str] = Field(description="Appointments it could not keep as promised.")


class Slot(BaseModel):
    """A time with a technician."""

    technician: str
    starts_at: datetime
    ends_at: datetime


class Change(BaseModel):
    """What publishing does to one visit."""

    visit: str
    site: str = Field(description="Its name.")
    kind: ChangeKind
    before: Slot | None
    after: Slot | None
    travel_minutes: int = Field(description="The drive to it.")
    call_minutes: int | None = Field(
        description="Minutes at the workshop on the way to it; null where the round does not call "
        "there."
    )
    fetch: dict[str, dict[str, int]] = Field(
        description="What is fetched there, or loaded before the round that begins with it: the "
        "visit it is for, part type and pieces."
    )


class Changes(BaseModel):
    """What publishing changes, in order of time."""

    items: list[Change]
    unchanged: int = Field(description="Visits that stay as they are; listed only when asked for.")
    telephone: list[str] = Field(
        description="Whom to telephone because an urgent visit becomes theirs and no device has "
        "fetched their calendar for a day."
    )


@router.get("", responses=documented())
def list_plans(
    look: OfficeLook,
    paging: PageWanted,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
) -> ListOf[Plan]:
    """List planning runs, the oldest first."""
    return look.page(
        PlanRow,
        [col(PlanRow.requested_at), col(PlanRow.id)],
        paging,
        lambda row: _shown(look.session, row),
        equals(col(PlanRow.state), state),
        without=[PlanRow.problem],
    )


@router.get("/{plan_id}", responses=documented(404))
def get_plan(plan_id: str, look: OfficeLook) -> Plan:
    """Return one planning run as it stands."""
    plan = _shown(look.session, plan_by_id(look.session, plan_id))
    # progress moves without a new version: the tag is made of what is shown
    digest = hashlib.sha256(plan.model_dump_json().encode()).hexdigest()
    show_tag(look.request, look.response, f'"{digest}"')
    return plan


@router.post("", status_code=202, responses=documented(400, 413))
def ask_for_plan(body: NewPlan, deed: OfficeDeed, key: IdempotencyKey = None) -> Plan:
    """Ask for a plan. It is solved in the background; the address of the run is in Location."""
    request = PlanRequest(**body.model_dump())

    def ask(deed: Deed) -> Plan:
        row = request_plan(deed.database, request, now=deed.now, origin=deed.origin)
        deed.response.headers["Location"] = f"/v1/plans/{row.id}"
        with deed.database.read() as session:
            return _shown(session, row)

    return once(deed, key, body, Plan, ask, status=202)


@router.post("/{plan_id}/cancel", responses=documented(404, 409))
def stop_plan(plan_id: str, deed: OfficeDeed) -> Plan:
    """Stop a run, or throw a draft away."""
    row = cancel_plan(deed.database, plan_id, now=deed.now, origin=deed.origin)
    with deed.database.read() as session:
        return _shown(session, row)


@router.get("/{plan_id}/changes", responses=documented(404, 409))
def list_plan_changes(
    plan_id: str,
    look: OfficeLook,
    now: Now,
    unchanged: Annotated[bool, Query(description="List what stays as it is, too.")] = False,
) -> Changes:
    """Return what publishing a draft would change."""
    found = changes_of(look.session, plan_by_id(look.session, plan_id))
    return _changes(found, look.session, now, all_of_them=unchanged)


@router.post("/{plan_id}/publish", responses=documented(404, 409))
def publish_draft(plan_id: str, deed: OfficeDeed) -> Changes:
    """Publish a draft: 409 when the published calendar has changed since the draft was made."""
    made = publish_plan(deed.database, plan_id, deed.catalogue, now=deed.now, origin=deed.origin)
    with deed.database.read() as session:
        return _changes(made, session, deed.now)


@router.get("/{plan_id}/problem", responses=documented(404, 409))
def get_plan_problem(plan_id: str, look: OfficeLook) -> JSONResponse:
    """Return the problem file of a solved run, to be solved or checked elsewhere."""
    row = plan_by_id(look.session, plan_id)
    if row.problem is None:
        raise Conflict(f"plan {plan_id} is {row.state}: it has no problem file")
    return JSONResponse(problem_to_json(unpack_problem(row.problem)))


def _changes(
    changes: Sequence[PlanChange], session: Session, now: datetime, *, all_of_them: bool = False
) -> Changes:
    placed = [
        (change.visit, change.after.technician)
        for change in changes
        if change.after is not None and change.kind is not ChangeKind.UNCHANGED
    ]
    sites = site_names(session, [change.visit for change in changes])
    return Changes(
        telephone=[each.sentence for each in whom_to_telephone(session, placed, now=now)],
        unchanged=sum(change.kind is ChangeKind.UNCHANGED for change in changes),
        items=[
            Change(
                visit=change.visit,
                site=sites[change.visit],
                kind=change.kind,
                before=None if change.before is None else from_row(Slot, change.before),
                after=None if change.after is None else from_row(Slot, change.after),
                travel_minutes=change.way.travel_minutes,
                call_minutes=change.way.call_minutes,
                fetch={visit: dict(pieces) for visit, pieces in change.way.fetch.items()},
            )
            for change in changes
            if all_of_them or change.kind is not ChangeKind.UNCHANGED
        ],
    )


def _shown(session: Session, row: PlanRow) -> Plan:
    found: list[dict[str, Any]] = (row.solution or {}).get("left_out", [])
    visits = [each["visit"].removeprefix(HOLD) for each in found]
    sites = site_names(session, visits)
    left_out = [
        {
            **each,
            "visit": visit,
            "site": sites.get(visit, ""),
            "held": each["visit"].startswith(HOLD),
        }
        for visit, each in zip(visits, found, strict=True)
    ]
    could_save_percent = None
    if row.best_cost is not None and row.lower_bound is not None:
        could_save_percent = round(100 * could_save(row.best_cost, row.lower_bound), 1)
    return from_row(Plan, row, left_out=left_out, could_save_percent=could_save_percent)
