"""What the months to come hold: of a machine, a site, a contract and the whole company."""

from dataclasses import asdict
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field
from sqlmodel import select

from api.actions.look_ahead import outlook, upgrades_ahead
from api.http.charts import CURVE, STEPS, Plot, picture, words
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wire import from_row
from api.storage.examinations import machines_run_out
from api.storage.snapshots import company, company_zone
from api.storage.tables import ContractRow, MachineRow, SiteRow
from scheduler.outlook import MonthAhead
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1", tags=["outlook"])

Months = Annotated[int, Query(ge=1, le=36, description="How many months from today.")]
_SVG: dict[int | str, dict[str, Any]] = {
    **documented(404),
    200: {"content": {"image/svg+xml": {}}, "description": "A picture."},
}


class Month(BaseModel):
    """The recurring work aimed at a month."""

    start: date
    tasks: int
    hours: float = Field(description="Hands-on; drives, access and waiting depend on the visits.")
    parts: dict[str, int] = Field(description="Part type → pieces.")
    cost_minor: int = Field(description="Parts and hands-on hours.")


class RunOut(BaseModel):
    """A machine of which a certificate has run out."""

    machine_id: str
    certified_until: date


class Offer(BaseModel):
    """A part to offer in place of one that is superseded."""

    part_type: str
    instead_of: str
    pieces: int = Field(description="So many of the old part are fitted.")
    dearer_minor: int = Field(description="The new part's price less the old one's, each.")
    because: str


class Outlook(BaseModel):
    """Month by month from today; what is overdue counts as done today."""

    currency: str
    tasks: int
    hours: float
    cost_minor: int
    certificates_run_out: list[RunOut] = Field(
        description="Machines that must not be used until a competent person has examined them."
    )
    months: list[Month]
    upgrades: list[Offer]


@router.get("/outlook", responses=documented())
def get_company_outlook(
    look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Outlook:
    """Look ahead for the whole company."""
    return _shown(look, catalogue, now, months)


@router.get("/outlook.svg", response_class=Response, responses=_SVG)
def draw_company_outlook(
    look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Response:
    """Draw the outlook of the whole company."""
    row = company(look.session)
    return _drawn(_ahead(look, catalogue, now, months), row.name, row.currency)


@router.get("/contracts/{contract_id}/outlook", responses=documented(404))
def get_contract_outlook(
    contract_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Outlook:
    """Look ahead for the sites of a contract."""
    return _shown(look, catalogue, now, months, sites=_sites_of(look, contract_id))


@router.get("/contracts/{contract_id}/outlook.svg", response_class=Response, responses=_SVG)
def draw_contract_outlook(
    contract_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Response:
    """Draw the outlook of a contract."""
    ahead = _ahead(look, catalogue, now, months, sites=_sites_of(look, contract_id))
    return _drawn(ahead, f"Contract {contract_id}", company(look.session).currency)


@router.get("/sites/{site_id}/outlook", responses=documented(404))
def get_site_outlook(
    site_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Outlook:
    """Look ahead for the machines of a site."""
    row = look.row(SiteRow, site_id)
    return _shown(look, catalogue, now, months, sites=[row.id])


@router.get("/sites/{site_id}/outlook.svg", response_class=Response, responses=_SVG)
def draw_site_outlook(
    site_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Response:
    """Draw the outlook of a site."""
    row = look.row(SiteRow, site_id)
    ahead = _ahead(look, catalogue, now, months, sites=[row.id])
    return _drawn(ahead, row.name, company(look.session).currency)


@router.get("/machines/{machine_id}/outlook", responses=documented(404))
def get_machine_outlook(
    machine_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Outlook:
    """Look ahead for one machine."""
    row = look.row(MachineRow, machine_id)
    return _shown(look, catalogue, now, months, machines=[row.id])


@router.get("/machines/{machine_id}/outlook.svg", response_class=Response, responses=_SVG)
def draw_machine_outlook(
    machine_id: str, look: StaffLook, catalogue: Catalogue, now: Now, months: Months = 12
) -> Response:
    """Draw the outlook of a machine."""
    row = look.row(MachineRow, machine_id)
    ahead = _ahead(look, catalogue, now, months, machines=[row.id])
    return _drawn(ahead, f"{row.name} {row.tag}", company(look.session).currency)


def _sites_of(look: StaffLook, contract_id: str) -> list[str]:
    row = look.row(ContractRow, contract_id)
    return list(look.session.exec(select(SiteRow.id).where(SiteRow.contract_id == row.id)))


def _ahead(
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    months: int,
    *,
    machines: list[str] | None = None,
    sites: list[str] | None = None,
) -> tuple[MonthAhead, ...]:
    return outlook(
        look.session,
        catalogue,
        today=local_date(now, company_zone(look.session)),
        months=months,
        machines=machines,
        sites=sites,
    )


def _shown(
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    months: int,
    *,
    machines: list[str] | None = None,
    sites: list[str] | None = None,
) -> Outlook:
    ahead = _ahead(look, catalogue, now, months, machines=machines, sites=sites)
    today = local_date(now, company_zone(look.session))
    run_out = machines_run_out(look.session, today, machines=machines, sites=sites)
    offers = upgrades_ahead(look.session, catalogue, machines=machines, sites=sites)
    return Outlook(
        certificates_run_out=[from_row(RunOut, row, machine_id=row.id) for row in run_out],
        currency=company(look.session).currency,
        tasks=sum(month.tasks for month in ahead),
        hours=sum(month.minutes for month in ahead) / 60,
        cost_minor=sum(month.cost_minor for month in ahead),
        months=[
            Month(
                start=month.start,
                tasks=month.tasks,
                hours=month.minutes / 60,
                parts=dict(sorted(month.parts.items())),
                cost_minor=month.cost_minor,
            )
            for month in ahead
        ],
        upgrades=[Offer(**asdict(offer), pieces=pieces) for offer, pieces in offers],
    )


def _drawn(ahead: tuple[MonthAhead, ...], name: str, currency: str) -> Response:
    width, height, top = 560.0, 240.0, 30.0
    labels = [f"{month.start:%b}" for month in ahead]

    def bars(title: str, unit: str, values: list[float], ink: str, left: float) -> str:
        plot = Plot(
            title=title,
            x_label="month from today",
            y_label=unit,
            x_max=1.0,
            y_max=max([1.0, *(1.1 * value for value in values)]),
            left=left,
            top=top,
            width=width,
            height=height,
        )
        plot.bars(values, labels, ink)
        return plot.svg(x_ticks=False)

    hours = [month.minutes / 60 for month in ahead]
    money = [month.cost_minor / 100 for month in ahead]
    said = (
        f"{name}: {sum(month.tasks for month in ahead)} tasks, {sum(hours):.0f} hours, "
        f"{sum(money):,.0f} {currency} in {len(ahead)} months"
    )
    return picture(
        [
            words(14, 20, said, size=14),
            bars("Hands-on hours", "hours", hours, CURVE, 0.0),
            bars("Parts and hands-on hours", currency, money, STEPS, width),
        ],
        width=2 * width,
        height=height + top,
        label=said,
    )
