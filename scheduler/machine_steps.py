"""The steps made so far at one machine: what stands open, and what was done through it.

Whatever a piece of work needs open is opened before it and closed once, after all that was done
through it; what has a shut-off of its own is shut off first. Which work comes when is the question
of ``work_order``.
"""

from collections.abc import Iterable, Sequence

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState, ReadWhen
from scheduler.jobs import Job, access_state, caution_texts, name_and_places
from scheduler.machines import Build
from scheduler.visit_steps import (
    HOT_AND_LIVE,
    LOCKED_YET_HOT,
    POWERED,
    SHUT_OFF_MINUTES,
    STORED_STEAM,
    Operation,
    StepKind,
)


class MachineSteps:
    """Adds steps at one machine, numbered from ``first`` on, opening and closing what they need.

    Attributes
    ----------
    made
        The steps so far, in the order they were added.
    opened
        Access step that stands open -> the number of the step that opened it.
    without_a_break
        While true nothing else comes between: a machine under power stands open, or the water
        treatment is shut and others wait for it.
    """

    def __init__(self, build: Build, jobs: Iterable[Job], catalogue: Catalogue, first: int) -> None:
        self.build = build
        self.catalogue = catalogue
        self.first = first
        self.wet = build.kind is EquipmentKind.ESPRESSO_MACHINE
        # What may only be opened cold holds pressure or live parts; the rest are covers.
        self.circuits = {
            step
            for step in {step for job in jobs for step in job.access}
            if access_state(step, catalogue) is MachineState.COLD
        }
        self.without_a_break = False
        self.made: list[Operation] = []
        self.opened: dict[str, int] = {}
        self._done_with: dict[str, list[int]] = {}  # access step -> what was done through it

    def work(
        self, jobs: Sequence[Job], state: MachineState, after: list[int], *, at_once: bool = False
    ) -> list[int]:
        """Add the jobs of one phase, opening what is not open yet."""
        made = []
        for job in jobs:
            self.open(job.access, state, cover_after=after, circuit_after=after)
            index = self.add(
                StepKind.WORK,
                state,
                name_and_places(job),
                job.minutes + self._opening_minutes(job),
                [*after, *(self.opened[step] for step in job.access)],
                at_once=at_once,
                job=job,
                cautions=job.cautions,
                readings=self._readable(job, state),
            )
            for step in job.access:
                self._done_with[step].append(index)
            made.append(index)
            if job.comes_first:
                after = [*after, index]
        return made

    def behind_shut_offs(
        self, jobs: Sequence[Job], state: MachineState, after: list[int]
    ) -> list[int]:
        """Work on parts behind a shut-off of their own, once nothing comes from them any more."""
        jobs = [job for job in jobs if job.shut_off]
        if not jobs:
            return []
        shut = self.add(
            StepKind.SHUT_OFF,
            state,
            "Close the shut-off in front, open the valve to vent it, see that nothing more comes",
            SHUT_OFF_MINUTES,
            after,
            cautions=STORED_STEAM,
        )
        self.without_a_break = True
        return [shut, *self.work(jobs, state, [shut])]

    def _opening_minutes(self, job: Job) -> float:
        """Return what taking apart takes: once for each place."""
        if job.opening is None:
            return 0.0
        return self.catalogue.openings[job.opening].minutes * max(1, len(set(job.places)))

    def _readable(self, job: Job, state: MachineState) -> tuple[str, ...]:
        """Return what can be read during work in a state: nothing runs where it is off."""
        points = self.catalogue.set_points
        if state in POWERED:
            return job.readings
        return tuple(r for r in job.readings if points[r].read is ReadWhen.AT_WORK)

    def open(
        self,
        access: Sequence[str],
        state: MachineState,
        *,
        cover_after: list[int],
        circuit_after: list[int],
    ) -> None:
        """Open what is still closed; a circuit is anything that may only be opened cold."""
        for step in access:
            if step in self.opened:
                continue
            needs = self.catalogue.access_steps[step]
            gate = circuit_after if step in self.circuits else cover_after
            index = self.add(
                StepKind.OPEN,
                state,
                f"Open: {needs.name}",
                needs.open_minutes,
                [
                    *gate,
                    *(self.opened[step] for step in needs.requires if step in self.opened),
                ],
                cautions=self._behind_covers(state, let_down=step in self.circuits),
            )
            self.without_a_break |= state in POWERED
            self.opened[step] = index
            self._done_with[step] = [index]

    def _behind_covers(self, state: MachineState, *, let_down: bool) -> tuple[str, ...]:
        """Return what whoever opens or closes a machine has to mind, as its state has it.

        Covers come off a locked machine before it is let down: it cools sooner, and its electrics
        are seen to meanwhile.
        """
        if not self.wet:
            return ()
        if state in POWERED:
            return HOT_AND_LIVE
        return () if let_down else LOCKED_YET_HOT

    def close(
        self,
        state: MachineState,
        *,
        after: tuple[int, ...] = (),
        keep_open: Iterable[str] = (),
    ) -> list[int]:
        """Close in the opposite order whatever is open and need not stay so."""
        made = []
        for step in [step for step in reversed(self.opened) if step not in set(keep_open)]:
            closes = self.catalogue.access_steps[step]
            index = self.add(
                StepKind.CLOSE,
                state,
                f"Close: {closes.name}",
                closes.close_minutes,
                [*self._done_with.pop(step), *after],
                cautions=self._behind_covers(state, let_down=state is MachineState.COLD),
            )
            del self.opened[step]
            for required in closes.requires:
                if required in self._done_with:
                    self._done_with[required].append(index)
            made.append(index)
        return made

    def add(
        self,
        kind: StepKind,
        state: MachineState,
        text: str,
        minutes: float,
        after: Iterable[int],
        *,
        waiting: bool = False,
        at_once: bool = False,
        job: Job | None = None,
        details: tuple[str, ...] = (),
        cautions: tuple[str, ...] = (),
        readings: tuple[str, ...] = (),
    ) -> int:
        """Add a step, its cautions given by their ids; return its number."""
        self.made.append(
            Operation(
                kind=kind,
                state=state,
                text=text,
                minutes=minutes,
                after=tuple(after),
                waiting=waiting,
                at_once=at_once or self.without_a_break,
                job=job,
                details=details,
                cautions=caution_texts(cautions, self.catalogue),
                readings=readings,
            )
        )
        return self.first + len(self.made) - 1
