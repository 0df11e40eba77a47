"""The story of one machine: parts, work, readings and faults."""

from datetime import date

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wire import from_row
from api.storage import machine_history as stored
from api.storage.snapshots import company_zone
from api.storage.tables import MachineRow
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1/machines", tags=["machines"])


class Happening(BaseModel):
    """One thing that happened to the machine."""

    on: date
    kind: stored.Kind
    record: str = Field(description="Id of the part, work, measurement or callback.")
    what: str = Field(description="In words.")


class History(BaseModel):
    """Everything on record, the latest first."""

    machine_id: str
    items: list[Happening]


@router.get("/{machine_id}/history", responses=documented(404))
def get_machine_history(
    machine_id: str, look: StaffLook, catalogue: Catalogue, now: Now
) -> History:
    """Return everything that happened to a machine, the latest first."""
    row = look.row(MachineRow, machine_id)
    today = local_date(now, company_zone(look.session))
    story = stored.machine_history(look.session, catalogue, row.id, today=today)
    return History(machine_id=row.id, items=[from_row(Happening, each) for each in story])
