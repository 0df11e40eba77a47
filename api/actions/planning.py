"""The life of a planning run: asked for, solved by the clock process, a draft in the end.

A solve never runs inside a request. It holds no transaction while it thinks: it loads a snapshot,
decides, and stores the outcome if the run is still its own.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, update
from sqlmodel import Session, col, select

from api.storage.audit import Origin, record
from api.storage.booked_time import HOLD, held_times
from api.storage.company_travel import TravelTold, company_travel, tell_travel
from api.storage.database import Database
from api.storage.documents import pack_problem
from api.storage.ids import new_id
from api.storage.open_work import OpenWork, open_work
from api.storage.snapshots import active_technicians, company_zone
from api.storage.stock import stores_beside
from api.storage.tables import PlanRow
from scheduler.company import Technician
from scheduler.errors import Absent, Conflict, InvalidInput, NobodyWorks
from scheduler.replanning import with_times_kept
from scheduler.routing.assembly import Assembly, assemble, published_plan, working_days
from scheduler.routing.bound import affordable_bound
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Progress, Seconds
from scheduler.routing.explanation import explain_left_out
from scheduler.routing.plan import Plan, plan_to_json
from scheduler.routing.problem import Problem
from scheduler.routing.regions import solve_any_size
from scheduler.routing.remedies import Words
from scheduler.routing.settling import searched_and_settled
from scheduler.routing.vans import Stores
from scheduler.routing.weights import PlanningWeights
from scheduler.travel import Travel
from scheduler.working_time import local_date, local_day

LONGEST_DAYS = 60
LONGEST_SECONDS = 3_600.0
USUAL_SECONDS = 20.0
LEASE = timedelta(minutes=2)
"""A solver that has not been heard of for this long is taken for dead."""

_REPORT_EVERY_SECONDS = 1.0
_EXPLAINED_FOR_SECONDS = 60.0
"""How long reasons are looked for, the dearest visits first."""

_RESCUE_SHARE = 0.3
"""Share of the bound given to a second search, when callbacks could not keep their deadline."""

_UNSETTLED_PART, _SEARCH_ON_PART = 0.4, 0.2
"""Parts of a search before the vans are settled, and each time after (at most three times)."""

_WEIGHTS = PlanningWeights()

_GIVEN_BACK: dict[str, object] = {
    "state": "queued",
    "holder": None,
    "lease_until": None,
    "progress": 0.0,
    "finished_at": None,
}


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


def solve_plan(
    database: Database,
    plan_id: str,
    *,
    holder: str,
    clock: Callable[[], datetime],
    listen: Callable[[float, int], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    threads: int = 1,
) -> PlanRow:
    """Solve a claimed run and keep the outcome: a draft, or a failure with its reason.

    Parameters
    ----------
    holder : whoever claimed it; the outcome of a run that someone else has taken over is dropped.
    clock : tells the time (UTC).
    listen : told now and then the share of the bound used up and the cost of the best plan so far.
    should_stop : asked all the time; when it says so, the run is queued again for another solver.
    threads : how many searches work on it at once, if seconds bound it. One that iterations bound
        gives the same plan on any machine.
    """
    try:
        outcome = _decide(database, plan_id, holder, clock, listen, should_stop, threads)
    except Exception as error:  # whatever it is, the dispatcher must read of it
        _finish(database, plan_id, holder, clock(), {"state": "failed", "failure": _words(error)})
        raise
    _finish(database, plan_id, holder, clock(), outcome)
    with database.read() as session:
        return plan_by_id(session, plan_id)


def _words(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:2000]


def _decide(
    database: Database,
    plan_id: str,
    holder: str,
    clock: Callable[[], datetime],
    listen: Callable[[float, int], None] | None,
    should_stop: Callable[[], bool],
    threads: int,
) -> dict[str, object]:
    now = clock()
    with database.read() as session:
        row = plan_by_id(session, plan_id)
    request = PlanRequest(
        first_day=row.first_day,
        days=row.days,
        seconds=row.seconds,
        iterations=row.iterations,
        seed=row.seed,
        repairs=row.repairs,
    )
    watch = _Watch(database, plan_id, holder, clock, request, listen, should_stop)
    search = _look(database, request, now)
    assembly, plan = search.run(watch, threads if request.iterations is None else 1)
    if watch.cancelled:
        return {"state": "cancelled"}
    if should_stop():
        return _GIVEN_BACK
    if violations := check(assembly.problem, plan):
        listed = "; ".join(violation.detail for violation in violations[:20])
        return {"state": "failed", "failure": f"the plan broke its own rules: {listed}"}
    words, patience = search.words(assembly), watch.patience()
    plan = explain_left_out(assembly.problem, plan, words, should_stop=patience)
    return {
        "state": "draft",
        "base_revision": search.work.revision,
        "best_cost": plan.cost.total,
        "lower_bound": watch.lower_bound,
        "progress": 1.0,
        "problem": pack_problem(assembly.problem),
        "solution": plan_to_json(plan),
        "travel": search.travel_told.as_json(),
        "broken_promises": [each for each in assembly.broken_promises if not each.startswith(HOLD)],
    }


def assemble_plan(database: Database, request: PlanRequest, *, now: datetime) -> Assembly:
    """Return the problem that a plan would solve, without solving it.

    Raises
    ------
    NobodyWorks
        No technician works within two months of the first day.
    """
    return _look(database, request, now).assemble()


def _look(database: Database, request: PlanRequest, now: datetime) -> "_Search":
    """Take one consistent look at everything a plan depends on."""
    with database.read() as session:
        technicians = active_technicians(session, from_day=request.first_day)
        days = working_days(technicians, request.first_day, request.days)
        if not days:
            raise NobodyWorks(request.first_day)
        zone = company_zone(session)
        work = open_work(session, technicians, now=now, days=days, zone=zone)
        work = _beside_holds(session, work, now, days, zone)
        span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
        assert span is not None, "a working day has a beginning and an end"
        visits = {visit.id.removeprefix(HOLD) for visit in work.visits}
        stores = stores_beside(session, visits, end=span.end)
        places = [
            *(place for person in technicians for place in person.bases),
            *(visit.at for visit in work.visits),
            *(entry.at for entry in work.occupied),
            *([] if stores is None else [stores.workshop]),
        ]
        travel = company_travel(session, places)
        return _Search(
            work=work,
            technicians=technicians,
            travel=travel,
            stores=stores,
            travel_told=tell_travel(session, travel, places),
            days=tuple(days),
            zone=zone,
            now=now,
            request=request,
        )


def _beside_holds(
    session: Session, work: OpenWork, now: datetime, days: Sequence[date], zone: str
) -> OpenWork:
    """Put the times that are held for clients into the work, where they are, for nobody to take."""
    span = (local_day(days[0], zone) | local_day(days[-1], zone)).hull()
    assert span is not None, "a working day has a beginning and an end"
    held = held_times(session, start=max(span.start, now), end=span.end, now=now)
    undecided = [each for each in work.visits if each.id not in held.visits or each.standing]
    names = {each.id: "a time held for a client" for each in held.pinned}
    return replace(work, visits=(*undecided, *held.pinned), names={**work.names, **names})


def _short(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _finish(
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


class _Watch:
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

    def patience(self) -> Callable[[], bool]:
        """Return what says when to stop explaining, and meanwhile shows that somebody is at it.

        A plan bounded by iterations is explained to the end: it is to be the same every time.
        """
        ends = time.monotonic() + _EXPLAINED_FOR_SECONDS

        def is_over() -> bool:
            self.report(self._last_heard)
            late = self._request.iterations is None and time.monotonic() > ends
            return late or self.should_stop()

        return is_over

    def report(self, progress: Progress) -> None:
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
        return self.cancelled or self._told_to_stop()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """One question to the engine: everything it takes, and how it is asked."""

    work: OpenWork
    technicians: tuple[Technician, ...]
    travel: Travel
    stores: Stores | None
    travel_told: TravelTold
    days: tuple[date, ...]
    zone: str
    now: datetime
    request: PlanRequest

    def run(self, watch: _Watch, threads: int) -> tuple[Assembly, Plan]:
        """Search; callbacks that cannot be answered in time get a second search without deadline.

        A deadline is a hard window at first, so that nobody trades it for a shorter drive. The
        search starts from what is published, which most of it will stay.
        """
        assembly = self.assemble()
        watch.lower_bound = affordable_bound(assembly.problem)
        published = published_plan(assembly, self.work.visits)
        assembly, plan = self._solve(assembly, 1.0, published, watch, threads)
        urgent = {visit.id for visit in self.work.visits if visit.respond_by is not None}
        missed = frozenset(left.visit for left in plan.left_out if left.visit in urgent)
        if missed and not watch.should_stop():
            assembly = self.assemble(missed)
            watch.lower_bound = affordable_bound(assembly.problem)
            assembly, plan = self._solve(assembly, _RESCUE_SHARE, plan, watch, threads)
        if self.request.repairs and published is not None:
            plan = with_times_kept(assembly.problem, plan, published)
        return assembly, plan

    def words(self, assembly: Assembly) -> Words:
        """Return how the dispatcher calls the rounds, the visits and the hours of the day."""
        names = {person.id: person.name for person in self.technicians}
        return Words(
            rounds={
                shift.id: f"{names[shift.technician]}'s round on {_short(day)}"
                for shift, day in zip(
                    assembly.problem.shifts, assembly.shift_days.values(), strict=True
                )
            },
            visits=self.work.names,
            zone=self.zone,
        )

    def assemble(self, waived: frozenset[str] = frozenset()) -> Assembly:
        return assemble(
            self.work.visits,
            self.technicians,
            self.travel,
            now=self.now,
            days=self.days,
            weights=_WEIGHTS.for_repair() if self.request.repairs else _WEIGHTS,
            occupied=self.work.occupied,
            taken=self.work.taken,
            deadline_waived=waived,
            stores=self.stores,
        )

    def _solve(
        self,
        assembly: Assembly,
        share: float,
        start_from: Plan | None,
        watch: _Watch,
        threads: int,
    ) -> tuple[Assembly, Plan]:
        """Search for a share of the bound, and see to it that each van lasts from day to day."""
        problem = assembly.problem

        def search(problem: Problem, start_from: Plan | None, part: float) -> Plan:
            bound = self.request.bound(share * part)
            return self._search(problem, bound, start_from, watch, threads)

        if self.stores is None or not problem.has_supplies():
            return assembly, search(problem, start_from, 1.0)
        plan = search(problem, start_from, _UNSETTLED_PART)
        needs = {visit.id: visit.parts for visit in self.work.visits}
        problem, plan = searched_and_settled(
            problem,
            plan,
            needs,
            self.stores,
            lambda problem, plan: search(problem, plan, _SEARCH_ON_PART),
        )
        return replace(assembly, problem=problem), plan

    def _search(
        self,
        problem: Problem,
        stop: Iterations | Seconds,
        start_from: Plan | None,
        watch: _Watch,
        threads: int,
    ) -> Plan:
        plan = solve_any_size(
            problem,
            seed=self.request.seed,
            stop=stop,
            start_from=start_from,
            on_progress=watch.report,
            should_cancel=watch.should_stop,
            threads=threads,
        )
        watch.search_is_over()
        return plan
