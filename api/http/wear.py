"""How parts and machines wear: laws of life, what to renew at which age, what to do today."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api.actions.judge_wear import wear_of_machine, wear_of_part_type
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wear_picture import draw_wear, telling_ages
from api.http.wire import Given, from_row
from api.storage.column_types import Amount
from api.storage.snapshots import company_zone
from api.storage.tables import MachineRow
from scheduler.duty import DutyClass
from scheduler.wear.machine_wear import PartToday
from scheduler.wear.part_wear import PartWear
from scheduler.wear.repairable import PowerLawFit, Trend, economic_life
from scheduler.wear.replacement import Verdict, cost_rate
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1", tags=["wear"])

Duty = Annotated[DutyClass, Query(description="Of machines worked this hard.")]


class Estimate(BaseModel):
    """A number and the limits it lies in with 95 % confidence."""

    value: float
    low: float
    high: float


class LawOfLife(BaseModel):
    """A Weibull law fitted to the lives on record; ages in days."""

    shape: Estimate = Field(description="Above 1 the part wears out, below 1 it fails early.")
    scale: Estimate = Field(description="Days by which 63.2 % have failed.")
    mean_days: float
    failures: int
    censored: int = Field(description="Lives cut short by a renewal, or still running.")
    ageing_p_value: float | None = Field(
        description="How often chance would show as much ageing if age did not matter."
    )
    expected_life_helped: bool = Field(
        description="So few have failed that the catalogue's expected life took part."
    )


class SurvivalPoint(BaseModel):
    """A step of the Kaplan-Meier curve."""

    age_days: float
    at_risk: int
    failures: int
    survival: float
    low: float
    high: float


class CurvePoint(BaseModel):
    """The fitted law at an age."""

    age_days: float
    survival: float
    hazard_per_day: float
    cost_per_day_minor: float = Field(description="Long-run cost when renewed at this age.")


class Advice(BaseModel):
    """When to renew such a part."""

    verdict: Verdict
    age_days: float | None = Field(description="Null when it is run until it fails.")
    cost_per_day_minor: float
    cost_per_day_run_until_failure_minor: float
    saving_share: float
    fails_before: float = Field(description="Share that fails before that age all the same.")
    limited: bool = Field(description="Law or maker set the age.")


class WearOfPartType(BaseModel):
    """How a type of part wears."""

    part_type: str
    duty: DutyClass
    rule: str = Field(description="The service rule that renews it.")
    because: str = Field(description="The verdict in plain words, with its numbers.")
    law: LawOfLife
    advice: Advice
    planned_minor: float = Field(description="A planned renewal costs so much, ...")
    failure_minor: float = Field(description="... and a failure so much.")
    limit_days: float | None = Field(description="By law or maker never older than this.")
    survival: list[SurvivalPoint]
    censored_ages_days: list[float]
    curve: list[CurvePoint]


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


@router.get("/part-types/{part_type}/wear", responses=documented(404, 409))
def get_part_type_wear(
    part_type: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    duty: Duty = DutyClass.STANDARD,
) -> WearOfPartType:
    """Judge the wear of a type of part from every life on record."""
    return _shown(_judged(part_type, look, catalogue, now, duty))


@router.get(
    "/part-types/{part_type}/wear.svg",
    response_class=Response,
    responses={**documented(404, 409), 200: {"content": {"image/svg+xml": {}}}},
)
def draw_part_type_wear(
    part_type: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    duty: Duty = DutyClass.STANDARD,
) -> Response:
    """Draw the same: survival with censoring marks, hazard, and cost with its optimum."""
    wear = _judged(part_type, look, catalogue, now, duty)
    return draw_wear(wear, catalogue.part_types[part_type].name)


@router.get("/machines/{machine_id}/wear", responses=documented(404))
def get_machine_wear(
    machine_id: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    next_visit_on: Annotated[
        date | None, Query(description="When somebody comes next; as planned when left out.")
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


def _judged(
    part_type: str, look: StaffLook, catalogue: Catalogue, now: Now, duty: DutyClass
) -> PartWear:
    today = local_date(now, company_zone(look.session))
    return wear_of_part_type(look.session, catalogue, part_type, duty, today=today)


def _shown(wear: PartWear) -> WearOfPartType:
    fit, advice, law = wear.fit, wear.advice, wear.fit.law
    return WearOfPartType(
        part_type=wear.part_type,
        duty=wear.duty,
        rule=wear.rule,
        because=wear.because,
        law=LawOfLife(
            shape=Estimate(value=law.shape, low=fit.shape.low, high=fit.shape.high),
            scale=Estimate(value=law.scale, low=fit.scale.low, high=fit.scale.high),
            mean_days=law.mean,
            failures=fit.failures,
            censored=fit.censored,
            ageing_p_value=fit.ageing_p_value,
            expected_life_helped=fit.prior is not None,
        ),
        advice=Advice(
            verdict=advice.verdict,
            age_days=advice.age,
            cost_per_day_minor=advice.cost_rate,
            cost_per_day_run_until_failure_minor=advice.cost_rate_run_until_failure,
            saving_share=advice.saving_share,
            fails_before=advice.fails_before,
            limited=advice.limited,
        ),
        planned_minor=wear.costs.planned_minor,
        failure_minor=wear.costs.failure_minor,
        limit_days=wear.limit_days,
        survival=[
            SurvivalPoint(
                age_days=step.age,
                at_risk=step.at_risk,
                failures=step.failures,
                survival=step.survival,
                low=step.low,
                high=step.high,
            )
            for step in wear.curve.steps
        ],
        censored_ages_days=list(wear.curve.censored_ages),
        curve=[
            CurvePoint(
                age_days=age,
                survival=law.survival(age),
                hazard_per_day=law.hazard(age),
                cost_per_day_minor=cost_rate(law, wear.costs, age),
            )
            for age in telling_ages(wear)
        ],
    )
