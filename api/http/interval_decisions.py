"""The company's own intervals: decided and accounted for, looked at before, withdrawn."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.decide_intervals import (
    WantedInterval,
    decide_interval,
    preview_interval,
    withdraw_decision,
)
from api.http.conditions import IfMatch
from api.http.context import Catalogue, Deed, Now, OfficeDeed, OfficeLook, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Id, Said
from api.storage.snapshots import company_zone
from api.storage.tables import IntervalDecisionRow
from scheduler.due_changes import DueChanges
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1/interval-decisions", tags=["interval decisions"])

_EXAMPLE: JsonDict = {
    "rule": "group_gasket_replace",
    "months": 4,
    "machine_id": None,
    "reason": "Gaskets fail at five months; renewing at four costs half as much.",
}
_SHOWN_MOVES = 200


class NewDecision(Given):
    """Do a rule's work every so many months, on one machine or on all."""

    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})

    rule: Id
    months: float = Field(gt=0, le=240)
    machine_id: Id | None = Field(default=None, description="Of all machines when left out.")
    reason: Said

    def wanted(self) -> WantedInterval:
        return WantedInterval(
            rule=self.rule, months=self.months, reason=self.reason, machine=self.machine_id
        )


class Decision(Kept):
    """A recorded decision."""

    rule: str
    months: float
    machine_id: str | None
    decided_by: str
    decided_on: date
    reason: str
    withdrawn_on: date | None


class Moved(BaseModel):
    """A due date that moves."""

    machine: str
    rule: str
    fitted_part: str | None
    before: date | None
    after: date | None


class Changes(BaseModel):
    """What a change would do to the work to come; nothing is stored."""

    because: str = Field(description="The whole in one sentence.")
    moved: int
    earlier: int
    later: int
    first_effect_on: date | None
    first_moves: list[Moved] = Field(description=f"The first {_SHOWN_MOVES} in order of time.")


@router.get("", responses=documented())
def list_interval_decisions(
    look: StaffLook,
    paging: PageWanted,
    rule: Annotated[str | None, Query(description="Only of this rule.")] = None,
    withdrawn: Annotated[bool, Query(description="Also those that ended.")] = False,
) -> ListOf[Decision]:
    """List the decisions that stand, in order of time."""
    return look.page(
        IntervalDecisionRow,
        [col(IntervalDecisionRow.decided_on), col(IntervalDecisionRow.id)],
        paging,
        _shown,
        equals(col(IntervalDecisionRow.rule), rule),
        None if withdrawn else col(IntervalDecisionRow.withdrawn_on).is_(None),
    )


@router.get("/{decision_id}", responses=documented(404))
def get_interval_decision(decision_id: str, look: StaffLook) -> Decision:
    """Return one decision."""
    return _shown(look.one(IntervalDecisionRow, decision_id))


@router.post("", status_code=201, responses=documented(400, 413))
def add_interval_decision(
    body: NewDecision, deed: OfficeDeed, key: IdempotencyKey = None
) -> Decision:
    """Record a decision. Beyond what law or maker allow it is refused."""

    def add(deed: Deed) -> Decision:
        row = decide_interval(
            deed.database, body.wanted(), deed.catalogue, now=deed.now, origin=deed.origin
        )
        return _shown(deed.added(row, f"/v1/interval-decisions/{row.id}"))

    return once(deed, key, body, Decision, add, status=201)


@router.post("/preview", responses=documented(400, 413))
def preview_interval_decision(
    body: NewDecision, look: OfficeLook, catalogue: Catalogue, now: Now
) -> Changes:
    """Say which due dates a decision would move, without recording it."""
    today = local_date(now, company_zone(look.session))
    return shown_changes(preview_interval(look.session, body.wanted(), catalogue, today=today))


@router.put("/{decision_id}/withdrawn", responses=documented(404, 412, 428))
def withdraw_interval_decision(decision_id: str, deed: OfficeDeed, version: IfMatch) -> Decision:
    """End a decision: the catalogue's interval holds again."""
    row = withdraw_decision(
        deed.database, decision_id, now=deed.now, origin=deed.origin, if_version=version
    )
    return _shown(deed.changed(row))


def shown_changes(changes: DueChanges) -> Changes:
    """Return changes as they are told."""
    return Changes(
        because=changes.because,
        moved=len(changes.moved),
        earlier=changes.earlier,
        later=changes.later,
        first_effect_on=changes.first_effect_on,
        first_moves=[from_row(Moved, each) for each in changes.moved[:_SHOWN_MOVES]],
    )


def _shown(row: IntervalDecisionRow) -> Decision:
    return from_row(Decision, row)
