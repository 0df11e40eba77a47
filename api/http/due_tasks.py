"""Due tasks: which work falls due when, and why."""

from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from sqlmodel import col

from api.actions.raise_due_work import raise_due_work
from api.http.context import AnyonesLook, OfficeDeed
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Kept, equals, from_row
from api.storage.column_types import Day
from api.storage.tables import DueTaskRow

router = APIRouter(prefix="/v1/due-tasks", tags=["due tasks"])

State = Literal["open", "done", "dropped"]


class DueTask(Kept):
    """One piece of work that falls due on one machine."""

    machine_id: str
    site_id: str
    fitted_part_id: str | None
    rule: str = Field(
        description="Service rule of the catalogue.", examples=["steam_valve_rebuild"]
    )
    anchor: date = Field(description="The day the interval is counted from.")
    earliest: date
    target: date
    latest: date
    hard: bool = Field(description="Law or maker set `latest`: it is never passed.")
    because: str = Field(description="Which rule and which history made it, in words.")
    state: State
    visit_id: str | None = Field(description="The visit it is done at, once it has one.")


class Raised(BaseModel):
    """What falls due and the visits made of it. Costs are minutes of travel equivalent."""

    tasks: int
    visits: int
    cost_minutes: float
    separate_cost_minutes: float = Field(description="The cost of a visit for each task.")
    unreported: int = Field(
        description="Appointments long over and never reported: see `unreported` of their list."
    )


@router.get("", responses=documented())
def list_due_tasks(
    look: AnyonesLook,
    paging: PageWanted,
    machine: Annotated[str | None, Query(description="Only of this machine.")] = None,
    site: Annotated[str | None, Query(description="Only at this site.")] = None,
    visit: Annotated[str | None, Query(description="Only of this visit.")] = None,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
    latest_before: Annotated[
        Day | None, Query(description="Only those whose latest day is before this one.")
    ] = None,
) -> ListOf[DueTask]:
    """List due tasks, the soonest target first."""
    return look.page(
        DueTaskRow,
        [col(DueTaskRow.target), col(DueTaskRow.id)],
        paging,
        _shown,
        equals(col(DueTaskRow.machine_id), machine),
        equals(col(DueTaskRow.site_id), site),
        equals(col(DueTaskRow.visit_id), visit),
        equals(col(DueTaskRow.state), state),
        None if latest_before is None else col(DueTaskRow.latest) < latest_before,
    )


@router.get("/{task_id}", responses=documented(404))
def get_due_task(task_id: str, look: AnyonesLook) -> DueTask:
    """Return one due task."""
    return _shown(look.one(DueTaskRow, task_id))


@router.post("/raise", responses=documented())
def raise_due_tasks(deed: OfficeDeed) -> Raised:
    """Raise what falls due now, as is done every night: after a change that cannot wait for it."""
    raised = raise_due_work(deed.database, deed.catalogue, now=deed.now, origin=deed.origin)
    return from_row(Raised, raised)


def _shown(row: DueTaskRow) -> DueTask:
    return from_row(DueTask, row)
