"""When a technician is away."""

from typing import Literal

from fastapi import APIRouter, Response
from pydantic import ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import AbsenceFields
from api.actions.edit_records import remove_record
from api.http.conditions import IfMatch
from api.http.context import Deed, OfficeDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, equals, from_row
from api.storage.ids import new_id
from api.storage.tables import AbsenceRow, TechnicianRow
from scheduler.errors import Conflict

router = APIRouter(prefix="/v1", tags=["technicians"])

_EXAMPLE: JsonDict = {
    "technician_id": "te-3",
    "starts_at": "2027-04-05T22:00:00Z",
    "ends_at": "2027-04-09T22:00:00Z",
    "reason": "holiday",
}


class AbsenceIn(AbsenceFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewAbsence(WithId, AbsenceFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Absence(Kept, AbsenceFields):
    certainty: Literal["away", "perhaps"] = Field(
        description="'perhaps' is a cost to the planner, 'away' a wall."
    )
    calendar_id: str | None = Field(
        description="The technician's calendar it was read from; change it there."
    )


@router.get("/technicians/{technician_id}/absences", responses=documented(404))
def list_absences(technician_id: str, look: StaffLook, paging: PageWanted) -> ListOf[Absence]:
    """List a technician's absences, the earliest first."""
    look.row(TechnicianRow, technician_id)
    return look.page(
        AbsenceRow,
        [col(AbsenceRow.starts_at), col(AbsenceRow.id)],
        paging,
        _shown,
        equals(col(AbsenceRow.technician_id), technician_id),
    )


@router.get("/absences/{absence_id}", responses=documented(404))
def get_absence(absence_id: str, look: StaffLook) -> Absence:
    """Return one absence."""
    return _shown(look.one(AbsenceRow, absence_id))


@router.post("/absences", status_code=201, responses=documented(400, 409, 413))
def add_absence(body: NewAbsence, deed: OfficeDeed, key: IdempotencyKey = None) -> Absence:
    """Record an absence. Published appointments stay as they are until the next plan."""

    def add(deed: Deed) -> Absence:
        row = deed.add(AbsenceRow, body.id or new_id("ab"), body)
        return _shown(deed.added(row, f"/v1/absences/{row.id}"))

    return once(deed, key, body, Absence, add, status=201)


@router.put("/absences/{absence_id}", responses=documented(400, 404, 409, 412, 413, 428))
def replace_absence(
    absence_id: str, body: AbsenceIn, deed: OfficeDeed, version: IfMatch
) -> Absence:
    """Replace an absence."""
    _require_own(deed, absence_id)
    return _shown(deed.replace(AbsenceRow, absence_id, body, version))


@router.delete("/absences/{absence_id}", status_code=204, responses=documented(404, 409, 412, 428))
def remove_absence(absence_id: str, deed: OfficeDeed, version: IfMatch) -> Response:
    """Remove an absence."""
    _require_own(deed, absence_id)
    remove_record(
        deed.database,
        AbsenceRow,
        absence_id,
        if_version=version,
        now=deed.now,
        origin=deed.origin,
    )
    return Response(status_code=204)


def _require_own(deed: OfficeDeed, absence_id: str) -> None:
    """Refuse to touch what the next reading of a calendar would put back."""
    with deed.database.read() as session:
        row = session.get(AbsenceRow, absence_id)
    if row is not None and row.calendar_id is not None:
        raise Conflict(f"absence {absence_id} comes from a calendar: change it there")


def _shown(row: AbsenceRow) -> Absence:
    return from_row(Absence, row)
