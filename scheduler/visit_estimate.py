"""How long a visit for given rules takes, fast enough to ask for every group of tasks.

The same operations as the worksheet's, added up instead of put in order. For one machine the
result is the worksheet's to the minute; for several it is what no order of work can undercut: all
the hands-on work, or the longest chain at one machine with its waiting.
"""

from dataclasses import dataclass
from typing import Final

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState
from scheduler.jobs import STATE_RANK, Job, access_state, every_visit_jobs, job_for_rule
from scheduler.machines import Build, thermal_of
from scheduler.work_order import (
    ARRIVE_MINUTES,
    AS_FOUND_MINUTES,
    BLEED_MINUTES,
    CHECK_MINUTES,
    HAND_OVER_MINUTES,
    PAPERWORK_MINUTES,
    POWER_ON_MINUTES,
    READING_MINUTES,
    REFILL_MINUTES,
    REFIT_MINUTES,
    SHUT_DOWN_MINUTES,
    TAKE_OUT_MINUTES,
    TRIAL_MINUTES,
    UNPLUG_MINUTES,
    ZERO_GAUGE_MINUTES,
)

SITE_MINUTES: Final = ARRIVE_MINUTES + HAND_OVER_MINUTES
LIVE: Final = STATE_RANK[MachineState.LIVE]
HOT: Final = STATE_RANK[MachineState.ISOLATED_HOT]
COLD: Final = STATE_RANK[MachineState.COLD]


@dataclass(slots=True)
class Tally:
    """What the jobs chosen so far at one machine add up to. Sets of ids are bit masks."""

    rank: int = LIVE
    minutes: float = 0.0
    reheat_minutes: float = 0.0
    hot: bool = False  # some work is done hot before the machine is shut down
    before_shut_down: int = 0  # access used while the machine is under pressure
    cold: int = 0  # access used by cold work
    in_reheat: int = 0  # access that stays open during the reheat
    readings: int = 0

    def add(self, other: "Tally", times: int = 1) -> "Tally":
        """Return the sum of both."""
        return Tally(
            rank=max(self.rank, other.rank),
            minutes=self.minutes + other.minutes * times,
            reheat_minutes=self.reheat_minutes + other.reheat_minutes * times,
            hot=self.hot or other.hot,
            before_shut_down=self.before_shut_down | other.before_shut_down,
            cold=self.cold | other.cold,
            in_reheat=self.in_reheat | other.in_reheat,
            readings=self.readings | other.readings,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineMinutes:
    """Work and waiting at one machine.

    ``hands_on`` is all work in a row; ``cooling`` and ``heating`` are the two waits, with the
    hands-on minutes that can be done meanwhile (zero when nothing waits).
    """

    hands_on: float
    cooling: float = 0.0
    done_cooling: float = 0.0
    heating: float = 0.0
    done_heating: float = 0.0

    @property
    def chain(self) -> float:
        """From the first to the last hand laid on the machine."""
        return (
            self.hands_on
            + max(0.0, self.cooling - self.done_cooling)
            + max(0.0, self.heating - self.done_heating)
        )


class BuildEstimate:
    """Adds up rules at machines of one build; remembers what it has worked out."""

    def __init__(self, build: Build, catalogue: Catalogue) -> None:
        self._build = build
        self._catalogue = catalogue
        self._wet = build.kind is EquipmentKind.ESPRESSO_MACHINE
        thermal = thermal_of(build, catalogue) if self._wet else None
        self._cooling = thermal.cool_down_minutes if thermal else 0.0
        self._heating = thermal.reheat_minutes if thermal else 0.0
        self._steps = tuple(catalogue.access_steps.values())
        self._step_bits = {step.id: 1 << n for n, step in enumerate(self._steps)}
        self._reading_bits = {reading: 1 << n for n, reading in enumerate(catalogue.set_points)}
        self._covers = sum(
            bit
            for step, bit in self._step_bits.items()
            if access_state(step, catalogue) is not MachineState.COLD
        )
        self._access_minutes: dict[int, tuple[float, float]] = {}
        self._rules: dict[str, Tally] = {}
        self._every_visit = tuple(self._every_visit_tally(state) for state in MachineState)

    def rule(self, rule: str) -> Tally:
        """Return what one rule, done once, adds."""
        if rule not in self._rules:
            self._rules[rule] = self._tally(
                job_for_rule(self._catalogue.rules[rule], self._build, self._catalogue)
            )
        return self._rules[rule]

    def minutes(self, due: Tally) -> MachineMinutes:
        """Return the minutes for rules that fall due, with what is done at every visit."""
        every_visit = self._every_visit[due.rank]
        before_shut_down = due.before_shut_down | every_visit.before_shut_down
        in_reheat = due.in_reheat | every_visit.in_reheat
        cold = due.cold | every_visit.cold
        reheat_minutes = due.reheat_minutes + every_visit.reheat_minutes
        readings = (due.readings | every_visit.readings).bit_count()
        groups = self._build.groups
        hands_on = (
            AS_FOUND_MINUTES
            + CHECK_MINUTES
            + 2 * READING_MINUTES * readings
            + TRIAL_MINUTES * groups
            + due.minutes
            + every_visit.minutes
            + reheat_minutes
            + sum(self._open_and_close(before_shut_down | cold | in_reheat))
        )
        if due.rank == LIVE:
            return MachineMinutes(hands_on=hands_on)
        if due.rank == HOT:
            return MachineMinutes(hands_on=hands_on + TAKE_OUT_MINUTES)
        if due.hot or every_visit.hot:
            hands_on += TAKE_OUT_MINUTES
        if not self._wet:
            return MachineMinutes(hands_on=hands_on + UNPLUG_MINUTES + REFIT_MINUTES)
        covers_opened_cold = (cold | in_reheat) & self._covers & ~before_shut_down
        return MachineMinutes(
            hands_on=hands_on
            + SHUT_DOWN_MINUTES
            + ZERO_GAUGE_MINUTES
            + REFIT_MINUTES
            + REFILL_MINUTES
            + POWER_ON_MINUTES
            + BLEED_MINUTES * groups,
            cooling=self._cooling,
            done_cooling=self._open_and_close(covers_opened_cold)[0],
            heating=self._heating,
            done_heating=reheat_minutes + self._open_and_close(in_reheat)[1],
        )

    def _every_visit_tally(self, level: MachineState) -> Tally:
        total = Tally()
        for job in every_visit_jobs(self._build, level, self._catalogue):
            total = total.add(self._tally(job))
        return total

    def _tally(self, job: Job) -> Tally:
        access = sum(self._step_bits[step] for step in job.access)
        return Tally(
            rank=STATE_RANK[job.state],
            minutes=0.0 if job.during_reheat else job.minutes,
            reheat_minutes=job.minutes if job.during_reheat else 0.0,
            hot=job.state is MachineState.ISOLATED_HOT and not job.during_reheat,
            before_shut_down=0 if job.during_reheat or job.state is MachineState.COLD else access,
            cold=access if job.state is MachineState.COLD else 0,
            in_reheat=access if job.during_reheat else 0,
            readings=sum(self._reading_bits[reading] for reading in job.readings),
        )

    def _open_and_close(self, access: int) -> tuple[float, float]:
        if access not in self._access_minutes:
            steps = [step for n, step in enumerate(self._steps) if access >> n & 1]
            self._access_minutes[access] = (
                sum(step.open_minutes for step in steps),
                sum(step.close_minutes for step in steps),
            )
        return self._access_minutes[access]


def one_machine_visit(at: MachineMinutes) -> float:
    """Return the minutes of a visit to one machine; paperwork goes into the first free wait."""
    minutes = SITE_MINUTES + at.chain
    for wait, done in ((at.cooling, at.done_cooling), (at.heating, at.done_heating)):
        if done < wait:
            return minutes + max(0.0, done + PAPERWORK_MINUTES - wait)
    return minutes + PAPERWORK_MINUTES


def several_machines_visit(hands_on: float, longest_chain: float) -> float:
    """Return minutes that no visit to several machines can be shorter than."""
    return SITE_MINUTES + max(hands_on + PAPERWORK_MINUTES, longest_chain)


class VisitEstimates:
    """The estimates by build, shared by all sites that are bundled with one catalogue."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self._by_build: dict[Build, BuildEstimate] = {}

    def of(self, build: Build) -> BuildEstimate:
        """Return the estimate for a build."""
        if build not in self._by_build:
            self._by_build[build] = BuildEstimate(build, self.catalogue)
        return self._by_build[build]
