"""Sites: the cafés, and the hours in which one may work there."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict
from sqlmodel import col

from api.actions.company_fields import SiteFields
from api.actions.judge_water import water_of_site
from api.http.conditions import IfMatch
from api.http.context import AnyonesLook, Catalogue, Deed, OfficeDeed, StaffLook
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, WithId, equals, from_row
from api.storage.ids import new_id
from api.storage.tables import SiteRow
from scheduler.water import HardnessUnit, convert_hardness
from scheduler.water_balance import Cartridge, Tendency

router = APIRouter(prefix="/v1/sites", tags=["sites"])

_EXAMPLE: JsonDict = {
    "client_id": "cl-01",
    "contract_id": "ct-01a",
    "name": "Quayside, Old Harbour",
    "kind": "bar",
    "address": "3 quai de l'Écluse",
    "town": "Arcachon",
    "lat": 44.6588,
    "lon": -1.1689,
    "zone": "Europe/Paris",
    "opening_hours": "Mo-Su 07:00-22:00",
    "access_hours": "Mo-Fr 09:00-11:30,14:00-17:00",
    "quiet_hours": "Mo-Fr 14:30-17:00",
    "closures": [["2027-01-11", "2027-01-24"]],
    "hardness_dh": 9.5,
    "alkalinity_mg_l": 140,
    "water_ph": 7.4,
}


class SiteIn(SiteFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class NewSite(WithId, SiteFields):
    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})


class Site(Kept, SiteFields):
    pass


class Boiler(BaseModel):
    """What the water does to one machine's steam boiler."""

    machine_id: str
    gauge_bar: float = Field(description="In the middle of its range.")
    celsius: float = Field(description="Of the water in it, at the site's altitude.")
    index: float = Field(description="Langelier index there: above 0 scale, below 0 corrosion.")
    tendency: Tendency
    cartridge: Cartridge | None = Field(description="The kind that suits this water, if any.")
    leave_dh: float | None = Field(description="Hardness its bypass should leave, in °dH.")
    index_treated: float | None = Field(description="The index then, if the pH stays.")
    because: str


class SiteWater(BaseModel):
    """What the water of a site does to its boilers."""

    site_id: str
    hardness: dict[HardnessUnit, float] = Field(description="Of the supply, in every unit.")
    not_measured: list[str] = Field(description="Fields of the site that a test should fill.")
    boilers: list[Boiler] = Field(description="Empty until pH and alkalinity are known.")
    because: str


@router.get("", responses=documented())
def list_sites(
    look: AnyonesLook,
    paging: PageWanted,
    client: Annotated[str | None, Query(description="Only this client's.")] = None,
    town: Annotated[str | None, Query(description="Only in this town.")] = None,
) -> ListOf[Site]:
    """List sites in order of id; a portal sees its own."""
    return look.page(
        SiteRow,
        [col(SiteRow.id)],
        paging,
        _shown,
        equals(col(SiteRow.client_id), client),
        equals(col(SiteRow.town), town),
    )


@router.get("/{site_id}", responses=documented(404))
def get_site(site_id: str, look: AnyonesLook) -> Site:
    """Return one site."""
    return _shown(look.one(SiteRow, site_id))


@router.get("/{site_id}/water", responses=documented(404))
def get_site_water(site_id: str, look: StaffLook, catalogue: Catalogue) -> SiteWater:
    """Say what the water of a site does to its boilers, and how to treat it (Langelier index)."""
    row = look.row(SiteRow, site_id)
    judged = water_of_site(look.session, catalogue, row)
    return SiteWater(
        site_id=row.id,
        hardness={
            unit: round(convert_hardness(row.hardness_dh, HardnessUnit.GERMAN_DEGREE, unit), 2)
            for unit in HardnessUnit
        },
        not_measured=list(judged.not_measured),
        boilers=[
            from_row(Boiler, boiler.advice, machine_id=boiler.machine, gauge_bar=boiler.gauge_bar)
            for boiler in judged.boilers
        ],
        because=judged.because,
    )


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_site(body: NewSite, deed: OfficeDeed, key: IdempotencyKey = None) -> Site:
    """Add a site."""

    def add(deed: Deed) -> Site:
        row = deed.add(SiteRow, body.id or new_id("si"), body)
        return _shown(deed.added(row, f"/v1/sites/{row.id}"))

    return once(deed, key, body, Site, add, status=201)


@router.put("/{site_id}", responses=documented(400, 404, 412, 413, 428))
def replace_site(site_id: str, body: SiteIn, deed: OfficeDeed, version: IfMatch) -> Site:
    """Replace what is known of a site."""
    return _shown(deed.replace(SiteRow, site_id, body, version))


def _shown(row: SiteRow) -> Site:
    return from_row(Site, row)
