"""Values read on machines: what they mean, and how they move from visit to visit."""

from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, Field
from sqlmodel import col, select

from api.actions.keep_readings import JudgedVisit, TakenReading
from api.http.context import Catalogue, StaffLook
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Id
from api.storage.measurements import reading_of
from api.storage.tables import MachineRow, MeasurementRow
from scheduler.readings import Stage, Verdict, drift

router = APIRouter(prefix="/v1/machines", tags=["machines"])


class ReadingTaken(Given):
    """A value as it was read; the unit is the set-point's and is checked.

    A hardness may be read in any unit of hardness; it is kept in the set-point's.
    """

    machine: Annotated[Id, Field(description="Its id, or the tag on it.")]
    set_point: Id
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: Annotated[str, Field(min_length=1, max_length=20)]
    stage: Stage

    def taken(self) -> TakenReading:
        return TakenReading(**self.model_dump())


class ReadingJudged(BaseModel):
    """What a value means."""

    machine: str
    set_point: str
    value: float
    unit: str
    stage: Stage
    verdict: Verdict
    because: str


class FollowUp(BaseModel):
    """Work that follows from a value out of its range."""

    task_id: str
    machine: str
    rule: str
    target: date
    latest: date
    because: str


class Judged(BaseModel):
    """What the readings of a visit mean, danger first."""

    stop_and_make_safe: list[str] = Field(
        description="Switch off, make safe and say so to the site, before anything else. "
        "Local codes come first."
    )
    readings: list[ReadingJudged]
    follow_ups: list[FollowUp]


class Measured(BaseModel):
    """A value on record."""

    taken_at: datetime
    stage: Stage
    value: float
    verdict: Verdict
    because: str
    visit_id: str | None


class Course(BaseModel):
    """One set-point of a machine over time."""

    set_point: str
    name: str
    unit: str
    low: float
    high: float
    per_month: float | None = Field(description="How fast it moves; null before two visits.")
    leaves_range_on: date | None
    because: str | None
    readings: list[Measured] = Field(description="In order of time.")


class Courses(BaseModel):
    """Every set-point read on a machine."""

    machine_id: str
    items: list[Course]


@router.get("/{machine_id}/readings", responses=documented(404))
def get_machine_readings(machine_id: str, look: StaffLook, catalogue: Catalogue) -> Courses:
    """Return what was read on a machine, and how it moves from visit to visit."""
    machine = look.row(MachineRow, machine_id)
    rows = look.session.exec(
        select(MeasurementRow)
        .where(MeasurementRow.machine_id == machine.id)
        .order_by(col(MeasurementRow.taken_at), col(MeasurementRow.stage))
    ).all()
    by_point: dict[str, list[MeasurementRow]] = {}
    for row in rows:
        by_point.setdefault(row.set_point, []).append(row)
    items = []
    for name, found in sorted(by_point.items()):
        point = catalogue.set_points.get(name)
        if point is None:
            continue
        moving = drift([reading_of(row) for row in found if row.unit == point.unit], point)
        items.append(
            from_row(
                Course,
                point,
                set_point=name,
                per_month=moving and moving.per_month,
                leaves_range_on=moving and moving.leaves_on,
                because=moving and moving.because,
                readings=[from_row(Measured, row) for row in found],
            )
        )
    return Courses(machine_id=machine.id, items=items)


def judged_shown(visit: JudgedVisit) -> Judged:
    """Return the meaning of a visit's readings as it is told."""
    readings = [
        from_row(
            ReadingJudged,
            each.judgement.reading,
            machine=each.machine,
            verdict=each.judgement.verdict,
            because=each.judgement.because,
        )
        for each in visit.readings
    ]
    return Judged(
        stop_and_make_safe=[
            f"{each.name}: {each.judgement.because}"
            for each in visit.readings
            if each.judgement.verdict is Verdict.STOP_AND_MAKE_SAFE
        ],
        readings=readings,
        follow_ups=[from_row(FollowUp, task, task_id=task.id) for task in visit.follow_ups],
    )
