"""Which due tasks of a site share a visit.

A visit costs its set-up and its minutes; work done before its day wastes life that was paid for;
work done after it risks a failure. :mod:`scheduler.visit_search` finds the cheapest visits.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from scheduler.errors import InvalidInput
from scheduler.lots import Lot, lots_of
from scheduler.machines import Machine
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import MachineRules, VisitEstimates, VisitFigures, records
from scheduler.wear.records import Kind
from scheduler.wear.weibull import Weibull


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


def bundle_site(
    tasks: Iterable[DueTask],
    machines: Iterable[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    today: date,
    horizon: date,
    estimates: VisitEstimates | None = None,
    laws: Mapping[Kind, Weibull] | None = None,
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
    laws
        The laws of life, in days, of the kinds of parts whose wear is known.

    Raises
    ------
    UnknownReference
        When a task names a machine or rule that is not there.
    InvalidInput
        When the tasks belong to several sites.
    """
    estimates = estimates or VisitEstimates(catalogue)
    if estimates.catalogue is not catalogue:
        raise InvalidInput("the estimates are for another catalogue")
    tasks = list(tasks)
    if len(sites := {task.site for task in tasks}) > 1:
        raise InvalidInput(f"tasks of one site at a time, got those of {', '.join(sorted(sites))}")
    by_id = {machine.id: machine for machine in machines}
    within = [task for task in tasks if task.earliest < horizon]
    lots = lots_of(within, by_id, policy, today, estimates, laws or {})
    wanted = [
        visit
        for together in _kept_apart(lots)
        for visit in _cheapest_visits(together, policy, horizon, estimates)
    ]
    done = {task.id for visit, _ in wanted for lot in visit.lots for task in lot.tasks}
    bundles = [_bundle(visit, figures) for visit, figures in wanted]
    return Bundling(
        bundles=tuple(sorted(bundles, key=lambda bundle: (bundle.target, bundle.id))),
        later=tuple(sorted(task.id for task in tasks if task.id not in done)),
        cost_minutes=sum(
            visit.cost_beside_minutes + figures.times.minutes for visit, figures in wanted
        ),
        separate_cost_minutes=sum(visit.separate_cost for visit, _ in wanted),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visit:
    """Lots done in one go on the day that costs least."""

    lots: tuple[Lot, ...]
    day: date
    cost_beside_minutes: float  # all but the minutes at the site
    separate_cost: float

    def figures(self, estimates: VisitEstimates) -> VisitFigures:
        """Return what the worksheet of the same tasks says."""
        at_machine: dict[str, tuple[Lot, dict[str, tuple[str, ...]]]] = {}
        for lot in self.lots:
            _, places = at_machine.setdefault(lot.machine.id, (lot, {}))
            places[lot.rule.id] = (*places.get(lot.rule.id, ()), *lot.places)
        return estimates.figures(
            tuple(
                MachineRules(
                    lot.build,
                    lot.machine.stopped,
                    tuple(sorted((rule, tuple(sorted(at))) for rule, at in places.items())),
                )
                for _, (lot, places) in sorted(at_machine.items())
            )
        )


def _kept_apart(lots: Iterable[Lot]) -> list[list[Lot]]:
    """Return lots that may share a visit: all ordinary work, and each rule that stands alone.

    One examiner who comes for one machine of a site may as well see the others.
    """
    together: dict[str | None, list[Lot]] = {}
    for lot in lots:
        together.setdefault(lot.rule.id if lot.rule.alone else None, []).append(lot)
    return list(together.values())


def _cheapest_visits(
    lots: Sequence[Lot], policy: BundlingPolicy, horizon: date, estimates: VisitEstimates
) -> list[tuple[_Visit, VisitFigures]]:
    """Group the lots into visits and return those before the horizon.

    None of several lots is longer than the policy allows. Where the worksheet is longer than the
    search took it to be, and too long, it is made again with as much less room, and a twentieth at
    least, so that it is not made many times.
    """
    room = float(policy.maximum_minutes)
    while True:
        visits = [
            (visit, visit.figures(estimates))
            for visit in _search(lots, policy, room, estimates)
            if visit.day < horizon
        ]
        minutes = [figures.times.minutes for visit, figures in visits if len(visit.lots) > 1]
        excess = max(minutes, default=0) - policy.maximum_minutes
        if excess <= 0:
            return visits
        room -= max(excess, policy.maximum_minutes / 20)


def _search(
    lots: Sequence[Lot],
    policy: BundlingPolicy,
    room: float,
    estimates: VisitEstimates,
    exact_lots: int | None = None,
) -> list[_Visit]:
    from scheduler.visit_costs import LOT, Site  # compiles: only when needed
    from scheduler.visit_search import EXACT_LOTS, Desk, search

    exact_lots = exact_lots or EXACT_LOTS

    builds = {lot.machine.id: lot.build for lot in lots}
    numbers = {machine: number for number, machine in enumerate(builds)}

    def row(lot: Lot, times: int) -> tuple[float, ...]:
        return (
            *estimates.tally(lot.build, lot.rule.id, lot.places[:times]),
            numbers[lot.machine.id],
            lot.earliest.toordinal(),
            lot.target.toordinal(),
            lot.latest.toordinal(),
            lot.early_per_day * times,
            lot.late_per_day * times,
        )

    rows = [row(lot, len(lot.tasks)) for lot in lots]
    single = list(range(len(lots)))  # where the cost of one task of a lot is found
    for index, lot in enumerate(lots):
        if len(lot.tasks) > 1:
            single[index] = len(rows)
            rows.append(row(lot, 1))
    site = Site(
        lots=records(rows, LOT),
        machine_builds=np.array([*builds.values()], np.int64),
        builds=estimates.builds,
        every_visit=(
            estimates.nothing_at_a_visit
            if all(lot.rule.alone for lot in lots)
            else estimates.every_visit
        ),
        open_minutes=estimates.open_minutes,
        close_minutes=estimates.close_minutes,
        visit_minutes=policy.visit_minutes,
        shutdown_minutes=policy.shutdown_minutes,
        maximum_minutes=room,
    )
    group_of = np.zeros(len(lots), np.int64)
    days = np.zeros(len(lots), np.int64)
    costs = np.zeros(len(lots), np.float64)
    separate_costs = np.zeros(len(rows), np.float64)
    desk = Desk.for_lots(len(lots), exact_lots)
    orders = _orders_worth_cutting(lots) if len(lots) > exact_lots else _as_they_are(lots)
    search(site, desk, orders, group_of, days, costs, separate_costs, exact_lots)

    members: dict[int, list[int]] = {}
    for index, group in enumerate(group_of.tolist()):
        members.setdefault(group, []).append(index)
    separate = separate_costs[single].tolist()

    return [
        _Visit(
            lots=tuple(lots[index] for index in indices),
            day=date.fromordinal(int(days[group])),
            cost_beside_minutes=float(costs[group]),
            separate_cost=sum(separate[index] * len(lots[index].tasks) for index in indices),
        )
        for group, indices in members.items()
    ]


def _as_they_are(lots: Sequence[Lot]) -> NDArray[np.int64]:
    """One row of the lots, for a search that asks only how many they are."""
    return np.arange(len(lots), dtype=np.int64).reshape(1, -1)


def _orders_worth_cutting(lots: Sequence[Lot]) -> NDArray[np.int64]:
    """Rows of the lots that the search cuts: by target, latest day, machine, need to shut down."""
    keys: list[Callable[[Lot], tuple[Any, ...]]] = [
        lambda lot: (lot.target,),
        lambda lot: (lot.latest, lot.target),
        lambda lot: (lot.machine.id, lot.target),
        lambda lot: (lot.rule.state, lot.target),
    ]
    numbers = {id(lot): number for number, lot in enumerate(lots)}
    orders = [[numbers[id(lot)] for lot in sorted(lots, key=key)] for key in keys]
    return np.array(orders, np.int64).reshape(len(keys), len(lots))


def _bundle(visit: _Visit, figures: VisitFigures) -> Bundle:
    lots = visit.lots
    tasks = sorted(task.id for lot in lots for task in lot.tasks)
    latest = min(lot.latest for lot in lots)
    hard_latest = min((lot.latest for lot in lots if lot.tasks[0].hard), default=None)
    lead = min(lots, key=lambda lot: (not lot.overdue, lot.target, lot.tasks[0].id))
    return Bundle(
        id=f"{lead.tasks[0].site}:{lead.tasks[0].id}",
        site=lead.tasks[0].site,
        kind=VisitKind.STATUTORY if lead.rule.alone else VisitKind.UPKEEP,
        tasks=tuple(tasks),
        machines=tuple(sorted({lot.machine.id for lot in lots})),
        window=Window.ACCESS if figures.live else Window.QUIET,
        earliest=max(lot.earliest for lot in lots),
        target=visit.day,
        latest=latest,
        hard=hard_latest == latest,
        hard_latest=hard_latest,
        overdue=any(lot.overdue for lot in lots),
        minutes=figures.times.minutes,
        minutes_p80=figures.times.minutes_p80,
        skills=figures.skills,
        parts=figures.parts,
        because=_because(lead, len(tasks)),
    )


def _because(lead: Lot, tasks: int) -> str:
    task = lead.tasks[0]
    when = f"overdue since {task.latest}" if lead.overdue else f"due on {task.target}"
    because = f"{lead.rule.name} at {lead.machine.name} is {when}"
    if lead.rule.alone and tasks == 1:
        return f"{because}; it never shares a visit with other work"
    if tasks == 1:
        return f"{because}; nothing else is close enough to share the visit"
    others = "one more task shares" if tasks == 2 else f"{tasks - 1} more tasks share"
    return f"{because}; {others} the visit"
