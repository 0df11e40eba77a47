"""Solving a planning run in the background: look once, search, check, explain, keep the outcome.

A solve never runs inside a request. It holds no transaction while it thinks: it loads a snapshot,
decides, and stores the outcome if the run is still its own.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from types import MappingProxyType

from sqlmodel import Session

from api.actions.planning import PlanRequest, Watch, finish_plan, plan_by_id
from api.storage.booked_time import HOLD, held_times
from api.storage.company_travel import TravelTold, company_travel, tell_travel
from api.storage.database import Database
from api.storage.documents import pack_problem
from api.storage.open_work import OpenWork, open_work
from api.storage.snapshots import active_technicians, company_zone
from api.storage.stock import stores_beside
from api.storage.tables import PlanRow
from scheduler.company import Technician
from scheduler.errors import NobodyWorks
from scheduler.replanning import with_times_kept
from scheduler.routing.assembly import Assembly, assemble, published_plan, working_days
from scheduler.routing.bound import affordable_bound
from scheduler.routing.checker import check
from scheduler.routing.engine import Iterations, Seconds
from scheduler.routing.explanation import explain_left_out
from scheduler.routing.plan import Plan, plan_to_json
from scheduler.routing.problem import Problem
from scheduler.routing.regions import solve_any_size
from scheduler.routing.remedies import Words
from scheduler.routing.settling import searched_and_settled
from scheduler.routing.vans import Stores
from scheduler.routing.weights import PlanningWeights
from scheduler.travel import Travel
from scheduler.working_time import local_day

_EXPLAINED_FOR_SECONDS = 60.0
"""How long reasons are looked for, the dearest visits first."""

_RESCUE_SHARE = 0.3
"""Share of the bound given to a second search, when callbacks could not keep their deadline."""

_UNSETTLED_PART, _SEARCH_ON_PART = 0.4, 0.2
"""Parts of a search before the vans are settled, and each time after (three times)."""

_WEIGHTS = PlanningWeights()

_GIVEN_BACK: dict[str, object] = {
    "state": "queued",
    "holder": None,
    "lease_until": None,
    "progress": 0.0,
    "finished_at": None,
}


def solve_plan(
    database: Database,
    plan_id: str,
    *,
    holder: str,
    clock: Callable[[], datetime],
    listen: Callable[[float, int], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    threads: int = 1,
    part_names: Mapping[str, str] = MappingProxyType({}),
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
    part_names : how reasons call the parts; those not named are called by their type.
    """
    try:
        outcome = _decide(
            database, plan_id, holder, clock, listen, should_stop, threads, part_names
        )
    except Exception as error:  # whatever it is, the dispatcher must read of it
        finish_plan(
            database, plan_id, holder, clock(), {"state": "failed", "failure": _words(error)}
        )
        raise
    finish_plan(database, plan_id, holder, clock(), outcome)
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
    part_names: Mapping[str, str],
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
    watch = Watch(database, plan_id, holder, clock, request, listen, should_stop)
    search = _look(database, request, now)
    assembly, plan = search.run(watch, threads if request.iterations is None else 1)
    if watch.cancelled:
        return {"state": "cancelled"}
    if should_stop():
        return _GIVEN_BACK
    if violations := check(assembly.problem, plan):
        listed = "; ".join(violation.detail for violation in violations[:20])
        return {"state": "failed", "failure": f"the plan broke its own rules: {listed}"}
    words, patience = search.words(assembly, part_names), watch.patience(_EXPLAINED_FOR_SECONDS)
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

    def run(self, watch: Watch, threads: int) -> tuple[Assembly, Plan]:
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

    def words(self, assembly: Assembly, part_names: Mapping[str, str]) -> Words:
        """Return how the dispatcher calls rounds, visits, parts and the hours of the day."""
        names = {person.id: person.name for person in self.technicians}
        return Words(
            rounds={
                shift.id: f"{names[shift.technician]}'s round on {_short(day)}"
                for shift, day in zip(
                    assembly.problem.shifts, assembly.shift_days.values(), strict=True
                )
            },
            visits=self.work.names,
            parts=part_names,
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
        watch: Watch,
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
            lambda problem, plan, times: search(problem, plan, times * _SEARCH_ON_PART),
        )
        return replace(assembly, problem=problem), plan

    def _search(
        self,
        problem: Problem,
        stop: Iterations | Seconds,
        start_from: Plan | None,
        watch: Watch,
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


def _short(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"
