"""What a draft would change against what is published, visit by visit."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from sqlmodel import Session, col, select

from api.storage.booked_time import HOLD
from api.storage.documents import unpack_problem
from api.storage.open_work import MOVABLE
from api.storage.stock import stores_beside
from api.storage.tables import AppointmentRow, PlanRow, VisitRow
from scheduler.errors import Conflict
from scheduler.fetch_lists import FetchList, summed
from scheduler.lifecycle import AppointmentState
from scheduler.routing.plan import Plan, plan_from_json, rounds
from scheduler.routing.problem import Problem
from scheduler.routing.settling import fetched

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A time with a technician."""

    technician: str
    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How an appointment is reached: ``travel_minutes`` of driving and, where the round calls at
    the workshop on the way, ``call_minutes`` there. ``fetch`` is as of ``AppointmentRow``.
    """

    travel_minutes: int = 0
    call_minutes: int | None = None
    fetch: FetchList = field(default_factory=dict, hash=False)


class ChangeKind(StrEnum):
    """What publishing a draft does to one visit."""

    ADDED = "added"
    MOVED = "moved"
    HANDED_OVER = "handed_over"  # to another technician, at whatever time
    WITHDRAWN = "withdrawn"
    UNCHANGED = "unchanged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One visit before and after. ``way`` is how it is reached in the draft."""

    visit: str
    kind: ChangeKind
    before: Slot | None
    after: Slot | None
    way: Way = field(default_factory=Way)


def changes_of(session: Session, plan: PlanRow) -> tuple[Change, ...]:
    """Return what publishing a draft would change, visit by visit, in order of time.

    Raises
    ------
    Conflict
        When the run is not a draft.
    """
    if plan.state != "draft" or plan.problem is None:
        raise Conflict(f"plan {plan.id} is {plan.state}, not a draft")
    problem = unpack_problem(plan.problem)
    proposed = _proposed(session, problem, plan_from_json(plan.solution))
    visits = [visit.id for visit in problem.visits]
    standing = {
        row.visit_id: row
        for row in session.exec(
            select(AppointmentRow)
            .where(col(AppointmentRow.visit_id).in_(visits))
            .where(col(AppointmentRow.state) != AppointmentState.CANCELLED)
            .order_by(col(AppointmentRow.created_at))
        )
        if row.state in MOVABLE or _began_as_proposed(row, proposed.get(row.visit_id))
    }
    changes = [
        _change(visit, standing.get(visit), proposed.get(visit))
        for visit in visits
        if visit in standing or visit in proposed
    ]
    return tuple(sorted(changes, key=_when))


def _began_as_proposed(row: AppointmentRow, proposed: tuple[Slot, Way] | None) -> bool:
    """Whether an appointment went ahead where the draft leaves it: nothing to change then."""
    return proposed is not None and proposed[0] == slot_of(row)


def slot_of(row: AppointmentRow) -> Slot:
    """Return the time an appointment takes, and whose."""
    return Slot(technician=row.technician_id, starts_at=row.starts_at, ends_at=row.ends_at)


def way_of(row: AppointmentRow) -> Way:
    """Return how an appointment is reached as published."""
    return Way(travel_minutes=row.travel_minutes, call_minutes=row.call_minutes, fetch=row.fetch)


def lay_way(row: AppointmentRow, way: Way) -> None:
    """Publish how an appointment is reached."""
    row.travel_minutes, row.call_minutes = way.travel_minutes, way.call_minutes
    row.fetch = summed(way.fetch)


def _when(change: Change) -> tuple[datetime, str]:
    slot = change.after or change.before
    assert slot is not None, "a change has a before or an after"
    return slot.starts_at, change.visit


def _proposed(session: Session, problem: Problem, plan: Plan) -> Mapping[str, tuple[Slot, Way]]:
    """Return each visit's slot in the draft, and how it is reached."""
    visits = {visit.id: visit for visit in problem.visits}
    shifts = {shift.id: shift for shift in problem.shifts}
    calls = {call.before: shifts[call.shift].workshop for call in plan.calls}
    fetch = _fetched(session, problem, plan)
    handed_on: dict[str, FetchList] = {}
    slots: dict[str, tuple[Slot, Way]] = {}
    for round_ in rounds(problem, plan):
        call: int | None = None
        for stop, leg in zip(round_.stops, round_.leg_minutes, strict=False):
            workshop = calls.get(stop.visit)
            if workshop is not None:
                call, leg = workshop.minutes, leg - workshop.minutes
            load = summed(handed_on.pop(round_.technician, {}), fetch.get(stop.visit, {}))
            if stop.visit.startswith(HOLD):  # a client's to book: the next one calls instead
                handed_on[round_.technician] = load
                continue
            start = problem.minute_zero + stop.start * _MINUTE
            minutes = max(visits[stop.visit].minutes_in(stop.shift), 1)
            slots[stop.visit] = (
                Slot(
                    technician=round_.technician, starts_at=start, ends_at=start + minutes * _MINUTE
                ),
                Way(travel_minutes=leg, call_minutes=call, fetch=load),
            )
            call = None
    return slots


def _fetched(session: Session, problem: Problem, plan: Plan) -> Mapping[str, FetchList]:
    """Return what is fetched for the visits of a draft, as the counts stand now."""
    if not problem.has_supplies():
        return {}
    of_problem = [visit.id for visit in problem.visits]
    ids = {visit.removeprefix(HOLD) for visit in of_problem}
    end = problem.minute_zero + max(shift.end for shift in problem.shifts) * _MINUTE
    stores = stores_beside(session, ids, end=end)
    if stores is None:
        return {}
    parts = dict(
        session.exec(select(VisitRow.id, VisitRow.parts).where(col(VisitRow.id).in_(ids))).all()
    )
    needs = {visit: parts.get(visit.removeprefix(HOLD), {}) for visit in of_problem}
    return {
        at: summed(*({visit.removeprefix(HOLD): pieces} for visit, pieces in what.items()))
        for at, what in fetched(problem, plan, needs, stores).items()
    }


def _change(visit: str, row: AppointmentRow | None, proposed: tuple[Slot, Way] | None) -> Change:
    before = None if row is None else slot_of(row)
    after, way = proposed if proposed is not None else (None, Way())
    if before is None:
        kind = ChangeKind.ADDED
    elif after is None:
        kind = ChangeKind.WITHDRAWN
    elif before.technician != after.technician:
        kind = ChangeKind.HANDED_OVER
    elif before != after:
        kind = ChangeKind.MOVED
    else:
        kind = ChangeKind.UNCHANGED
    return Change(visit=visit, kind=kind, before=before, after=after, way=way)
