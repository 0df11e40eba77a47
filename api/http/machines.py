"""Machines: what stands at a site and how it is built."""

from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import MachineFields
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Deed, OfficeDeed
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, equals, from_row
from api.storage.ids import new_id
from api.storage.tables import MachineRow
from scheduler.catalogue import EquipmentKind

router = APIRouter(prefix="/v1/machines", tags=["machines"])

_EXAMPLE: JsonDict = {
    "tag": "E512",
    "serial": "V90311",
    "site_id": "si-001",
    "name": "Bar machine",
    "kind": "espresso_machine",
    "boiler_layout": "separate_boilers",
    "groups": 2,
    "dosing": "volumetric",
    "features": ["steam_shut_off", "sight_glass"],
    "installed_on": "2026-05-04",
    "drinks_per_day": 180,
}


class MachineIn(MachineFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewMachine(WithId, MachineFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Machine(Kept, MachineFields):
    out_of_service_since: datetime | None = Field(
        description="Stopped and made safe since then: it must not be used. See standstills."
    )
    certified_until: date | None = Field(
        description="The day the first of its certificates runs out: beyond it the machine must "
        "not be used. Null when none is on record."
    )


@router.get("", responses=documented())
def list_machines(
    look: AnyonesLook,
    paging: PageWanted,
    site: Annotated[str | None, Query(description="Only at this site.")] = None,
    tag: Annotated[str | None, Query(description="Only the one with this sticker.")] = None,
    kind: Annotated[EquipmentKind | None, Query(description="Only of this kind.")] = None,
) -> ListOf[Machine]:
    """List machines in order of id; a portal sees its own."""
    return look.page(
        MachineRow,
        [col(MachineRow.id)],
        paging,
        _shown,
        equals(col(MachineRow.site_id), site),
        equals(col(MachineRow.tag), tag),
        equals(col(MachineRow.kind), kind),
    )


@router.get("/{machine_id}", responses=documented(404))
def get_machine(machine_id: str, look: AnyonesLook) -> Machine:
    """Return one machine."""
    return _shown(look.one(MachineRow, machine_id))


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_machine(body: NewMachine, deed: OfficeDeed, key: IdempotencyKey = None) -> Machine:
    """Add a machine."""

    def add(deed: Deed) -> Machine:
        row = deed.add(MachineRow, body.id or new_id("ma"), body)
        return _shown(deed.added(row, f"/v1/machines/{row.id}"))

    return once(deed, key, body, Machine, add, status=201)


@router.put("/{machine_id}", responses=documented(400, 404, 412, 413, 428))
def replace_machine(
    machine_id: str, body: MachineIn, deed: OfficeDeed, version: IfMatch
) -> Machine:
    """Replace what is known of a machine."""
    return _shown(deed.replace(MachineRow, machine_id, body, version))


def _shown(row: MachineRow) -> Machine:
    return from_row(Machine, row)
