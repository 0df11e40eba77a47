"""How one machine wears: what to change today, whether it gets worse, how long to keep it."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from api.actions.judge_wear import overhaul_of_machine, wear_of_machine
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Amount, Day
from api.storage.snapshots import company_zone
from api.storage.tables import MachineRow
from scheduler.wear.machine_wear import PartToday
from scheduler.wear.repairable import PowerLawFit, Trend, economic_life
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1", tags=["wear"])


class PartNow(BaseModel):
    """A fitted part, and whether to change it today."""

    fitted_part_id: str
    part_type: str
    position: str
    age_days: int = Field(description="Since it was fitted, or last made as good as new.")
    change_today: bool | None = Field(description="Null when nothing is known of its wear.")
    fails_before_next_visit: float | None
    cost_of_leaving_minor: float | None = Field(
        description="What leaving it costs more on average; below 0 it saves."
    )
    because: str


class FailureTrend(BaseModel):
    """Whether the machine fails ever faster (Crow-AMSAA)."""

    trend: Trend
    shape: float
    shape_low: float
    shape_high: float
    p_value: float
    failures_per_year_now: float
    because: str


class WearOfMachine(BaseModel):
    """What the parts and failures of a machine say today."""

    machine_id: str
    today: date
    next_visit_on: date
    parts: list[PartNow] = Field(description="The most pressing first.")
    watched_from: date = Field(description="Since when its failures are on record.")
    failures: int
    trend: FailureTrend | None = Field(description="Null with fewer than two failures.")


class Overhaul(BaseModel):
    """At which age machines of this make and model are worth an overhaul."""

    machines: int = Field(description="Of this make and model.")
    failures: int
    shape: float = Field(description="Above 1 failures come faster with age.")
    shape_low: float
    shape_high: float
    p_value: float
    age_days: float | None = Field(description="Null when their failures do not come faster.")
    cost_per_day_minor: float | None = Field(
        description="Overhauls and failures in the long run, parts left out."
    )
    because: str


class KeptMachine(Given):
    """What a machine costs to buy and to keep, year by year from new."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "price_minor": 1300000,
                    "resale_minor": [900000, 800000, 600000, 200000, 0],
                    "upkeep_minor": [250000, 270000, 300000, 350000, 450000],
                    "interest": 0.1,
                }
            ]
        }
    )

    price_minor: Amount = Field(description="Of a new one, today.")
    resale_minor: list[Amount] = Field(
        min_length=1, max_length=40, description="Its worth at the end of each year."
    )
    upkeep_minor: list[Amount] = Field(
        min_length=1, max_length=40, description="Repairs, visits and lost sales of each year."
    )
    interest: float = Field(ge=0, le=1, description="Per year; 0.1 is 10 %.")


class LifeWorthwhile(BaseModel):
    """How long to keep such a machine."""

    years: int = Field(description="With the least annual cost.")
    annual_cost_minor: list[float] = Field(description="When kept 1, 2, ... years.")
    because: str


@router.post("/economic-life", responses=documented(400, 413))
def reckon_economic_life(body: KeptMachine, look: StaffLook) -> LifeWorthwhile:
    """Reckon for how many years a machine is cheapest to keep. Nothing is stored."""
    life = economic_life(**body.model_dump())
    return from_row(LifeWorthwhile, life, annual_cost_minor=list(life.annual_cost_minor))


@router.get("/machines/{machine_id}/wear", responses=documented(404))
def get_machine_wear(
    machine_id: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    next_visit_on: Annotated[
        Day | None, Query(description="When somebody comes next; as planned when left out.")
    ] = None,
) -> WearOfMachine:
    """Say of each fitted part whether to change it today, and whether the machine gets worse."""
    row = look.row(MachineRow, machine_id)
    today = local_date(now, company_zone(look.session))
    wear = wear_of_machine(look.session, catalogue, row, today=today, next_visit_on=next_visit_on)
    return WearOfMachine(
        machine_id=row.id,
        today=today,
        next_visit_on=wear.next_visit_on,
        parts=[_part_now(part) for part in wear.parts],
        watched_from=wear.watched_from,
        failures=wear.failures,
        trend=None if wear.trend is None else _trend(wear.trend, (today - wear.watched_from).days),
    )


@router.get("/machines/{machine_id}/overhaul", responses=documented(404, 409))
def get_machine_overhaul(
    machine_id: str,
    look: StaffLook,
    now: Now,
    overhaul_minor: Annotated[
        float, Query(gt=0, allow_inf_nan=False, description="What an overhaul would cost.")
    ],
) -> Overhaul:
    """Say at which age machines like this one are worth an overhaul, by the failures of all.

    An overhaul is taken to make a machine as good as new, a repair to leave it as old as it was.
    """
    row = look.row(MachineRow, machine_id)
    today = local_date(now, company_zone(look.session))
    advice = overhaul_of_machine(look.session, row, today=today, overhaul_minor=overhaul_minor)
    fit = advice.fit
    return from_row(
        Overhaul,
        advice,
        failures=fit.failures,
        shape=fit.shape,
        shape_low=fit.shape_low,
        shape_high=fit.shape_high,
        p_value=fit.trend_p_value,
    )


def _part_now(part: PartToday) -> PartNow:
    advice = part.advice
    return PartNow(
        fitted_part_id=part.part,
        part_type=part.part_type,
        position=part.position,
        age_days=part.age_days,
        change_today=None if advice is None else advice.change,
        fails_before_next_visit=None if advice is None else advice.fails_before_next,
        cost_of_leaving_minor=None if advice is None else advice.cost_of_leaving_minor,
        because=part.because,
    )


def _trend(found: PowerLawFit, watched_days: int) -> FailureTrend:
    return FailureTrend(
        trend=found.trend,
        shape=found.shape,
        shape_low=found.shape_low,
        shape_high=found.shape_high,
        p_value=found.trend_p_value,
        failures_per_year_now=365.25 * found.failure_rate(watched_days + 1),
        because=found.because,
    )
