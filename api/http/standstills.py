"""Machines that were stopped and made safe, and their way back into service."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field
from sqlmodel import col

from api.actions.standstills import PutBack, SafeReading, end_standstill
from api.auth import Role
from api.http.conditions import IfMatch
from api.http.context import StaffDeed, StaffLook
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Id, Said, Text
from api.storage.names import named_machines
from api.storage.tables import StandstillRow

router = APIRouter(prefix="/v1/standstills", tags=["standstills"])


class Standstill(Kept):
    """A machine out of service because of what was read on it, or of an examination."""

    machine_id: str
    visit_id: str | None = Field(
        description="The visit at which it was stopped; null when an examination did."
    )
    examination_id: str | None = Field(description="The examination that was not passed.")
    set_points: list[str] = Field(description="What was read beyond its limits.")
    began_at: datetime
    because: str
    ended_at: datetime | None = Field(description="Null while it stands still.")
    ended_by: str
    ended_because: str
    ended_for: str = Field(
        description="The competent person who answers for it where no reading does."
    )


class ListedStandstill(Standstill):
    """A standstill, with names, which may change without its version."""

    machine_name: str
    site_id: str
    site_name: str


class ReadAgain(Given):
    """A value read at the machine before it is used again; the unit is the set-point's."""

    set_point: Id
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: Annotated[str, Field(min_length=1, max_length=20)]


class BackInService(Given):
    """What was done, and what says that the machine may be used again."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "reason": "Pressure switch renewed, safety valve tested, no leaks hot.",
                    "readings": [
                        {"set_point": "steam_pressure_separate", "value": 1.45, "unit": "bar"}
                    ],
                }
            ]
        }
    )

    reason: Said = Field(description="What was done and checked.")
    readings: list[ReadAgain] = Field(
        default_factory=list,
        max_length=50,
        description="Each of the standstill's set-points, unless a visit has read it since.",
    )
    competent_person: Text = Field(
        default="",
        description="Who answers for it where nothing was read again; for the office only. "
        "Nobody can stand in for an examination that has to be passed.",
    )


@router.get("", responses=documented())
def list_standstills(
    look: StaffLook,
    paging: PageWanted,
    machine: Annotated[str | None, Query(description="Only of this machine.")] = None,
    ended: Annotated[bool, Query(description="Also those that have ended.")] = False,
) -> ListOf[ListedStandstill]:
    """List the machines that stand still, the longest first."""
    page = look.page(
        StandstillRow,
        [col(StandstillRow.began_at), col(StandstillRow.id)],
        paging,
        _shown,
        equals(col(StandstillRow.machine_id), machine),
        None if ended else col(StandstillRow.ended_at).is_(None),
    )
    machines = named_machines(look.session, {each.machine_id for each in page.items})
    return ListOf(
        items=[
            ListedStandstill(
                **each.model_dump(),
                machine_name=machines[each.machine_id].name,
                site_id=machines[each.machine_id].site.id,
                site_name=machines[each.machine_id].site.name,
            )
            for each in page.items
        ],
        next=page.next,
    )


@router.get("/{standstill_id}", responses=documented(404))
def get_standstill(standstill_id: str, look: StaffLook) -> Standstill:
    """Return one standstill."""
    return _shown(look.one(StandstillRow, standstill_id))


@router.put("/{standstill_id}/ended", responses=documented(400, 404, 409, 412, 413, 428))
def put_back_into_service(
    standstill_id: str, body: BackInService, deed: StaffDeed, version: IfMatch
) -> Standstill:
    """Put the machine back into service: what stopped it is read again within its range, or passed.

    Local codes and the maker come first.
    """
    row = end_standstill(
        deed.database,
        standstill_id,
        PutBack(
            reason=body.reason,
            readings=tuple(SafeReading(**each.model_dump()) for each in body.readings),
            competent_person=body.competent_person.strip(),
        ),
        deed.catalogue,
        if_version=version,
        by_office=deed.who.role is not Role.TECHNICIAN,
        now=deed.now,
        origin=deed.origin,
    )
    return _shown(deed.changed(row))


def _shown(row: StandstillRow) -> Standstill:
    return from_row(Standstill, row)
