"""Machines that were stopped and made safe, and their way back into service."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field
from sqlmodel import col

from api.actions.standstills import end_standstill
from api.http.conditions import IfMatch
from api.http.context import StaffDeed, StaffLook
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Name
from api.storage.tables import StandstillRow

router = APIRouter(prefix="/v1/standstills", tags=["standstills"])


class Standstill(Kept):
    """A machine out of service because of what was read on it."""

    machine_id: str
    visit_id: str = Field(description="The visit at which it was stopped.")
    began_at: datetime
    because: str
    ended_at: datetime | None = Field(description="Null while it stands still.")
    ended_by: str
    ended_because: str


class BackInService(Given):
    """Why the machine may be used again."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"reason": "Pressure switch renewed; 1.45 bar as left, valve tested."}]
        }
    )

    reason: Name


@router.get("", responses=documented())
def list_standstills(
    look: StaffLook,
    paging: PageWanted,
    machine: Annotated[str | None, Query(description="Only of this machine.")] = None,
    ended: Annotated[bool, Query(description="Also those that have ended.")] = False,
) -> ListOf[Standstill]:
    """List the machines that stand still, the longest first."""
    return look.page(
        StandstillRow,
        [col(StandstillRow.began_at), col(StandstillRow.id)],
        paging,
        _shown,
        equals(col(StandstillRow.machine_id), machine),
        None if ended else col(StandstillRow.ended_at).is_(None),
    )


@router.get("/{standstill_id}", responses=documented(404))
def get_standstill(standstill_id: str, look: StaffLook) -> Standstill:
    """Return one standstill."""
    return _shown(look.one(StandstillRow, standstill_id))


@router.put("/{standstill_id}/ended", responses=documented(400, 404, 409, 412, 413, 428))
def put_back_into_service(
    standstill_id: str, body: BackInService, deed: StaffDeed, version: IfMatch
) -> Standstill:
    """Put the machine back into service, with the reason. Local codes and the maker come first."""
    row = end_standstill(
        deed.database,
        standstill_id,
        body.reason,
        if_version=version,
        now=deed.now,
        origin=deed.origin,
    )
    return _shown(deed.changed(row))


def _shown(row: StandstillRow) -> Standstill:
    return from_row(Standstill, row)
