"""Raises what falls due and makes visits of it: every night, and whenever a dispatcher asks."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlmodel import Session, col, select

from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.interval_decisions import interval_decisions
from api.storage.part_records import part_records
from api.storage.snapshots import company_zone, contracts_by_id, machines_by_id, sites_by_id
from api.storage.tables import DueTaskRow, VisitRow
from scheduler.bundling import Bundle, Bundling, BundlingPolicy, bundle_site
from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.company import Contract, Site
from scheduler.duty import measured_duty
from scheduler.machines import Machine
from scheduler.upkeep import DueTask, IntervalDecision, due_tasks
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.part_wear import known_laws
from scheduler.wear.records import Kind, lives_by_kind
from scheduler.wear.weibull import Weibull
from scheduler.working_time import local_date
from scheduler.worksheet import build_worksheet

LOOK_AHEAD = timedelta(days=28)
"""How far ahead of today visits are made: two weeks of planning and as much to choose from."""


_MARGIN_MINUTES = 30
"""A visit is kept this much shorter than the site's quiet time: several starts must fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RaisedWork:
    """What falls due and the visits made of it.

    ``cost_minutes`` and ``separate_cost_minutes`` are what the visits cost, and what one visit for
    each task would, in minutes of travel equivalent.
    """

    tasks: int
    visits: int
    cost_minutes: float
    separate_cost_minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _SiteWork:
    """One site's machines, tasks and visits."""

    machines: tuple[Machine, ...]
    tasks: tuple[DueTask, ...]
    bundling: Bundling


def raise_due_work(
    database: Database,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
    policy: BundlingPolicy | None = None,
) -> RaisedWork:
    """Bring due tasks and open visits up to date with the history of every machine.

    Tasks of a visit that has an appointment stay with it. All other planned work is bundled anew;
    a visit that would come out the same keeps its id.
    """
    with database.read() as session:
        today = local_date(now, company_zone(session))
        sites = sites_by_id(session, from_day=today)
        fleet = machines_by_id(session, on=today)
        contracts = contracts_by_id(session, from_day=today)
        booked = _booked_tasks(session)
        decisions = interval_decisions(session)
        laws = known_laws(
            lives_by_kind(part_records(session, catalogue, on=today), today), catalogue
        )
    by_site: defaultdict[str, list[Machine]] = defaultdict(list)
    for machine in fleet.values():
        by_site[machine.site].append(machine)
    estimates = VisitEstimates(catalogue)
    work = [
        _decide(
            sites[site],
            contracts[sites[site].contract],
            by_site[site],
            catalogue,
            policy or BundlingPolicy(),
            booked,
            today,
            estimates,
            laws,
            decisions,
        )
        for site in sorted(by_site)
    ]
    with database.write() as session:
        keeper = _Keeper(session, catalogue)
        for each in work:
            keeper.keep(each)
        keeper.drop_the_rest()
        raised = RaisedWork(
            tasks=sum(len(each.tasks) for each in work),
            visits=sum(len(each.bundling.bundles) for each in work),
            cost_minutes=sum(each.bundling.cost_minutes for each in work),
            separate_cost_minutes=sum(each.bundling.separate_cost_minutes for each in work),
        )
        record(
            session,
            origin,
            now=now,
            verb="raise",
            subject="due_work",
            after={"tasks": raised.tasks, "visits": raised.visits},
        )
        return raised


def _booked_tasks(session: Session) -> frozenset[str]:
    """Return the tasks of visits that have an appointment."""
    return frozenset(
        session.exec(
            select(DueTaskRow.id)
            .join(VisitRow, col(VisitRow.id) == col(DueTaskRow.visit_id))
            .where(VisitRow.state == "booked", DueTaskRow.state == "open")
        )
    )


def _decide(
    site: Site,
    contract: Contract,
    site_machines: Sequence[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    booked: frozenset[str],
    today: date,
    estimates: VisitEstimates,
    laws: Mapping[Kind, Weibull],
    decisions: Sequence[IntervalDecision],
) -> _SiteWork:
    horizon = today + LOOK_AHEAD
    tasks = [
        task
        for machine in site_machines
        for task in due_tasks(
            machine,
            catalogue,
            measured_duty(machine, catalogue, hardness_dh=site.hardness_dh),
            until=horizon,
            decisions=decisions,
        )
        if task.id not in booked and _is_ours(catalogue.rules[task.rule], contract)
    ]
    room = min(policy.maximum_minutes, _longest_quiet_minutes(site) - _MARGIN_MINUTES)
    fitting = replace(policy, maximum_minutes=max(room, _MARGIN_MINUTES))
    return _SiteWork(
        machines=tuple(site_machines),
        tasks=tuple(tasks),
        bundling=bundle_site(
            tasks, site_machines, catalogue, fitting, today, horizon, estimates, laws
        ),
    )


def _is_ours(rule: ServiceRule, contract: Contract) -> bool:
    """Whether the contract asks us to do a rule's work without being called."""
    if rule.authority is Authority.STATUTE:
        return contract.statutory_included
    return contract.upkeep_included


def _longest_quiet_minutes(site: Site) -> int:
    """Return how long a machine may be off at a site at the most, in an ordinary week."""
    return max(
        (
            (span.closes.hour - span.opens.hour) * 60
            + span.closes.minute
            - span.opens.minute
            + (24 * 60 if span.past_midnight else 0)
            for day in site.quiet.weekly.by_weekday
            for span in day
        ),
        default=24 * 60,
    )


class _Keeper:
    """Stores tasks and visits under their natural ids and retires those that came to nothing."""

    def __init__(self, session: Session, catalogue: Catalogue) -> None:
        self._session, self._catalogue = session, catalogue
        self._tasks = {row.id: row for row in session.exec(select(DueTaskRow))}
        self._visits = {
            row.id: row
            for row in session.exec(select(VisitRow).where(col(VisitRow.kind) != "callback"))
        }
        self._kept_tasks: set[str] = set()
        self._kept_visits: set[str] = set()

    def keep(self, work: _SiteWork) -> None:
        """Store one site's work."""
        tasks = {task.id: task for task in work.tasks}
        visit_of: dict[str, str] = {}
        for bundle in work.bundling.bundles:
            visit_id = self._keep_visit(bundle, [tasks[e] for e in bundle.tasks], work.machines)
            visit_of.update(dict.fromkeys(bundle.tasks, visit_id))
        self._session.flush()  # tasks refer to visits
        for task in work.tasks:
            self._keep_task(task, visit_of.get(task.id))

    def drop_the_rest(self) -> None:
        """Retire open tasks and visits that no longer fall due; booked ones are left alone."""
        for visit in self._visits.values():
            if visit.state == "open" and visit.id not in self._kept_visits:
                visit.state = "dropped"
                self._session.add(visit)
        for task in self._tasks.values():
            holder = self._visits.get(task.visit_id or "")
            booked = holder is not None and holder.state == "booked"
            if task.state == "open" and task.id not in self._kept_tasks and not booked:
                task.state, task.visit_id = "dropped", None
                self._session.add(task)

    def _keep_task(self, task: DueTask, visit_id: str | None) -> None:
        row = self._tasks.get(task.id)
        if row is None:
            row = DueTaskRow(
                id=task.id,
                machine_id=task.machine,
                site_id=task.site,
                fitted_part_id=task.fitted_part,
                rule=task.rule,
                anchor=task.anchor,
                earliest=task.earliest,
                target=task.target,
                latest=task.latest,
                hard=task.hard,
                because=task.because,
            )
        row.earliest, row.target, row.latest = task.earliest, task.target, task.latest
        row.hard, row.because = task.hard, task.because
        row.state, row.visit_id = "open", visit_id
        self._kept_tasks.add(row.id)
        self._session.add(row)

    def _keep_visit(
        self, bundle: Bundle, tasks: Sequence[DueTask], site_machines: Iterable[Machine]
    ) -> str:
        worksheet = build_worksheet(tasks, site_machines, self._catalogue)
        values: dict[str, Any] = {
            "site_id": bundle.site,
            "kind": str(bundle.kind),
            "window": str(bundle.window),
            "minutes": bundle.minutes,
            "skills": sorted(bundle.skills),
            "parts": dict(bundle.parts),
            "earliest": bundle.earliest,
            "target": bundle.target,
            "latest": bundle.latest,
            "hard_latest": bundle.hard_latest,
            "headlines": self._headlines(tasks),
            "worksheet": worksheet_to_json(worksheet),
            "because": bundle.because,
            "state": "open",
        }
        visit_id = self._free_id(bundle.id)
        row = self._visits.get(visit_id)
        if row is None:
            row = VisitRow(id=visit_id, **values)
        else:
            for name, value in values.items():
                setattr(row, name, value)
        self._kept_visits.add(row.id)
        self._session.add(row)
        return visit_id

    def _free_id(self, wanted: str) -> str:
        """Return the id, numbered when a visit of that name is booked or was done already."""
        visit_id, number = wanted, 1
        while (row := self._visits.get(visit_id)) and row.state not in ("open", "dropped"):
            number += 1
            visit_id = f"{wanted}:{number}"
        return visit_id

    def _headlines(self, tasks: Sequence[DueTask]) -> list[str]:
        """Return the names of the work, what weighs most first, each once."""
        weight = {
            "statute": 0,
            "maker": 1,
            "practice": 2,
        }
        rules = [self._catalogue.rules[task.rule] for task in tasks]
        rules.sort(key=lambda rule: (weight[rule.authority], -rule.minutes, rule.id))
        return list(dict.fromkeys(rule.name for rule in rules))
