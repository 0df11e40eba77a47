"""What a visit for given rules takes and needs, fast enough to ask for every group of tasks.

:class:`VisitEstimates` keeps flat tables from which the compiled search of
:mod:`scheduler.visit_search` adds up the minutes of any group of rules, and remembers the worksheet
figures of visits it has been asked for before.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState, ReadWhen
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.jobs import STATE_RANK, Job, access_state, every_visit_jobs, job_for_rule, strictest
from scheduler.machines import Build, thermal_of
from scheduler.visit_steps import CHEMICALS, READING_MINUTES, RINSE_MINUTES
from scheduler.worksheet import MachineWork, VisitTimes, visit_times

# What some jobs at one machine add up to. Sets of access steps and of readings are bit masks.
TALLY: Final = np.dtype(
    [
        ("rank", np.int64),  # the strictest state: 0 live, 1 isolated hot, 2 dead, 3 cold
        ("hot", np.int64),  # 1 when work is done hot before any shutting down
        ("before_shut_down", np.int64),  # access used while the machine is under power
        ("cold", np.int64),  # access used by work on a machine that is off
        ("in_reheat", np.int64),  # access that stays open during the reheat
        ("shut_off", np.int64),  # 1 when work goes on behind a shut-off, as long as it is hot
        ("shut_off_access", np.int64),  # access used by that work
        ("readings", np.int64),  # one bit for each time a value is read
        ("minutes", np.float64),
        ("dead_minutes", np.float64),  # of these, work done while the machine cools down
        ("reheat_minutes", np.float64),
    ]
)
BUILD: Final = np.dtype(
    [
        ("wet", np.int64),  # 1 for an espresso machine
        ("groups", np.int64),
        ("covers", np.int64),  # access that may be opened before the machine is cold
        ("cooling", np.float64),
        ("heating", np.float64),
    ]
)
MASK_BITS: Final = 62
_RINSE_BITS: Final = round(RINSE_MINUTES / READING_MINUTES)

# Fields of a record are read as attributes, by Python and by compiled code alike.
Records = np.recarray[Any, np.dtype[np.record]]

# Rule id -> where it is done, sorted; the places count only where something is taken apart at each.
RuleTimes = tuple[tuple[str, tuple[str, ...]], ...]


class MachineRules(NamedTuple):
    """What is due at one machine; a stopped one is not to be run as found."""

    build: int  # its row
    stopped: bool
    rules: RuleTimes


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitFigures:
    """What a visit takes and needs, every-visit work included."""

    times: VisitTimes
    skills: frozenset[str]
    parts: Mapping[str, int]
    live: bool  # no machine is out of service at any time


def records(rows: Sequence[Any], dtype: np.dtype[Any]) -> Records:
    """Return rows as records of a type."""
    return np.array(rows, dtype).view(np.recarray)


class VisitEstimates:
    """Tables for one catalogue, shared by all sites that are bundled with it.

    Builds get numbers as they are met; row ``n`` of ``builds`` and ``every_visit`` is build ``n``.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        for what, ids in (
            ("access steps", catalogue.access_steps),
            ("set-points", [*range(2 * len(catalogue.set_points) + _RINSE_BITS)]),
        ):
            _tell_apart(what, len(ids))
        steps = catalogue.access_steps
        self.open_minutes = np.zeros((8, 256))  # of each set of eight access steps
        self.close_minutes = np.zeros((8, 256))
        for n, step in enumerate(steps.values()):
            _add_to_sums(self.open_minutes, n, step.open_minutes)
            _add_to_sums(self.close_minutes, n, step.close_minutes)
        self._step_bits = {step: 1 << n for n, step in enumerate(steps)}
        self._opening_bits: dict[tuple[str, str], int] = {}
        times = {ReadWhen.FOUND_AND_LEFT: 3, ReadWhen.LEFT: 1}
        self._reading_bits = {
            reading: times.get(point.read, 0) << 2 * n
            for n, (reading, point) in enumerate(catalogue.set_points.items())
        }
        # the rinse after cleaner or descaler, once a machine, takes as long as so many readings
        self._rinse_bits = ((1 << _RINSE_BITS) - 1) << 2 * len(catalogue.set_points)
        self._covers = sum(
            bit
            for step, bit in self._step_bits.items()
            if access_state(step, catalogue) is not MachineState.COLD
        )
        self._numbers: dict[Build, int] = {}
        self._builds: list[Build] = []
        self._build_rows: list[tuple[float, ...]] = []
        self._every_visit_rows: list[list[tuple[float, ...]]] = []
        self.builds = records(self._build_rows, BUILD)
        self.every_visit = records(self._every_visit_rows, TALLY)
        self.nothing_at_a_visit = self.every_visit  # as long, for who does only what is asked for
        self._every_visit_jobs: list[tuple[tuple[Job, ...], ...]] = []
        self._tallies: dict[tuple[int, str, tuple[str, ...]], tuple[float, ...]] = {}
        self._jobs_of_rules: dict[tuple[int, str, tuple[str, ...]], Job] = {}
        self._figures: dict[tuple[MachineRules, ...], VisitFigures] = {}

    def build_number(self, build: Build) -> int:
        """Return the row of a build, added when it is met for the first time."""
        number = self._numbers.get(build)
        if number is None:
            number = self._numbers[build] = len(self._builds)
            self._builds.append(build)
            wet = build.kind is EquipmentKind.ESPRESSO_MACHINE
            thermal = thermal_of(build, self.catalogue) if wet else None
            row = (
                int(wet),
                build.groups,
                self._covers,
                thermal.cool_down_minutes if thermal else 0.0,
                thermal.reheat_minutes if thermal else 0.0,
            )
            jobs = tuple(every_visit_jobs(build, level, self.catalogue) for level in MachineState)
            self._every_visit_jobs.append(jobs)
            self._build_rows.append(row)
            self._every_visit_rows.append([self._sum(at_level) for at_level in jobs])
            self.builds = records(self._build_rows, BUILD)
            self.every_visit = records(self._every_visit_rows, TALLY)
            self.nothing_at_a_visit = np.zeros_like(self.every_visit)
        return number

    def places_that_count(self, rule: str, places: tuple[str, ...]) -> tuple[str, ...]:
        """Return the places of a rule, nameless where it does not matter which they are.

        Raises
        ------
        UnknownReference
            When the rule is not in the catalogue.
        """
        if rule not in self.catalogue.rules:
            raise UnknownReference("service rule", rule, self.catalogue.rules)
        return places if self.catalogue.rules[rule].opening else ("",) * len(places)

    def tally(self, build: int, rule: str, places: tuple[str, ...]) -> tuple[float, ...]:
        """Return what a rule done at these places adds, as a row of :data:`TALLY`.

        ``places`` are those that count.
        """
        key = (build, rule, places)
        tally = self._tallies.get(key)
        if tally is None:
            tally = self._tallies[key] = self._sum([self._job(build, rule, places)])
        return tally

    def figures(self, visit: tuple[MachineRules, ...]) -> VisitFigures:
        """Return the figures of the worksheet for these rules, machine by machine."""
        figures = self._figures.get(visit)
        if figures is None:
            work = [
                MachineWork(
                    machine=str(n),
                    build=self._builds[at_machine.build],
                    jobs=self._jobs(at_machine.build, at_machine.rules),
                    unsafe=at_machine.stopped,
                )
                for n, at_machine in enumerate(visit)
            ]
            jobs = [job for at_machine in work for job in at_machine.jobs]
            parts: Counter[str] = Counter()
            for job in jobs:
                for part, quantity in job.parts.items():
                    parts[part] += quantity
            figures = self._figures[visit] = VisitFigures(
                times=visit_times(work, self.catalogue),
                skills=frozenset().union(*(job.skills for job in jobs)),
                parts=dict(sorted(parts.items())),
                live=strictest(job.state for job in jobs) is MachineState.LIVE,
            )
        return figures

    def _jobs(self, build: int, rules: RuleTimes) -> tuple[Job, ...]:
        due = [self._job(build, rule, places) for rule, places in rules]
        if all(self.catalogue.rules[rule].alone for rule, _ in rules):
            return tuple(due)
        level = STATE_RANK[strictest(job.state for job in due)]
        return (*due, *self._every_visit_jobs[build][level])

    def _job(self, build: int, rule: str, places: tuple[str, ...]) -> Job:
        key = (build, rule, places)
        job = self._jobs_of_rules.get(key)
        if job is None:
            job = self._jobs_of_rules[key] = job_for_rule(
                self.catalogue.rules[rule],
                self._builds[build],
                self.catalogue,
                times=len(places),
                places=tuple(filter(None, places)),
            )
        return job

    def _opened_at(self, job: Job) -> int:
        """Bits for what a job takes apart at its places, each the same for all jobs."""
        bits = 0
        for place in job.places if job.opening else ():
            key = (job.opening or "", place)
            if key not in self._opening_bits:
                count = len(self._step_bits) + len(self._opening_bits)
                _tell_apart("access steps and openings", count + 1)
                self._opening_bits[key] = 1 << count
                minutes = self.catalogue.openings[key[0]].minutes
                _add_to_sums(self.open_minutes, count, minutes)
            bits |= self._opening_bits[key]
        return bits

    def _sum(self, jobs: Iterable[Job]) -> tuple[float, ...]:
        rank, hot, before_shut_down, cold, in_reheat, readings = 0, 0, 0, 0, 0, 0
        shut_off, shut_off_access = 0, 0
        minutes, dead_minutes, reheat_minutes = 0.0, 0.0, 0.0
        for job in jobs:
            rank = max(rank, STATE_RANK[job.state])
            access = sum(self._step_bits[step] for step in job.access) | self._opened_at(job)
            readings |= sum(self._reading_bits[reading] for reading in job.readings)
            readings |= self._rinse_bits if set(CHEMICALS) <= set(job.cautions) else 0
            if job.during_reheat:
                in_reheat |= access
                reheat_minutes += job.minutes
                continue
            minutes += job.minutes
            if job.shut_off:
                shut_off, shut_off_access = 1, shut_off_access | access
            elif job.state in (MachineState.DEAD, MachineState.COLD):
                cold |= access
                dead_minutes += job.minutes if job.state is MachineState.DEAD else 0.0
            else:
                before_shut_down |= access
                hot |= int(job.state is MachineState.ISOLATED_HOT)
        return (
            rank,
            hot,
            before_shut_down,
            cold,
            in_reheat,
            shut_off,
            shut_off_access,
            readings,
            minutes,
            dead_minutes,
            reheat_minutes,
        )


def _add_to_sums(sums: NDArray[np.float64], bit: int, minutes: float) -> None:
    """Add the minutes of one bit to those of the sets of eight that have it."""
    eight, place = divmod(bit, 8)
    sums[eight, np.arange(256) >> place & 1 == 1] += minutes


def _tell_apart(what: str, count: int) -> None:
    if count > MASK_BITS:
        raise InvalidInput(f"at most {MASK_BITS} {what} can be told apart, got {count}")
