"""Which due tasks of a site share a visit.

A visit costs its set-up and its minutes; work done before its day wastes life that was paid for;
work done after it risks a failure. The cheapest cut of the tasks, ordered by their target days,
into visits is found by the dynamic programme of :mod:`scheduler.grouping`.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from math import inf

from scheduler.catalogue import Catalogue, MachineState, ServiceRule
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.grouping import cheapest_groups
from scheduler.jobs import rule_state
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import (
    LIVE,
    BuildEstimate,
    MachineMinutes,
    Tally,
    VisitEstimates,
    one_machine_visit,
    several_machines_visit,
)
from scheduler.worksheet import planned_work, visit_times


class Window(StrEnum):
    """Which hours of the site a visit may use."""

    ACCESS = "access"  # live work only
    QUIET = "quiet"  # a machine is off for part of it


class VisitKind(StrEnum):
    """Why somebody goes there."""

    UPKEEP = "upkeep"
    STATUTORY = "statutory"  # an examination that never shares a visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """A set of due tasks at one site that one technician does in one go.

    ``earliest`` ≤ ``target`` ≤ ``latest`` are days, none before today. ``hard`` when ``latest``
    itself may never be passed; ``hard_latest`` is the last day law or maker allow (on or after
    ``latest``), None when neither has a say. ``overdue`` when some task's own latest day has gone
    by: its ``latest`` is then a few days from today, the soonest that can be asked for.
    ``minutes`` equals that of the worksheet of the same tasks.
    """

    id: str
    site: str
    kind: VisitKind
    tasks: tuple[str, ...]
    machines: tuple[str, ...]
    window: Window
    earliest: date
    target: date
    latest: date
    hard: bool
    hard_latest: date | None
    overdue: bool
    minutes: int
    minutes_p80: int
    skills: frozenset[str]
    parts: Mapping[str, int]
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundling:
    """The visits chosen for one site, and what doing every task on its own would cost.

    Costs are in minutes of travel equivalent. ``later`` lists the tasks that need no visit before
    the horizon; every task given is in exactly one bundle or in ``later``.
    """

    bundles: tuple[Bundle, ...]
    later: tuple[str, ...]
    cost_minutes: float
    separate_cost_minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BundlingPolicy:
    """What the company weighs. Defaults are common practice, no source.

    Attributes
    ----------
    visit_minutes : set-up of a visit, its share of the drive and the call-out, in minutes of
        travel equivalent, >= 0.
    shutdown_minutes : what it costs the café to do without a machine, each time one is taken out
        of service, in minutes of travel equivalent, >= 0.
    failure_minutes : what a failure costs beyond the planned work, in minutes of travel
        equivalent, >= 0. Work that is late by a whole interval is taken to cost one failure, so
        each day late costs this over the interval in days.
    money_minor_per_minute : how much money (minor units) one minute is worth, > 0.
    maximum_minutes : how long a visit may take, > 0. Work that takes longer alone still gets its
        visit.
    overdue_within_days : an overdue task asks for a visit within so many days, >= 0.
    """

    visit_minutes: float = 45.0
    shutdown_minutes: float = 15.0
    failure_minutes: float = 300.0
    money_minor_per_minute: float = 100.0
    maximum_minutes: int = 240
    overdue_within_days: int = 5

    def __post_init__(self) -> None:
        for name in ("visit_minutes", "shutdown_minutes", "failure_minutes", "overdue_within_days"):
            if not getattr(self, name) >= 0:
                raise InvalidInput(f"{name} must be >= 0, got {getattr(self, name)}")
        for name in ("money_minor_per_minute", "maximum_minutes"):
            if not getattr(self, name) > 0:
                raise InvalidInput(f"{name} must be > 0, got {getattr(self, name)}")


def bundle_site(
    tasks: Iterable[DueTask],
    machines: Iterable[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    today: date,
    horizon: date,
    estimates: VisitEstimates | None = None,
) -> Bundling:
    """Return the cheapest set of visits for the due tasks of one site.

    Every task is in exactly one bundle or in ``later``. No bundle is planned past the latest day of
    a task, except that an overdue task is planned from today. Work that never shares a visit
    (statutory examinations) gets one of its own.

    Parameters
    ----------
    machines
        The machines of the site.
    horizon
        Day before which visits are wanted. A task due later joins a visit that comes about anyway
        when that is cheaper; a visit best made on or after it is not formed.
    estimates
        Pass the same one for all sites to save time.

    Raises
    ------
    UnknownReference
        When a task names a machine or rule that is not there.
    InvalidInput
        When the tasks belong to several sites.
    """
    estimates = estimates or VisitEstimates(catalogue)
    by_id = {machine.id: machine for machine in machines}
    lots = _lots(tasks, by_id, policy, today, estimates)
    if len(sites := {lot.tasks[0].site for lot in lots}) > 1:
        raise InvalidInput(f"tasks of one site at a time, got those of {', '.join(sorted(sites))}")

    within = [lot for lot in lots if lot.earliest < horizon.toordinal()]
    beyond = [lot for lot in lots if lot.earliest >= horizon.toordinal()]
    shared = [lot for lot in within if not lot.alone]
    groups = [[lot] for lot in within if lot.alone]
    groups += _cheapest_visits(shared, by_id, catalogue, policy)
    visits = [_Visit.of(group, policy) for group in groups]

    wanted = [visit for visit in visits if visit.day < horizon.toordinal()]
    later = [lot for visit in visits if visit.day >= horizon.toordinal() for lot in visit.lots]
    separate = [
        _Visit.of([lot.one()], policy).cost * len(lot.tasks)
        for visit in wanted
        for lot in visit.lots
    ]
    bundles = [_bundle(visit, by_id, catalogue) for visit in wanted]
    return Bundling(
        bundles=tuple(sorted(bundles, key=lambda bundle: (bundle.target, bundle.id))),
        later=tuple(sorted(task.id for lot in (*beyond, *later) for task in lot.tasks)),
        cost_minutes=sum(visit.cost for visit in wanted),
        separate_cost_minutes=sum(separate),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lot:
    """Tasks that differ only in the place at the machine: they are never split.

    Days are ordinals; ``earliest`` is not before today, and an overdue lot's ``latest`` is the
    day by which a visit is asked for.
    """

    tasks: tuple[DueTask, ...]
    rule: ServiceRule
    machine: Machine
    estimate: BuildEstimate
    adds: Tally
    earliest: int
    target: int
    latest: int
    overdue: bool
    early_per_day: float  # minutes of travel equivalent
    late_per_day: float

    @property
    def alone(self) -> bool:
        return self.rule.alone

    def one(self) -> "_Lot":
        """The first task on its own."""
        return replace(
            self,
            tasks=self.tasks[:1],
            adds=self.estimate.rule(self.rule.id),
            early_per_day=self.early_per_day / len(self.tasks),
            late_per_day=self.late_per_day / len(self.tasks),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visit:
    """Lots done in one go on the day that costs least."""

    lots: tuple[_Lot, ...]
    day: int
    cost: float

    @classmethod
    def of(cls, lots: Iterable[_Lot], policy: BundlingPolicy) -> "_Visit":
        lots = tuple(lots)
        day, deviation = _best_day(lots)
        return cls(lots=lots, day=day, cost=_visit_cost(lots, policy) + deviation)


def _lots(
    tasks: Iterable[DueTask],
    machines: Mapping[str, Machine],
    policy: BundlingPolicy,
    today: date,
    estimates: VisitEstimates,
) -> list[_Lot]:
    """Tasks by machine, rule and days, in the order of their target days."""
    catalogue = estimates.catalogue
    alike: dict[tuple[date, date, date, date, str, str], list[DueTask]] = {}
    for task in tasks:
        if task.machine not in machines:
            raise UnknownReference("machine", task.machine, machines)
        if task.rule not in catalogue.rules:
            raise UnknownReference("service rule", task.rule, catalogue.rules)
        key = (task.target, task.latest, task.earliest, task.anchor, task.machine, task.rule)
        alike.setdefault(key, []).append(task)
    now = today.toordinal()
    lots = []
    for same in alike.values():
        task = same[0]
        rule = catalogue.rules[task.rule]
        machine = machines[task.machine]
        estimate = estimates.of(machine.build)
        overdue = task.latest < today
        interval_days = max(1, (task.target - task.anchor).days)
        lots.append(
            _Lot(
                tasks=tuple(sorted(same, key=lambda task: task.id)),
                rule=rule,
                machine=machine,
                estimate=estimate,
                adds=Tally().add(estimate.rule(rule.id), times=len(same)),
                earliest=max(now, task.earliest.toordinal()),
                target=max(now, task.target.toordinal()),
                latest=now + policy.overdue_within_days if overdue else task.latest.toordinal(),
                overdue=overdue,
                early_per_day=len(same) * _value(rule, catalogue, policy) / interval_days,
                late_per_day=len(same) * policy.failure_minutes / interval_days,
            )
        )
    return sorted(lots, key=lambda lot: (lot.target, lot.latest, lot.tasks[0].id))


def _value(rule: ServiceRule, catalogue: Catalogue, policy: BundlingPolicy) -> float:
    """What the work and its parts are worth, in minutes of travel equivalent."""
    parts = sum(
        catalogue.part_types[part].price_minor * quantity
        for part, quantity in rule.consumes.items()
    )
    return rule.minutes + parts / policy.money_minor_per_minute


def _best_day(lots: Sequence[_Lot]) -> tuple[int, float]:
    """The day that suits the lots best and what it costs; infinite when their days do not meet."""
    first, last = max(lot.earliest for lot in lots), min(lot.latest for lot in lots)
    if first > last:
        return first, inf
    # The cost is convex and bends only at target days.
    days = {first, last, *(lot.target for lot in lots if first <= lot.target <= last)}
    return min(((day, _deviation(lots, day)) for day in sorted(days)), key=lambda found: found[1])


def _deviation(lots: Sequence[_Lot], day: int) -> float:
    """Wasted life of what is done early and risk of what is done late."""
    return sum(
        (lot.target - day) * lot.early_per_day
        if day < lot.target
        else (day - lot.target) * lot.late_per_day
        for lot in lots
    )


def _visit_cost(lots: Sequence[_Lot], policy: BundlingPolicy) -> float:
    """Set-up, minutes at the site and machines out of service, whatever the day."""
    tallies: dict[str, tuple[BuildEstimate, Tally]] = {}
    for lot in lots:
        _, tally = tallies.get(lot.machine.id, (lot.estimate, Tally()))
        tallies[lot.machine.id] = lot.estimate, tally.add(lot.adds)
    at_machines = [estimate.minutes(tally) for estimate, tally in tallies.values()]
    out_of_service = sum(tally.rank != LIVE for _, tally in tallies.values())
    return (
        policy.visit_minutes
        + _minutes_at_site(at_machines)
        + policy.shutdown_minutes * out_of_service
    )


def _minutes_at_site(at_machines: Sequence[MachineMinutes]) -> float:
    if len(at_machines) == 1:
        return one_machine_visit(at_machines[0])
    return several_machines_visit(
        sum(minutes.hands_on for minutes in at_machines),
        max(minutes.chain for minutes in at_machines),
    )


def _cheapest_visits(
    lots: Sequence[_Lot],
    machines: Mapping[str, Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
) -> list[list[_Lot]]:
    """Cut the lots into visits, none of several lots longer than the policy allows.

    The estimate for several machines is a bound from below. Where the true length is over the
    maximum, the cut is made again with as much less room.
    """
    room = float(policy.maximum_minutes)
    while True:
        cut = cheapest_groups(len(lots), _CostsEndingAt(lots, policy, room))
        groups = [list(lots[first:end]) for first, end in cut.groups]
        excess = max(
            (
                _exact_minutes(group, machines, catalogue) - policy.maximum_minutes
                for group in groups
                if len({lot.machine.id for lot in group}) > 1
            ),
            default=0,
        )
        if excess <= 0:
            return groups
        room -= excess


class _CostsEndingAt:
    """What the groups of neighbouring lots cost, one lot more at a time."""

    def __init__(self, lots: Sequence[_Lot], policy: BundlingPolicy, room: float) -> None:
        self.lots = lots
        self.policy = policy
        self.room = room

    def __call__(self, end: int) -> Iterator[float]:
        policy = self.policy
        first_day, last_day = 0, date.max.toordinal()
        tallies: dict[str, Tally] = {}
        minutes: dict[str, MachineMinutes] = {}
        for first in range(end - 1, -1, -1):
            lot = self.lots[first]
            first_day, last_day = max(first_day, lot.earliest), min(last_day, lot.latest)
            if first_day > last_day:
                return
            at = lot.machine.id
            tallies[at] = tallies[at].add(lot.adds) if at in tallies else lot.adds
            minutes[at] = lot.estimate.minutes(tallies[at])
            at_site = _minutes_at_site(tuple(minutes.values()))
            if at_site > self.room and end - first > 1:
                return
            out_of_service = sum(tally.rank != LIVE for tally in tallies.values())
            yield (
                policy.visit_minutes
                + at_site
                + policy.shutdown_minutes * out_of_service
                + _best_day(self.lots[first:end])[1]
            )


def _exact_minutes(
    lots: Iterable[_Lot], machines: Mapping[str, Machine], catalogue: Catalogue
) -> int:
    tasks = [task for lot in lots for task in lot.tasks]
    return visit_times(planned_work(tasks, machines.values(), catalogue), catalogue).minutes


def _bundle(visit: _Visit, machines: Mapping[str, Machine], catalogue: Catalogue) -> Bundle:
    lots = visit.lots
    tasks = sorted((task for lot in lots for task in lot.tasks), key=lambda task: task.id)
    work = planned_work(tasks, machines.values(), catalogue)
    times = visit_times(work, catalogue)
    jobs = [job for at_machine in work for job in at_machine.jobs]
    parts: Counter[str] = Counter()
    for job in jobs:
        parts.update(job.parts)
    latest = min(lot.latest for lot in lots)
    hard_latest = min((lot.latest for lot in lots if lot.tasks[0].hard), default=None)
    states = {rule_state(lot.rule, lot.machine.build, catalogue) for lot in lots}
    lead = min(lots, key=lambda lot: (not lot.overdue, lot.target, lot.tasks[0].id))
    return Bundle(
        id=f"{lead.tasks[0].site}/{lead.tasks[0].id}",
        site=lead.tasks[0].site,
        kind=VisitKind.STATUTORY if lead.alone else VisitKind.UPKEEP,
        tasks=tuple(task.id for task in tasks),
        machines=tuple(sorted({lot.machine.id for lot in lots})),
        window=Window.ACCESS if states == {MachineState.LIVE} else Window.QUIET,
        earliest=date.fromordinal(max(lot.earliest for lot in lots)),
        target=date.fromordinal(visit.day),
        latest=date.fromordinal(latest),
        hard=hard_latest == latest,
        hard_latest=None if hard_latest is None else date.fromordinal(hard_latest),
        overdue=any(lot.overdue for lot in lots),
        minutes=times.minutes,
        minutes_p80=times.minutes_p80,
        skills=frozenset().union(*(job.skills for job in jobs)),
        parts=dict(sorted(parts.items())),
        because=_because(lead, len(tasks)),
    )


def _because(lead: _Lot, tasks: int) -> str:
    task = lead.tasks[0]
    when = f"overdue since {task.latest}" if lead.overdue else f"due on {task.target}"
    because = f"{lead.rule.name} at {lead.machine.name} is {when}"
    if lead.alone:
        return f"{because}; it never shares a visit"
    if tasks == 1:
        return f"{because}; nothing else is close enough to share the visit"
    others = "one more task shares" if tasks == 2 else f"{tasks - 1} more tasks share"
    return f"{because}; {others} the visit"
