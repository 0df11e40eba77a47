"""How much of the time machines could be used."""

from datetime import date

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.actions import judge_availability as judged
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wire import from_row
from api.storage.tables import MachineRow, SiteRow

router = APIRouter(prefix="/v1", tags=["wear"])


class MachineAvailability(BaseModel):
    """How available a machine was, nights and closed days included; mean times in hours."""

    machine_id: str
    watched_from: date = Field(description="Since when its failures are on record.")
    watched_hours: float
    down_hours: float
    failures: int = Field(description="That stopped it or made it dangerous.")
    planned: int = Field(description="Days of planned work that took it out of service.")
    estimated: int = Field(description="Of both: those whose hours nobody wrote down.")
    mean_to_failure: float | None = Field(description="MTTF.")
    mean_to_repair: float | None = Field(description="MTTR: hands-on.")
    mean_to_maintenance: float | None = Field(description="MTTMA: to a failure or planned work.")
    mean_maintenance: float | None = Field(description="MMT: hands-on, of both.")
    mean_delay: float | None = Field(description="MLDT: waiting for it, of both.")
    inherent: float = Field(description="MTTF / (MTTF + MTTR).")
    achieved: float = Field(description="MTTMA / (MTTMA + MMT).")
    operational: float = Field(description="MTTMA / (MTTMA + MMT + MLDT).")
    because: str


class SiteTrend(BaseModel):
    """Whether the machines of a site fail ever more often (Crow-AMSAA, counted by the month)."""

    shape: float = Field(description="Above 1 ever more often.")
    failures: int
    failures_next_year: float
    because: str


class SiteAvailability(BaseModel):
    """How available the machines of a site were."""

    site_id: str
    machines: list[MachineAvailability] = Field(
        description="Those watched for longer than they were down, retired ones included."
    )
    trend: SiteTrend | None = Field(description="Null with failures in fewer than two months.")


@router.get("/machines/{machine_id}/availability", responses=documented(404, 409))
def get_machine_availability(
    machine_id: str, look: StaffLook, catalogue: Catalogue, now: Now
) -> MachineAvailability:
    """Say how much of the time a machine could be used since its failures are on record.

    A callback stops it from the report until the technician left; where that was not recorded, and
    for work of which only the day is known, hours are estimated.
    """
    row = look.row(MachineRow, machine_id)
    found = judged.availability_of_machine(look.session, catalogue, row, now=now)
    return _shown(found)


@router.get("/sites/{site_id}/availability", responses=documented(404))
def get_site_availability(
    site_id: str, look: StaffLook, catalogue: Catalogue, now: Now
) -> SiteAvailability:
    """Say the same of each machine of a site, and whether they fail ever more often."""
    row = look.row(SiteRow, site_id)
    found = judged.availability_of_site(look.session, catalogue, row, now=now)
    return SiteAvailability(
        site_id=row.id,
        machines=[_shown(each) for each in found.machines],
        trend=None if found.trend is None else from_row(SiteTrend, found.trend),
    )


def _shown(found: judged.MachineAvailability) -> MachineAvailability:
    return from_row(
        MachineAvailability,
        found.availability,
        machine_id=found.machine,
        watched_from=found.watched_from,
    )
