"""How much a machine is used, which readings were not believed, and when limits are reached."""

from datetime import date, datetime

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.actions.judge_use import CounterUse, use_of_machine
from api.http.context import Catalogue, Now, StaffLook
from api.http.problems import documented
from api.http.wire import from_row
from api.storage.snapshots import company_zone
from api.storage.tables import MachineRow
from scheduler.catalogue import Counter
from scheduler.meters import Basis
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1/machines", tags=["machines"])


class OddReading(BaseModel):
    """A reading that was left out."""

    taken_at: datetime
    value: float
    why: str


class LimitAhead(BaseModel):
    """A rule that goes by this counter."""

    rule: str
    fitted_part: str | None
    since: date
    limit: float = Field(description="In the counter's unit.")
    expected_at: datetime | None = Field(description="Null when not in this century.")
    earliest_at: datetime | None
    latest_at: datetime | None


class CounterOfMachine(BaseModel):
    """What one counter says."""

    counter: Counter
    per_day: float = Field(description="On an average day of the year.")
    low: float
    high: float
    basis: Basis
    readings_used: int
    odd: list[OddReading]
    resets_at: list[datetime] = Field(description="First readings after a reset or replacement.")
    limits: list[LimitAhead]


class Use(BaseModel):
    """The pace of a machine."""

    machine_id: str
    drinks_per_day: float
    season_by_month: list[float] = Field(
        description="January first, as multiples of the average month; all 1 for an even year."
    )
    counters: list[CounterOfMachine]


@router.get("/{machine_id}/use", responses=documented(404))
def get_machine_use(machine_id: str, look: StaffLook, catalogue: Catalogue, now: Now) -> Use:
    """Return what the counters of a machine say; odd readings are named, never silently used."""
    row = look.row(MachineRow, machine_id)
    today = local_date(now, company_zone(look.session))
    found = use_of_machine(look.session, catalogue, row.id, today=today)
    return Use(
        machine_id=row.id,
        drinks_per_day=found.duty.drinks_per_day,
        season_by_month=list(found.duty.season.by_month),
        counters=[_counter(each) for each in found.counters],
    )


def _counter(found: CounterUse) -> CounterOfMachine:
    return from_row(
        CounterOfMachine,
        found.usage,
        counter=found.counter,
        readings_used=len(found.usage.used),
        odd=[
            OddReading(taken_at=odd.reading.taken_at, value=odd.reading.value, why=odd.why)
            for odd in found.usage.odd
        ],
        resets_at=[reading.taken_at for reading in found.usage.resets],
        limits=[
            from_row(
                LimitAhead,
                limit,
                expected_at=limit.forecast.expected,
                earliest_at=limit.forecast.earliest,
                latest_at=limit.forecast.latest,
            )
            for limit in found.limits
        ],
    )
