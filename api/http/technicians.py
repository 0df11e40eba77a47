"""Technicians: who can be sent, with which skills, in which hours."""

from fastapi import APIRouter
from pydantic import ConfigDict
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import TechnicianFields
from api.http.conditions import IfMatch
from api.http.context import Deed, OfficeDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, from_row
from api.storage.ids import new_id
from api.storage.tables import TechnicianRow

router = APIRouter(prefix="/v1/technicians", tags=["technicians"])

_EXAMPLE: JsonDict = {
    "name": "Odile Varnac",
    "home_town": "Libourne",
    "lat": 44.9155,
    "lon": -0.2393,
    "zone": "Europe/Paris",
    "skills": ["espresso", "pressure"],
    "working_hours": "Mo-Fr 08:00-16:30",
    "holiday_country": "FR",
    "break_minutes": 45,
}


class TechnicianIn(TechnicianFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewTechnician(WithId, TechnicianFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Technician(Kept, TechnicianFields):
    pass


@router.get("", responses=documented())
def list_technicians(look: StaffLook, paging: PageWanted) -> ListOf[Technician]:
    """List technicians in order of id; a technician sees themselves."""
    return look.page(TechnicianRow, [col(TechnicianRow.id)], paging, _shown)


@router.get("/{technician_id}", responses=documented(404))
def get_technician(technician_id: str, look: StaffLook) -> Technician:
    """Return one technician."""
    return _shown(look.one(TechnicianRow, technician_id))


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_technician(body: NewTechnician, deed: OfficeDeed, key: IdempotencyKey = None) -> Technician:
    """Add a technician."""

    def add(deed: Deed) -> Technician:
        row = deed.add(TechnicianRow, body.id or new_id("te"), body)
        return _shown(deed.added(row, f"/v1/technicians/{row.id}"))

    return once(deed, key, body, Technician, add, status=201)


@router.put("/{technician_id}", responses=documented(400, 404, 412, 413, 428))
def replace_technician(
    technician_id: str, body: TechnicianIn, deed: OfficeDeed, version: IfMatch
) -> Technician:
    """Replace what is known of a technician."""
    return _shown(deed.replace(TechnicianRow, technician_id, body, version))


def _shown(row: TechnicianRow) -> Technician:
    return from_row(Technician, row)
