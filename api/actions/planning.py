"""A planning run as its row tells of it: asked for, taken by a solver, heard of, ended.

`solving.py` does the thinking; whoever thinks holds no transaction meanwhile. A run belongs to the
solver that claimed it for as long as it is heard of, and only that one may end it.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, update
from sqlmodel import Session, col, select

from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.snapshots import company_zone
from api.storage.tables import PlanRow
from scheduler.errors import Absent, Conflict, InvalidInput
from scheduler.routing.engine import Iterations, Progress, Seconds
from scheduler.working_time import local_date

LONGEST_DAYS = 60
LONGEST_SECONDS = 3_600.0
USUAL_SECONDS = 20.0
LEASE = timedelta(minutes=2)
"""A solver that has not been heard of for this long is taken for dead."""

_REPORT_EVERY_SECONDS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What a plan is asked for, bounded by seconds or by iterations, by the usual seconds if by
    neither. Bounded by iterations, the same work gives the same plan.

    One that ``repairs`` answers an absence or an urgent callback: it changes as little as is
    sensible of what is published.
    """

    first_day: date
    days: int = 10
    seconds: float | None = None
    iterations: int | None = None
    seed: int = 1
    repairs: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.days <= LONGEST_DAYS:
            raise InvalidInput(f"days must be from 1 to {LONGEST_DAYS}, got {self.days}")
        if self.seconds is not None and not 0 < self.seconds <= LONGEST_SECONDS:
            raise InvalidInput(
                f"seconds must be above 0 and at most {LONGEST_SECONDS:.0f}, got {self.seconds}"
            )
        if self.iterations is not None and self.iterations < 1:
            raise InvalidInput(f"iterations must be >= 1, got {self.iterations}")
        if self.seconds is not None and self.iterations is not None:
            raise InvalidInput("give seconds or iterations, not both")

    def bound(self, share: float = 1.0) -> Iterations | Seconds:
        """Return the bound of a search that may use a share of what was asked for."""
        if self.iterations is not None:
            return Iterations(max(round(self.iterations * share), 1))
        return Seconds((self.seconds or USUAL_SECONDS) * share)

    def share_done(self, progress: Progress) -> float:
        """Return how much of the bound is used up, from 0 to 1."""
        if self.iterations is not None:
            return min(progress.iterations / self.iterations, 1.0)
        return min(progress.seconds / (self.seconds or USUAL_SECONDS), 1.0)


def request_plan(
    database: Database, request: PlanRequest, *, now: datetime, origin: Origin
) -> PlanRow:
    """Queue a planning run.

    Raises
    ------
    InvalidInput
        When the first day has gone by.
    """
    with database.write() as session:
        today = local_date(now, company_zone(session))
        if request.first_day < today:
            raise InvalidInput(
                f"first_day must be today ({today}) or later, got {request.first_day}"
            )
        row = PlanRow(
            id=new_id("pl"),
            requested_at=now,
            requested_by=origin.actor,
            first_day=request.first_day,
            days=request.days,
            seconds=request.seconds,
            iterations=request.iterations,
            seed=request.seed,
            repairs=request.repairs,
        )
        session.add(row)
        record(session, origin, now=now, verb="request", subject=f"plan/{row.id}")
        return row


def cancel_plan(database: Database, plan_id: str, *, now: datetime, origin: Origin) -> PlanRow:
    """Stop a run that waits or is being solved; a draft is thrown away.

    Raises
    ------
    Absent
        There is no such plan.
    Conflict
        It has been published or has ended already.
    """
    with database.write() as session:
        row = plan_by_id(session, plan_id)
        if row.state == "solving":
            row.cancel_requested = True
        elif row.state in ("queued", "draft"):
            row.state, row.finished_at = "cancelled", now
        else:
            raise Conflict(f"plan {plan_id} is {row.state}: there is nothing left to cancel")
        session.add(row)
        record(session, origin, now=now, verb="cancel", subject=f"plan/{row.id}")
        return row


def plan_by_id(session: Session, plan_id: str) -> PlanRow:
    """Return a plan's row, or raise Absent."""
    row = session.get(PlanRow, plan_id)
    if row is None:
        raise Absent("plan", plan_id)
    return row


def claim_plan(
    database: Database, *, holder: str, now: datetime, only: str | None = None
) -> str | None:
    """Take the oldest run that waits, or one whose solver has died; None when there is none.

    ``only`` names the one run to take.
    """
    with database.write() as session:
        free = (col(PlanRow.state) == "queued") | (
            (col(PlanRow.state) == "solving") & (col(PlanRow.lease_until) < now)
        )
        if only is not None:
            free &= col(PlanRow.id) == only
        plan_id = session.exec(
            select(PlanRow.id).where(free).order_by(col(PlanRow.requested_at)).limit(1)
        ).first()
        if plan_id is None:
            return None
        claimed = session.exec(
            update(PlanRow)
            .where(col(PlanRow.id) == plan_id, free)
            .values(
                state="solving",
                holder=holder,
                lease_until=now + LEASE,
                progress=0.0,
                version=PlanRow.version + 1,
            )
        )
        return plan_id if claimed.rowcount == 1 else None


class Watch:
    """Tells the database how far a search is, and the search when it is to stop."""

    def __init__(
        self,
        database: Database,
        plan_id: str,
        holder: str,
        clock: Callable[[], datetime],
        request: PlanRequest,
        listen: Callable[[float, int], None] | None,
        should_stop: Callable[[], bool],
    ) -> None:
        self._database, self._plan_id, self._holder, self._clock = database, plan_id, holder, clock
        self._request, self._listen, self._told_to_stop = request, listen, should_stop
        self._last_report = -_REPORT_EVERY_SECONDS
        self._last_heard = Progress(iterations=0, seconds=0.0, cost=0)
        self._done_before = 0.0
        self.cancelled = False
        self.lower_bound: int | None = None

    def patience(self, seconds: float) -> Callable[[], bool]:
        """Return what says when to stop explaining, and meanwhile shows that somebody is at it.

        A plan bounded by iterations is explained to the end: it is to be the same every time.
        """
        ends = time.monotonic() + seconds

        def is_over() -> bool:
            self.report(self._last_heard)
            late = self._request.iterations is None and time.monotonic() > ends
            return late or self.should_stop()

        return is_over

    def report(self, progress: Progress) -> None:
        """Tell how far the search is, once a second, and learn whether it is wanted still."""
        self._last_heard = progress
        share = min(self._done_before + self._request.share_done(progress), 1.0)
        if self._listen is not None:
            self._listen(share, progress.cost)
        if time.monotonic() - self._last_report < _REPORT_EVERY_SECONDS:
            return
        self._last_report = time.monotonic()
        with self._database.write() as session:
            kept = session.exec(
                update(PlanRow)
                .where(
                    col(PlanRow.id) == self._plan_id,
                    col(PlanRow.state) == "solving",
                    col(PlanRow.holder) == self._holder,
                    col(PlanRow.cancel_requested).is_(False),
                )
                .values(
                    progress=share,
                    best_cost=progress.cost,
                    lower_bound=self.lower_bound,
                    lease_until=self._clock() + LEASE,
                )
            )
            self.cancelled = kept.rowcount == 0

    def search_is_over(self) -> None:
        """Count what one search used up; another may follow, and tells of itself alone."""
        self._done_before += self._request.share_done(self._last_heard)
        self._last_heard = replace(self._last_heard, iterations=0, seconds=0.0)

    def should_stop(self) -> bool:
        """Tell whether the run is cancelled or lost to another, or its solver told to stop."""
        return self.cancelled or self._told_to_stop()


def finish_plan(
    database: Database, plan_id: str, holder: str, now: datetime, values: dict[str, object]
) -> None:
    """Store the outcome unless someone else has taken the run over; a cancelled run stays so."""
    ours = (
        (col(PlanRow.id) == plan_id)
        & (col(PlanRow.state) == "solving")
        & (col(PlanRow.holder) == holder)
    )
    unwanted = col(PlanRow.cancel_requested).is_(True)
    outcomes: tuple[tuple[ColumnElement[bool], dict[str, object]], ...] = (
        (unwanted, {"state": "cancelled"}),
        (~unwanted, values),
    )
    with database.write() as session:
        for which, outcome in outcomes:
            session.exec(
                update(PlanRow)
                .where(ours, which)
                .values({"finished_at": now, "version": PlanRow.version + 1, **outcome})
            )
