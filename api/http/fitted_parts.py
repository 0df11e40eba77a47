"""What is fitted in a machine, what was done to it and what its counters showed."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import FittedPartFields, MeterReadingFields
from api.actions.keep_counters import correct_meter_reading, notice_of_fall
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeDeed, StaffDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, WithId, equals, from_row
from api.storage.column_types import Amount, Said
from api.storage.ids import new_id
from api.storage.meter_readings import STANDING
from api.storage.tables import FittedPartRow, MachineRow, MeterReadingRow, WorkDoneRow
from scheduler.catalogue import Counter
from scheduler.machines import Outcome

router = APIRouter(prefix="/v1", tags=["machines"])

_PART: JsonDict = {
    "machine_id": "ma-001",
    "part_type": "group_gasket",
    "position": "group 1",
    "fitted_on": "2027-02-11",
}
_READING: JsonDict = {
    "machine_id": "ma-001",
    "counter": "brew_cycles",
    "value": 184220,
    "taken_at": "2027-02-11T09:40:00Z",
}


class FittedPartIn(FittedPartFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_PART]})


class NewFittedPart(WithId, FittedPartFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_PART]})


class FittedPart(Kept, FittedPartFields):
    pass


class NewMeterReading(WithId, MeterReadingFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_READING]})


class MeterReading(MeterReadingFields):
    id: str
    corrects: str | None = Field(description="The reading in whose place it stands.")
    withdrawn: bool = Field(description="It says that the reading it names was a mistake.")


class KeptReading(MeterReading):
    notice: str = Field(
        default="",
        description="Where the counter runs backwards at it: it was reset, replaced or mistyped. "
        "Empty otherwise.",
    )


class RightReading(Given):
    """What the counter really showed then; the record that is wrong stays, and counts no more."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"value": 184220, "reason": "A digit was left out."}]}
    )

    value: Amount
    reason: Said


class NoReading(Given):
    """Why there was no such reading."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"reason": "Another machine's."}]})

    reason: Said


class WorkDone(BaseModel):
    """A piece of work as it was recorded."""

    id: str
    machine_id: str
    fitted_part_id: str | None
    rule: str
    outcome: Outcome
    done_on: date
    visit_id: str | None


@router.get("/machines/{machine_id}/fitted-parts", responses=documented(404))
def list_fitted_parts(
    machine_id: str,
    look: AnyonesLook,
    paging: PageWanted,
    removed: Annotated[bool, Query(description="Also those taken out.")] = False,
) -> ListOf[FittedPart]:
    """List the parts of a machine in order of id."""
    look.row(MachineRow, machine_id)
    return look.page(
        FittedPartRow,
        [col(FittedPartRow.id)],
        paging,
        _part,
        equals(col(FittedPartRow.machine_id), machine_id),
        None if removed else col(FittedPartRow.removed_on).is_(None),
    )


@router.get("/fitted-parts/{part_id}", responses=documented(404))
def get_fitted_part(part_id: str, look: AnyonesLook) -> FittedPart:
    """Return one fitted part."""
    return _part(look.one(FittedPartRow, part_id))


@router.post("/fitted-parts", status_code=201, responses=documented(400, 409, 413))
def add_fitted_part(
    body: NewFittedPart, deed: OfficeDeed, key: IdempotencyKey = None
) -> FittedPart:
    """Record a part that is fitted in a machine."""

    def add(deed: Deed) -> FittedPart:
        row = deed.add(FittedPartRow, body.id or new_id("fp"), body)
        return _part(deed.added(row, f"/v1/fitted-parts/{row.id}"))

    return once(deed, key, body, FittedPart, add, status=201)


@router.put("/fitted-parts/{part_id}", responses=documented(400, 404, 412, 413, 428))
def replace_fitted_part(
    part_id: str, body: FittedPartIn, deed: OfficeDeed, version: IfMatch
) -> FittedPart:
    """Replace what is known of a fitted part."""
    return _part(deed.replace(FittedPartRow, part_id, body, version))


@router.get("/machines/{machine_id}/work-done", responses=documented(404))
def list_work_done(machine_id: str, look: StaffLook, paging: PageWanted) -> ListOf[WorkDone]:
    """List the work recorded on a machine, the oldest first."""
    look.row(MachineRow, machine_id)
    return look.page(
        WorkDoneRow,
        [col(WorkDoneRow.done_on), col(WorkDoneRow.id)],
        paging,
        lambda row: from_row(WorkDone, row),
        equals(col(WorkDoneRow.machine_id), machine_id),
    )


@router.get("/machines/{machine_id}/meter-readings", responses=documented(404))
def list_meter_readings(
    machine_id: str,
    look: AnyonesLook,
    paging: PageWanted,
    counter: Annotated[Counter | None, Query(description="Only of this counter.")] = None,
    superseded: Annotated[bool, Query(description="Also those that were corrected.")] = False,
) -> ListOf[MeterReading]:
    """List the readings of a machine's counters, the oldest first."""
    look.row(MachineRow, machine_id)
    return look.page(
        MeterReadingRow,
        [col(MeterReadingRow.taken_at), col(MeterReadingRow.id)],
        paging,
        lambda row: from_row(MeterReading, row),
        equals(col(MeterReadingRow.machine_id), machine_id),
        equals(col(MeterReadingRow.counter), counter),
        None if superseded else STANDING,
    )


@router.post("/meter-readings", status_code=201, responses=documented(400, 409, 413))
def add_meter_reading(
    body: NewMeterReading, deed: StaffDeed, key: IdempotencyKey = None
) -> KeptReading:
    """Record what a counter shows."""

    def add(deed: Deed) -> KeptReading:
        return _kept(deed, deed.add(MeterReadingRow, body.id or new_id("mr"), body))

    return once(deed, key, body, KeptReading, add, status=201)


@router.post(
    "/meter-readings/{reading_id}/correction",
    status_code=201,
    responses=documented(400, 404, 409, 413),
)
def correct_reading(
    reading_id: str, body: RightReading, deed: StaffDeed, key: IdempotencyKey = None
) -> KeptReading:
    """Put the right value in the place of one that was mistyped; 409 when it does not stand."""

    def correct(deed: Deed) -> KeptReading:
        return _kept(deed, _corrected(deed, reading_id, body.value, body.reason))

    return once(deed, key, body, KeptReading, correct, status=201)


@router.post(
    "/meter-readings/{reading_id}/withdrawal",
    status_code=201,
    responses=documented(400, 404, 409, 413),
)
def withdraw_reading(
    reading_id: str, body: NoReading, deed: StaffDeed, key: IdempotencyKey = None
) -> MeterReading:
    """Say that there was no such reading; 409 when it does not stand any more."""

    def withdraw(deed: Deed) -> MeterReading:
        return from_row(MeterReading, _corrected(deed, reading_id, None, body.reason))

    return once(deed, key, body, MeterReading, withdraw, status=201)


def _corrected(deed: Deed, reading_id: str, value: float | None, reason: str) -> MeterReadingRow:
    return correct_meter_reading(
        deed.database,
        reading_id,
        value,
        reason,
        deed.catalogue,
        now=deed.now,
        origin=deed.origin,
    )


def _kept(deed: Deed, row: MeterReadingRow) -> KeptReading:
    with deed.database.read() as session:
        return from_row(KeptReading, row, notice=notice_of_fall(session, row))


def _part(row: FittedPartRow) -> FittedPart:
    return from_row(FittedPart, row)
