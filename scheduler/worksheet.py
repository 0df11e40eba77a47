"""What a visit consists of, in the right order, and how long it takes."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, sqrt
from typing import Final

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState
from scheduler.critical_path import Activity, Timetable, with_one_pair_of_hands
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.jobs import Job, caution_texts, every_visit_jobs, job_for_rule, strictest
from scheduler.machines import Build, Machine
from scheduler.upgrades import Upgrade, upgrades_on
from scheduler.upkeep import DueTask
from scheduler.visit_steps import (
    ARRIVE_MINUTES,
    HAND_OVER_MINUTES,
    PAPERWORK_MINUTES,
    Operation,
    StepKind,
)
from scheduler.work_order import machine_operations

# How far hands-on work strays from the catalogue's minutes, as standard deviations over the mean:
# a part that all steps of one visit share (this machine, this day) and a part of each step's own.
# Common practice, no source; a company's own visit reports are better.
SHARED_SPREAD: Final = 0.10
OWN_SPREAD: Final = 0.30
P80_QUANTILE: Final = 0.8416  # of the standard normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of a worksheet. ``start_minute`` counts from arrival at the site.

    A ``waiting`` step needs nobody's hands (cooling down, heating up): other steps run beside it.
    ``critical`` steps make up the chain that decides how long the visit takes.
    """

    number: int
    kind: StepKind
    machine: str | None  # None: for the site as a whole (arrival, paperwork, hand-over)
    state: MachineState
    text: str
    start_minute: int
    minutes: int
    because: str  # why it starts when it starts
    waiting: bool = False
    critical: bool = False
    tasks: tuple[str, ...] = ()  # ids of the due tasks it serves
    details: tuple[str, ...] = ()  # the work in words, in order
    cautions: tuple[str, ...] = ()  # texts, already resolved
    readings: tuple[str, ...] = ()  # set-point ids to read
    after: tuple[int, ...] = ()  # numbers of the steps it comes after


@dataclass(frozen=True, slots=True, kw_only=True)
class Worksheet:
    """The ordered work of one visit.

    ``minutes`` from arrival to leaving; ``machine_back_minutes`` when each machine can be used
    again; ``needs_off`` whether any machine is out of service at some point.
    """

    steps: tuple[Step, ...]
    minutes: int
    minutes_p80: int
    machine_back_minutes: Mapping[str, int]
    needs_off: bool
    skills: frozenset[str]
    parts: Mapping[str, int]
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    because: str  # where the minutes go
    upgrades: tuple[Upgrade, ...] = ()  # to offer to the client

    @property
    def off_span(self) -> tuple[int, int] | None:
        """From which minute to which a machine is off; None if none is."""
        return off_span((step.state, step.start_minute, step.minutes) for step in self.steps)


def off_span(steps: Iterable[tuple[str, int, int]]) -> tuple[int, int] | None:
    """Return from which minute to which a machine is off in steps: state, start, minutes."""
    off = [
        (start, start + minutes) for state, start, minutes in steps if state != MachineState.LIVE
    ]
    return (min(start for start, _ in off), max(end for _, end in off)) if off else None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineWork:
    """The jobs at one machine during one visit; an ``unsafe`` one is not to be run as found.

    ``before_entering`` are cautions for whoever arrives at the site.
    """

    machine: str
    build: Build
    jobs: tuple[Job, ...]
    unsafe: bool = False
    before_entering: tuple[str, ...] = ()
    upgrades: tuple[Upgrade, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitTimes:
    """How long a visit takes, in whole minutes from arrival to leaving."""

    minutes: int
    minutes_p80: int


def build_worksheet(
    tasks: Iterable[DueTask],
    machines: Iterable[Machine],
    catalogue: Catalogue,
    *,
    pace: float = 1.0,
) -> Worksheet:
    """Return the worksheet of a planned visit: these tasks and what every planned visit includes.

    Parameters
    ----------
    tasks
        Due tasks of one site.
    machines
        The machines they are at; others are ignored.
    pace
        Hands-on minutes of the technician over those of the catalogue; waiting keeps its length.

    Raises
    ------
    UnknownReference
        When a task names a machine or rule that is not there.
    InvalidInput
        When there are no tasks, they belong to several sites, or ``pace`` is not positive.
    """
    return worksheet_of(planned_work(tasks, machines, catalogue), catalogue, pace=pace)


def planned_work(
    tasks: Iterable[DueTask], machines: Iterable[Machine], catalogue: Catalogue
) -> tuple[MachineWork, ...]:
    """Return the jobs of a planned visit, machine by machine; one rule at one machine is one job.

    Raises
    ------
    UnknownReference
        When a task names a machine or rule that is not there.
    InvalidInput
        When there are no tasks or they belong to several sites.
    """
    tasks = sorted(tasks, key=lambda task: task.id)
    if len(sites := {task.site for task in tasks}) != 1:
        raise InvalidInput(f"a visit is to one site, got {', '.join(sorted(sites)) or 'no tasks'}")
    by_id = {machine.id: machine for machine in machines}
    wanted: dict[str, dict[str, list[DueTask]]] = {}
    for task in tasks:
        if task.machine not in by_id:
            raise UnknownReference("machine", task.machine, by_id)
        if task.rule not in catalogue.rules:
            raise UnknownReference("service rule", task.rule, catalogue.rules)
        wanted.setdefault(task.machine, {}).setdefault(task.rule, []).append(task)

    work = []
    for machine_id in sorted(wanted):
        machine = by_id[machine_id]
        positions = {part.id: part.position for part in machine.parts}
        jobs = [
            job_for_rule(
                catalogue.rules[rule],
                machine.build,
                catalogue,
                times=len(same),
                tasks=tuple(task.id for task in same),
                places=tuple(
                    positions.get(task.fitted_part, task.fitted_part)
                    for task in same
                    if task.fitted_part is not None
                ),
            )
            for rule, same in sorted(wanted[machine_id].items())
        ]
        work.append(
            MachineWork(
                machine=machine_id,
                build=machine.build,
                jobs=with_every_visit(machine.build, jobs, catalogue, wanted[machine_id]),
                unsafe=machine.stopped,
                upgrades=upgrades_on(machine, catalogue),
            )
        )
    return tuple(work)


def upgrades_in(work: Iterable[MachineWork]) -> tuple[Upgrade, ...]:
    """Return what to offer the client at a visit, each part once."""
    return tuple(dict.fromkeys(upgrade for at_machine in work for upgrade in at_machine.upgrades))


def with_every_visit(
    build: Build, jobs: Iterable[Job], catalogue: Catalogue, rules: Iterable[str]
) -> tuple[Job, ...]:
    """Return the jobs that fall due and those of every visit; ``rules`` are the ones due.

    An examiner who comes for what stands alone does nothing else.
    """
    jobs, rules = tuple(jobs), tuple(rules)
    if all(catalogue.rules[rule].alone for rule in rules):
        return jobs
    level = strictest(job.state for job in jobs)
    return (*jobs, *every_visit_jobs(build, level, catalogue, without=rules))


def visit_times(
    work: Sequence[MachineWork], catalogue: Catalogue, *, pace: float = 1.0
) -> VisitTimes:
    """Return how long a visit takes, without writing its worksheet."""
    operations = _visit_operations(work, catalogue)
    return _times(operations, _timetable(operations, pace))


def worksheet_of(
    work: Sequence[MachineWork], catalogue: Catalogue, *, pace: float = 1.0
) -> Worksheet:
    """Return the worksheet for jobs already chosen, nothing added.

    Raises
    ------
    InvalidInput
        When there is no work or ``pace`` is not positive.
    """
    if not work:
        raise InvalidInput("a worksheet needs work at one machine at least, got none")
    if not pace > 0:
        raise InvalidInput(f"pace must be positive, got {pace}")
    operations = _visit_operations(work, catalogue)
    timetable = _timetable(operations, pace)
    times = _times(operations, timetable)
    order = sorted(range(len(operations)), key=lambda i: (timetable.starts[i], i))
    numbers = {index: number for number, index in enumerate(order, start=1)}
    chain = set(timetable.critical_chain())
    steps = tuple(
        _step(index, operations, timetable, numbers, critical=index in chain) for index in order
    )
    jobs = [job for at_machine in work for job in at_machine.jobs]
    parts: Counter[str] = Counter()
    for job in jobs:
        parts.update(job.parts)
    return Worksheet(
        steps=steps,
        minutes=times.minutes,
        minutes_p80=times.minutes_p80,
        machine_back_minutes={
            machine: _minutes(timetable.ends[index])
            for index, (machine, operation) in enumerate(operations)
            if machine is not None and operation.kind is StepKind.CHECK
        },
        needs_off=strictest(job.state for job in jobs) is not MachineState.LIVE,
        skills=frozenset().union(*(job.skills for job in jobs)),
        parts=dict(sorted(parts.items())),
        tools=tuple(dict.fromkeys(tool for job in jobs for tool in job.tools)),
        cautions=tuple(dict.fromkeys(text for step in steps for text in step.cautions)),
        because=_where_the_minutes_go(steps, times),
        upgrades=upgrades_in(work),
    )


def _visit_operations(
    work: Sequence[MachineWork], catalogue: Catalogue
) -> list[tuple[str | None, Operation]]:
    """Arrival, every machine's operations, paperwork whenever hands are free, hand-over last."""
    arrive = Operation(
        kind=StepKind.ARRIVE,
        state=MachineState.LIVE,
        text="Arrive, sign in, hear what the café has noticed",
        minutes=ARRIVE_MINUTES,
        after=(),
        cautions=caution_texts(
            dict.fromkeys(c for at_machine in work for c in at_machine.before_entering), catalogue
        ),
    )
    operations: list[tuple[str | None, Operation]] = [(None, arrive)]
    # the treatment comes first in the list, so that the machines it feeds can wait for it
    ordered = sorted(work, key=lambda each: each.build.kind is not EquipmentKind.WATER_FILTER)
    last = []
    for at_machine in ordered:
        operations += [
            (at_machine.machine, operation)
            for operation in machine_operations(
                at_machine.build,
                at_machine.jobs,
                catalogue,
                begin=(0,),
                first=len(operations),
                unsafe=at_machine.unsafe,
            )
        ]
        last.append(len(operations) - 1)
    treatment = [
        end
        for end, at_machine in zip(last, ordered, strict=True)
        if at_machine.build.kind is EquipmentKind.WATER_FILTER
    ]
    # nothing is filled, let alone heated, while the treatment that feeds it is shut or unflushed
    treated = {work.machine for work in ordered if work.build.kind is EquipmentKind.WATER_FILTER}
    operations = [
        (machine, replace(operation, after=(*operation.after, *treatment)))
        if operation.kind is StepKind.REFILL and machine not in treated
        else (machine, operation)
        for machine, operation in operations
    ]
    paperwork = Operation(
        kind=StepKind.PAPERWORK,
        state=MachineState.LIVE,
        text="Serial numbers, part labels, the written report",
        minutes=PAPERWORK_MINUTES,
        after=(0,),
    )
    hand_over = Operation(
        kind=StepKind.HAND_OVER,
        state=MachineState.LIVE,
        text="Show the readings, hand over, have it signed",
        minutes=HAND_OVER_MINUTES,
        after=(*last, len(operations)),
        details=tuple(upgrade.because for upgrade in upgrades_in(work)),
    )
    return [*operations, (None, paperwork), (None, hand_over)]


def _timetable(operations: Sequence[tuple[str | None, Operation]], pace: float) -> Timetable:
    """The timetable in seconds, so that fractions of a minute neither vanish nor pile up."""
    return with_one_pair_of_hands(
        [
            Activity(
                length=round(operation.minutes * 60 * (1.0 if operation.waiting else pace)),
                after=operation.after,
                hands=not operation.waiting,
                at_once=operation.at_once,
                place=machine,
            )
            for machine, operation in operations
        ]
    )


def _times(operations: Sequence[tuple[str | None, Operation]], timetable: Timetable) -> VisitTimes:
    """Minutes, and the ones not exceeded in four visits of five.

    The spread is that of the hands-on steps of the critical chain, normally distributed; waiting
    is taken to last as long as the catalogue says.
    """
    hands_on = [
        timetable.ends[index] - timetable.starts[index]
        for index in timetable.critical_chain()
        if not operations[index][1].waiting
    ]
    spread = sqrt(
        (SHARED_SPREAD * sum(hands_on)) ** 2 + sum((OWN_SPREAD * s) ** 2 for s in hands_on)
    )
    return VisitTimes(
        minutes=_minutes(timetable.length),
        minutes_p80=_minutes(timetable.length + P80_QUANTILE * spread),
    )


def _minutes(seconds: float) -> int:
    return ceil(seconds / 60)


def _step(
    index: int,
    operations: Sequence[tuple[str | None, Operation]],
    timetable: Timetable,
    numbers: Mapping[int, int],
    *,
    critical: bool,
) -> Step:
    machine, operation = operations[index]
    start, end = _minutes(timetable.starts[index]), _minutes(timetable.ends[index])
    held_by = timetable.held_by[index]
    if held_by is None:
        because = "the visit begins"
    elif held_by in operation.after:
        because = f"follows step {numbers[held_by]}"
    else:
        because = f"hands are free after step {numbers[held_by]}"
    beside = [
        numbers[other]
        for other, (_, waiting) in enumerate(operations)
        if waiting.waiting
        and other != index
        and timetable.starts[other] < timetable.ends[index]
        and timetable.starts[index] < timetable.ends[other]
    ]
    if beside and not operation.waiting:
        because += f"; runs beside the wait of step {', '.join(map(str, sorted(beside)))}"
    return Step(
        number=numbers[index],
        kind=operation.kind,
        machine=machine,
        state=operation.state,
        text=operation.text,
        start_minute=start,
        minutes=end - start,
        because=because,
        waiting=operation.waiting,
        critical=critical,
        tasks=operation.job.tasks if operation.job else (),
        details=operation.job.details if operation.job else operation.details,
        cautions=operation.cautions,
        readings=operation.readings,
        after=tuple(sorted(numbers[before] for before in set(operation.after))),
    )


def at_pace(sheet: Worksheet, pace: float) -> Worksheet:
    """Return a worksheet with the minutes of a technician: the same steps in the same order.

    Hands-on minutes are stretched by ``pace``, waiting keeps its length; the minutes not exceeded
    in four visits of five grow with the hands-on ones. A worksheet stored before steps knew what
    they come after is returned as it is.

    Raises
    ------
    InvalidInput
        When ``pace`` is not positive.
    """
    if not pace > 0:
        raise InvalidInput(f"pace must be positive, got {pace}")
    if pace == 1 or not any(step.after for step in sheet.steps):
        return sheet
    ends: dict[int, int] = {}
    hands_free = 0
    steps = []
    for step in sheet.steps:
        start = max((ends[before] for before in step.after), default=0)
        minutes = step.minutes if step.waiting else ceil(step.minutes * pace)
        if not step.waiting:
            start = hands_free = max(start, hands_free)
            hands_free += minutes
        ends[step.number] = start + minutes
        steps.append(replace(step, start_minute=start, minutes=minutes))
    length = max(ends.values())
    last = {step.machine: ends[step.number] for step in steps if step.kind is StepKind.CHECK}
    times = VisitTimes(
        minutes=length, minutes_p80=length + ceil((sheet.minutes_p80 - sheet.minutes) * pace)
    )
    return replace(
        sheet,
        steps=tuple(steps),
        minutes=times.minutes,
        minutes_p80=times.minutes_p80,
        machine_back_minutes={
            m: last.get(m, back) for m, back in sheet.machine_back_minutes.items()
        },
        because=_where_the_minutes_go(steps, times),
    )


def _where_the_minutes_go(steps: Sequence[Step], times: VisitTimes) -> str:
    work = sum(s.minutes for s in steps if s.kind is StepKind.WORK)
    around = sum(s.minutes for s in steps if not s.waiting) - work
    waits = sum(s.minutes for s in steps if s.waiting)
    idle = times.minutes - work - around
    return (
        f"{times.minutes} min from arrival to leaving: {work} min of work, {around} min around it "
        f"(access, shutting down, refilling, checks, paperwork) and {idle} min of waiting with "
        f"nothing else to do, out of {waits} min of cooling down and heating up. Four visits of "
        f"five are done in {times.minutes_p80} min."
    )
