"""Raises what falls due and makes visits of it: every night, and whenever a dispatcher asks."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlmodel import func, select

from api.actions.withdraw_work import drop_work_of_retired
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.due_work import (
    DueWorkKeeper,
    ReadyVisit,
    SiteWork,
    WaitingWork,
    waiting_work,
)
from api.storage.examinations import note_certified_until
from api.storage.interval_decisions import interval_decisions
from api.storage.measurements import readings_by_machine
from api.storage.part_records import part_records
from api.storage.snapshots import company_zone, contracts_by_id, machines_by_id, sites_by_id
from api.storage.standing import unreported
from api.storage.tables import AppointmentRow
from scheduler.bundling import Bundle, Bundling
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.company import Contract, Site, Urgency
from scheduler.duty import measured_duty
from scheduler.follow_up import follow_up_tasks, standing_judgements, with_follow_ups
from scheduler.machines import Machine
from scheduler.parting import SiteHours, part_work
from scheduler.readings import Reading
from scheduler.spacing import IntervalDecision
from scheduler.upkeep import DueTask, due_tasks
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.part_wear import known_laws
from scheduler.wear.records import Kind, lives_by_kind
from scheduler.wear.weibull import Weibull
from scheduler.working_time import local_date
from scheduler.worksheet import build_worksheet

LOOK_AHEAD = timedelta(days=28)
"""How far ahead of today visits are made: two weeks of planning and as much to choose from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RaisedWork:
    """What falls due and the visits made of it.

    ``cost_minutes`` and ``separate_cost_minutes`` are what the visits cost, and what one visit for
    each task would, in minutes of travel equivalent. ``unreported`` counts the appointments long
    over of which nothing was reported: what was due there may be done or not.
    """

    tasks: int
    visits: int
    cost_minutes: float
    separate_cost_minutes: float
    unreported: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """What is to be kept of one site, and what it costs."""

    work: SiteWork
    bundling: Bundling


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What counts at every site: work booked already, own intervals, wear, readings."""

    waiting: WaitingWork
    decisions: Sequence[IntervalDecision]
    laws: Mapping[Kind, Weibull]
    readings: Mapping[str, Sequence[Reading]]


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
    a visit that would come out the same keeps its id. Work on retired machines is dropped first.
    """
    with database.write() as session:
        drop_work_of_retired(database, session, catalogue, now=now, origin=origin)
    with database.read() as session:
        today = local_date(now, company_zone(session))
        sites = sites_by_id(session, from_day=today)
        fleet = machines_by_id(session, on=today)
        contracts = contracts_by_id(session, from_day=today)
        lives = lives_by_kind(part_records(session, catalogue, on=today), today)
        known = _Known(
            waiting=waiting_work(session, now=now),
            decisions=interval_decisions(session),
            laws=known_laws(lives, catalogue),
            readings=readings_by_machine(session),
        )
    by_site: defaultdict[str, list[Machine]] = defaultdict(list)
    for machine in fleet.values():
        by_site[machine.site].append(machine)
    estimates = VisitEstimates(catalogue)
    decided = [
        _decide(
            sites[site],
            contracts[sites[site].contract],
            by_site[site],
            catalogue,
            policy or BundlingPolicy(),
            known,
            today,
            estimates,
        )
        for site in sorted(by_site)
    ]
    with database.write() as session:
        keeper = DueWorkKeeper(session, known.waiting, now=now)
        kept = [each for each in decided if keeper.keep(each.work)]
        keeper.drop_the_rest()
        note_certified_until(session, catalogue, on=today)
        raised = RaisedWork(
            tasks=sum(len(each.work.tasks) for each in kept),
            visits=sum(len(each.work.visits) for each in kept),
            cost_minutes=sum(each.bundling.cost_minutes for each in kept),
            separate_cost_minutes=sum(each.bundling.separate_cost_minutes for each in kept),
            unreported=session.exec(
                select(func.count()).select_from(AppointmentRow).where(unreported(now))
            ).one(),
        )
        record(
            session,
            origin,
            now=now,
            verb="raise",
            subject="due_work",
            after={
                "tasks": raised.tasks,
                "visits": raised.visits,
                "unreported": raised.unreported,
                "sites_left_alone": len(decided) - len(kept),
            },
        )
        return raised


def _decide(
    site: Site,
    contract: Contract,
    site_machines: Sequence[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    known: _Known,
    today: date,
    estimates: VisitEstimates,
) -> _Decided:
    horizon = today + LOOK_AHEAD
    tasks = [
        task
        for machine in site_machines
        for task in while_covered(
            _tasks_of(machine, site, contract, catalogue, known, horizon), contract, today
        )
        if task.id not in known.waiting.spoken_for
    ]
    by_id = {task.id: task for task in tasks}
    bundling = part_work(
        tasks,
        site_machines,
        catalogue,
        policy,
        SiteHours.of(site),
        today,
        horizon,
        estimates,
        known.laws,
    )
    visits = [
        _ready(bundle, [by_id[task] for task in bundle.tasks], site_machines, catalogue)
        for bundle in bundling.bundles
    ]
    return _Decided(work=SiteWork(site=site.id, tasks=tasks, visits=visits), bundling=bundling)


def _ready(
    bundle: Bundle,
    tasks: Sequence[DueTask],
    site_machines: Sequence[Machine],
    catalogue: Catalogue,
) -> ReadyVisit:
    """Write a visit's worksheet, and name its work, what weighs most first, each once."""
    weight = {authority: number for number, authority in enumerate(Authority)}
    rules = [catalogue.rules[task.rule] for task in tasks]
    rules.sort(key=lambda rule: (weight[rule.authority], -rule.minutes, rule.id))
    return ReadyVisit(
        bundle=bundle,
        headlines=list(dict.fromkeys(rule.name for rule in rules)),
        worksheet=worksheet_to_json(build_worksheet(tasks, site_machines, catalogue)),
        urgency=Urgency.STOPPED if any(task.urgent for task in tasks) else None,
    )


def _tasks_of(
    machine: Machine,
    site: Site,
    contract: Contract,
    catalogue: Catalogue,
    known: _Known,
    until: date,
) -> tuple[DueTask, ...]:
    """Return what falls due on a machine; a bad reading is followed up whatever is included."""
    recurring = due_tasks(
        machine,
        catalogue,
        measured_duty(machine, catalogue, hardness_dh=site.hardness_dh),
        until=until,
        decisions=known.decisions,
    )
    ours = [task for task in recurring if is_ours(catalogue.rules[task.rule], contract)]
    judged = standing_judgements(known.readings.get(machine.id, ()), machine, catalogue)
    return with_follow_ups(ours, follow_up_tasks(judged, machine, catalogue))


def while_covered(tasks: Iterable[DueTask], contract: Contract, today: date) -> Iterator[DueTask]:
    """Yield the tasks that fall due while the contract is in force, each of them within it.

    What is overdue falls due today.
    """
    for task in tasks:
        if contract.covers(max(task.target, today)):
            begins = min(contract.starts_on, task.target)
            ends = task.latest if contract.ends_on is None else max(contract.ends_on, task.target)
            yield replace(task, earliest=max(task.earliest, begins), latest=min(task.latest, ends))


def is_ours(rule: ServiceRule, contract: Contract) -> bool:
    """Whether the contract asks us to do a rule's work without being called."""
    if rule.authority is Authority.STATUTE:
        return contract.statutory_included
    return contract.upkeep_included
