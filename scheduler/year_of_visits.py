"""What a year of visits costs at a site when work shares them, and when each task has its own.

The year is walked through in steps: what falls due is bundled, done on the days chosen and becomes
history, from which the next step follows.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby

from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from scheduler.duty import Duty, after_months
from scheduler.machines import Certificate, Machine, WorkDone
from scheduler.parting import SiteHours, part_work
from scheduler.spacing import IntervalDecision, longest_months
from scheduler.upkeep import DueTask, due_tasks
from scheduler.visit_estimate import VisitEstimates
from scheduler.wear.records import Kind
from scheduler.wear.weibull import Weibull

STEP_DAYS = 14
PERIOD_DAYS = 28
PERIODS = 13
"""A year of 52 weeks, told in periods of four."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """Four weeks of visits. Costs are in minutes of travel equivalent.

    Attributes
    ----------
    separate_minutes : what the same tasks would cost with a visit for each.
    overdue : tasks whose latest day had gone by when the year began; done as soon as can be.
    missed : tasks done after their latest day that were not overdue from the start.
    """

    start: date
    tasks: int
    visits: int
    cost_minutes: float
    separate_minutes: float
    overdue: int
    missed: int


def year_of_visits(
    machines: Sequence[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    duties: Mapping[str, Duty],
    *,
    start: date,
    hours: SiteHours,
    estimates: VisitEstimates,
    laws: Mapping[Kind, Weibull],
    decisions: Sequence[IntervalDecision] = (),
    asked_for: frozenset[str] | None = None,
) -> tuple[Period, ...]:
    """Return the visits to the machines of one site, period by period.

    Parameters
    ----------
    duties : machine id -> its pace.
    hours : of the site.
    estimates, laws : as for ``bundle_site``.
    asked_for : ids of the rules the contract asks for; all when None.
    """
    steps = list(
        _steps(
            machines, catalogue, policy, duties, start, hours, estimates, laws, decisions, asked_for
        )
    )
    each = PERIOD_DAYS // STEP_DAYS
    return tuple(_sum_of(steps[n : n + each]) for n in range(0, len(steps), each))


def year_of_sites(years: Iterable[Sequence[Period]]) -> tuple[Period, ...]:
    """Return the year of several sites together; all begin on the same day."""
    together = sorted((period for year in years for period in year), key=lambda each: each.start)
    return tuple(_sum_of(list(same)) for _, same in groupby(together, key=lambda each: each.start))


def _sum_of(periods: Sequence[Period]) -> Period:
    return Period(
        start=periods[0].start,
        tasks=sum(period.tasks for period in periods),
        visits=sum(period.visits for period in periods),
        cost_minutes=sum(period.cost_minutes for period in periods),
        separate_minutes=sum(period.separate_minutes for period in periods),
        overdue=sum(period.overdue for period in periods),
        missed=sum(period.missed for period in periods),
    )


def _steps(
    machines: Sequence[Machine],
    catalogue: Catalogue,
    policy: BundlingPolicy,
    duties: Mapping[str, Duty],
    start: date,
    hours: SiteHours,
    estimates: VisitEstimates,
    laws: Mapping[Kind, Weibull],
    decisions: Sequence[IntervalDecision],
    asked_for: frozenset[str] | None,
) -> Iterator[Period]:
    now = {machine.id: machine for machine in machines}
    for number in range(PERIODS * PERIOD_DAYS // STEP_DAYS):
        today = start + timedelta(days=number * STEP_DAYS)
        end = today + timedelta(days=STEP_DAYS)
        tasks = {
            task.id: task
            for machine in now.values()
            for task in due_tasks(
                machine, catalogue, duties[machine.id], until=end, decisions=decisions
            )
            if asked_for is None or task.rule in asked_for
        }
        bundling = part_work(
            tasks.values(), now.values(), catalogue, policy, hours, today, end, estimates, laws
        )
        done = [
            (bundle.target, tasks[task]) for bundle in bundling.bundles for task in bundle.tasks
        ]
        late = [task for day, task in done if day > task.latest]
        overdue = sum(task.latest < start for task in late)
        yield Period(
            start=today,
            tasks=len(done),
            visits=len(bundling.bundles),
            cost_minutes=bundling.cost_minutes,
            separate_minutes=bundling.separate_cost_minutes,
            overdue=overdue,
            missed=len(late) - overdue,
        )
        now = {machine.id: _after(machine, done, catalogue) for machine in now.values()}


def _after(machine: Machine, done: Sequence[tuple[date, DueTask]], catalogue: Catalogue) -> Machine:
    """Return a machine to which work has been done; a part keeps its id when it is renewed.

    An examination is passed: where certificates are kept, there is the next one.
    """
    here = [(day, task) for day, task in done if task.machine == machine.id]
    if not here:
        return machine
    works = (WorkDone(rule=t.rule, fitted_part=t.fitted_part, done_on=day) for day, t in here)
    kept = {(each.rule, each.fitted_part): each for each in machine.certificates}
    passed = (
        _next_certificate(last, day, catalogue)
        for day, task in here
        if (last := kept.get((task.rule, task.fitted_part)))
    )
    return replace(
        machine,
        history=(*machine.history, *works),
        certificates=(*machine.certificates, *passed),
    )


def _next_certificate(last: Certificate, day: date, catalogue: Catalogue) -> Certificate:
    """Return a certificate of a day that holds as long as the one before it, or as the rule says.

    After one that was refused, and where the rule sets no months, it holds for a year.
    """
    if last.valid_until is not None:
        until = day + (last.valid_until - last.examined_on)
    else:
        until = after_months(day, longest_months(catalogue.rules[last.rule]) or 12)
    return replace(last, number=f"{last.number}+", examined_on=day, valid_until=until)
