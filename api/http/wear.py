"""How types of parts wear: laws of life, what to renew at which age, what makes a difference."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field

from api.actions.judge_wear import PartTypeWear, wear_of_part_type
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wear_picture import draw_wear, telling_ages
from api.http.wire import from_row
from api.storage.column_types import Day
from api.storage.snapshots import company_zone
from scheduler.duty import DutyClass
from scheduler.wear.comparing import ComparedBy, Comparison
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


class Together(BaseModel):
    """Renewing all such parts of a machine at the same visit, whatever the age of each."""

    interval_days: float
    cost_per_day_minor: float = Field(description="Of one part, in the long run.")
    dearer_share: float = Field(
        description="How much more than renewing each by the advice; below 0 less."
    )
    breaks_even_minor: float = Field(
        description="It pays where sharing a visit makes a renewal cheaper than alone by this."
    )
    failures: float = Field(description="Of one part between two such visits, on average.")
    because: str


class Group(BaseModel):
    """One group of lives that is compared."""

    name: str
    lives: int
    failures: int
    expected_failures: float = Field(description="If all groups were alike.")


class ComparedLives(BaseModel):
    """Whether lives really differ (log-rank test)."""

    by: ComparedBy
    groups: list[Group]
    chi_square: float
    freedom: int = Field(description="Degrees of freedom: groups less one.")
    p_value: float = Field(description="How often chance would show as much.")
    differ: bool
    because: str


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
    together: Together | None = Field(
        description="Null where renewing one that has not failed never pays."
    )
    comparisons: list[ComparedLives] = Field(
        description="Between classes of duty, positions, and before and after a day."
    )
    survival: list[SurvivalPoint]
    censored_ages_days: list[float]
    curve: list[CurvePoint]


@router.get("/part-types/{part_type}/wear", responses=documented(404, 409))
def get_part_type_wear(
    part_type: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    duty: Duty = DutyClass.STANDARD,
    changed_on: Annotated[
        Day | None, Query(description="Compare parts fitted before that day with those since.")
    ] = None,
) -> WearOfPartType:
    """Judge the wear of a type of part from every life on record."""
    return _shown(_judged(part_type, look, catalogue, now, duty, changed_on))


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
    wear = _judged(part_type, look, catalogue, now, duty).wear
    return draw_wear(wear, catalogue.part_types[part_type].name)


def _judged(
    part_type: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    duty: DutyClass,
    changed_on: date | None = None,
) -> PartTypeWear:
    today = local_date(now, company_zone(look.session))
    return wear_of_part_type(
        look.session, catalogue, part_type, duty, today=today, changed_on=changed_on
    )


def _compared(by: ComparedBy, found: Comparison) -> ComparedLives:
    groups = [from_row(Group, group) for group in found.groups]
    return from_row(ComparedLives, found, by=by, groups=groups)


def _shown(judged: PartTypeWear) -> WearOfPartType:
    wear, together = judged.wear, judged.together
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
        together=None
        if together is None
        else from_row(
            Together,
            together,
            interval_days=together.interval,
            cost_per_day_minor=together.cost_rate,
        ),
        comparisons=[_compared(by, found) for by, found in judged.comparisons.items()],
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
