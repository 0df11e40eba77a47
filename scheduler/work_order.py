"""What has to be done at one machine around the work itself, and what comes before what.

The order is the trade's: what is looked at live first, then what is done live, then hot work on an
isolated machine; then the machine is switched off, locked and proved dead, before any live part is
touched. It cools down and is let down to zero gauge before any part under pressure is opened. It is
closed up before water comes back, checked for leaks under pressure while its covers are still off
and the supply still locked, closed, filled with the heating off, bled at each group, heated. After
cleaner or descaler every outlet is rinsed and tested for what is left of it before anything is
drawn to drink; then it is checked again hot.
Minutes of these steps: common practice, no source.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState, ReadWhen
from scheduler.jobs import Job, access_state, caution_texts, strictest
from scheduler.machines import Build, thermal_of


class StepKind(StrEnum):
    """What a step of a visit is for, in the order they follow each other at one machine."""

    ARRIVE = "arrive"
    AS_FOUND = "as_found"
    TAKE_OUT = "take_out"
    SHUT_OFF = "shut_off"
    SHUT_DOWN = "shut_down"
    COOL_DOWN = "cool_down"
    ZERO_GAUGE = "zero_gauge"
    OPEN = "open"
    WORK = "work"
    CLOSE = "close"
    REFIT = "refit"
    REFILL = "refill"
    POWER_ON = "power_on"
    BLEED = "bleed"
    REHEAT = "reheat"
    RINSE = "rinse"
    CHECK = "check"
    PAPERWORK = "paperwork"
    HAND_OVER = "hand_over"


ARRIVE_MINUTES: Final = 5.0  # park, carry in, sign in, hear what the café has noticed
PAPERWORK_MINUTES: Final = 6.0  # serial numbers, part labels, the written report
HAND_OVER_MINUTES: Final = 4.0  # show the readings, have it signed, carry out
AS_FOUND_MINUTES: Final = 2.0  # look, listen, run it once
READING_MINUTES: Final = 1.0  # each, as found and as left
TAKE_OUT_MINUTES: Final = 1.0
SHUT_OFF_MINUTES: Final = 2.0  # close, vent through the valve, see that nothing more comes
DEAD_MINUTES: Final = 4.0  # one supply locked, tester proved before and after
SHUT_DOWN_MINUTES: Final = 5.0  # two supplies locked, tester proved before and after
UNPLUG_MINUTES: Final = 2.0
ZERO_GAUGE_MINUTES: Final = 4.0
REFIT_MINUTES: Final = 2.0
REFILL_MINUTES: Final = 5.0
FLUSH_MINUTES: Final = 2.0  # water treatment, to the drain
RINSE_MINUTES: Final = 3.0  # every outlet, and a strip
POWER_ON_MINUTES: Final = 2.0
BLEED_MINUTES: Final = 1.0  # each group
CHECK_MINUTES: Final = 3.0
TRIAL_MINUTES: Final = 1.0  # each group, one drink

# Cautions every catalogue has to word: they belong to these steps whatever the work is.
ISOLATE: Final = ("isolate_electricity", "isolate_water")
DEAD_SUPPLY: Final = ("isolate_electricity",)
STORED_STEAM: Final = ("stored_steam",)
HOT_AND_LIVE: Final = ("hot_and_live",)
LOCKED_YET_HOT: Final = ("locked_yet_hot",)
REFILL_BEFORE_HEAT: Final = ("refill_before_heat",)
SAFETY_DEVICES: Final = ("safety_devices",)
GRINDER_UNPLUGGED: Final = ("burrs",)
WATER_SHUT: Final = ("isolate_water",)
CHEMICALS: Final = ("chemicals",)
# common practice, no source
LEAKS_COVERS_ON: Final = (
    "Covers stay on: look, never feel, beneath and at the drain tray for drips and steam. If it "
    "leaks: switch off, isolate, lock and prove dead again, and let it cool to zero gauge before a "
    "cover comes off.",
)
_POWERED: Final = (MachineState.LIVE, MachineState.ISOLATED_HOT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One step of the work at one machine; ``after`` are indices into the same sequence."""

    kind: StepKind
    state: MachineState
    text: str
    minutes: float
    after: tuple[int, ...]
    waiting: bool = False
    at_once: bool = False
    job: Job | None = None
    details: tuple[str, ...] = ()  # beside those of the job
    cautions: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()


def machine_operations(
    build: Build,
    jobs: Sequence[Job],
    catalogue: Catalogue,
    *,
    begin: tuple[int, ...],
    first: int,
    unsafe: bool = False,
) -> tuple[Operation, ...]:
    """Return all that is done at one machine for these jobs, each after what it depends on.

    The operations are numbered from ``first`` on; the first one comes after those in ``begin``.
    The last is the check after which the café may use the machine again. An ``unsafe`` machine is
    neither run nor worked on live before it is mended.
    """
    return _Order(build, jobs, catalogue, first, unsafe).operations(begin)


def joined_by_opening(jobs: Sequence[Job]) -> list[Job]:
    """Return the jobs with those that need the same thing taken apart made one."""
    joined: list[Job] = []
    for job in jobs:
        same = [n for n, other in enumerate(joined) if _one_step(job, other)]
        if same:
            joined[same[0]] = _together(joined[same[0]], job)
        else:
            joined.append(job)
    return joined


def _one_step(job: Job, other: Job) -> bool:
    return job.opening is not None and (job.opening, job.state) == (other.opening, other.state)


def _together(job: Job, other: Job) -> Job:
    """Both in one step; each with its own places where these differ."""
    apart = job.name_says_where or set(job.places) != set(other.places)
    names = [_name_and_places(each) if apart else each.name for each in (job, other)]
    parts = {
        part: job.parts.get(part, 0) + other.parts.get(part, 0)
        for part in (*job.parts, *other.parts)
    }
    return replace(
        job,
        name=" + ".join(names),
        minutes=job.minutes + other.minutes,
        access=tuple(dict.fromkeys((*job.access, *other.access))),
        tasks=(*job.tasks, *other.tasks),
        places=tuple(dict.fromkeys((*job.places, *other.places))),
        name_says_where=apart,
        skills=job.skills | other.skills,
        parts=parts,
        tools=tuple(dict.fromkeys((*job.tools, *other.tools))),
        cautions=tuple(dict.fromkeys((*job.cautions, *other.cautions))),
        readings=tuple(dict.fromkeys((*job.readings, *other.readings))),
        details=tuple(dict.fromkeys((*job.details, *other.details))),
    )


class _Order:
    """Puts together the operations at one machine, phase by phase."""

    def __init__(
        self, build: Build, jobs: Sequence[Job], catalogue: Catalogue, first: int, unsafe: bool
    ) -> None:
        self.build = build
        self.jobs = joined_by_opening(jobs)
        self.catalogue = catalogue
        self.first = first
        self.unsafe = unsafe
        self.level = strictest(job.state for job in jobs)
        self.wet = build.kind is EquipmentKind.ESPRESSO_MACHINE
        points = catalogue.set_points
        readings = tuple(dict.fromkeys(r for job in jobs for r in job.readings))
        self.found = tuple(r for r in readings if points[r].read is ReadWhen.FOUND_AND_LEFT)
        self.left = tuple(
            r for r in readings if points[r].read in (ReadWhen.FOUND_AND_LEFT, ReadWhen.LEFT)
        )
        # What may only be opened cold holds pressure or live parts; the rest are covers.
        self.circuits = {
            step
            for step in {step for job in jobs for step in job.access}
            if access_state(step, catalogue) is MachineState.COLD
        }
        self.holds_water = {
            step for step in self.circuits if catalogue.access_steps[step].holds_water
        }
        # While true nothing else comes between: a machine under power stands open, or the water
        # treatment is shut and others wait for it.
        self.without_a_break = False
        self.flushed = False  # water treatment: part of its check is done before it is closed
        self.made: list[Operation] = []
        self.opened: dict[str, int] = {}
        self.done_with: dict[str, list[int]] = {}  # access step -> what was done through it

    def operations(self, begin: tuple[int, ...]) -> tuple[Operation, ...]:
        as_found = self.as_found(begin)
        if self.unsafe:
            return self.brought_back(as_found)
        live = self.jobs_in(MachineState.LIVE)
        looks = [job for job in live if job.looks_only]
        before = [as_found, *self.work(looks, MachineState.LIVE, [as_found])]
        before += self.behind_shut_offs(live, MachineState.LIVE, before)
        others = [job for job in live if not job.looks_only and not job.shut_off]
        before += self.work(others, MachineState.LIVE, before)
        if self.level is MachineState.LIVE:
            return self.checked([*before, *self.close(MachineState.LIVE)])
        before = self.isolated_hot(before)
        if self.level is MachineState.ISOLATED_HOT:
            return self.checked([*before, *self.close(MachineState.ISOLATED_HOT)])
        if self.level is MachineState.DEAD:
            return self.checked(self.dead(before))
        return self.checked(self.heated(self.cold(before)))

    def brought_back(self, as_found: int) -> tuple[Operation, ...]:
        """Mend an unsafe machine before it runs at all; what needs it running comes last."""
        if self.level is MachineState.COLD:
            ready = self.heated(self.cold([as_found]))
        elif self.level is MachineState.DEAD:
            ready = self.dead([as_found])
        else:
            on = self.add(
                StepKind.POWER_ON,
                MachineState.ISOLATED_HOT,
                "Only once the cause is found and mended: unlock, switch on, stay beside it",
                POWER_ON_MINUTES,
                [as_found],
                cautions=(*HOT_AND_LIVE, *SAFETY_DEVICES) if self.wet else (),
            )
            ready = [on]
        for state in _POWERED:
            jobs = self.jobs_in(state)
            ready += self.behind_shut_offs(jobs, state, list(ready))
            ready += self.work([job for job in jobs if not job.shut_off], state, list(ready))
            ready += self.close(state)
        return self.checked(ready)

    def jobs_in(self, state: MachineState) -> list[Job]:
        """Return the jobs done in a state; reheat jobs of a machine that heats up are in none.

        What only a shut-off allows to be done live is done in the state the visit brings about: hot
        on a machine taken out of service, cold on a cold one.
        """
        reheat_follows = self.level is MachineState.COLD
        found = []
        for job in self.jobs:
            if job.during_reheat and reheat_follows:
                continue
            own = job.state
            if job.shut_off and self.level is not MachineState.LIVE:
                own = MachineState.COLD if reheat_follows else MachineState.ISOLATED_HOT
            if own is state:
                found.append(job)
        return found

    def as_found(self, begin: tuple[int, ...]) -> int:
        if self.unsafe:
            return self.add(
                StepKind.AS_FOUND,
                MachineState.ISOLATED_HOT,
                "Ask what happened and look without touching; do not switch it on",
                AS_FOUND_MINUTES,
                begin,
                cautions=(*ISOLATE, *HOT_AND_LIVE),
            )
        return self.add(
            StepKind.AS_FOUND,
            MachineState.LIVE,
            "See how it runs and take the readings as found",
            AS_FOUND_MINUTES + READING_MINUTES * len(self.found),
            begin,
            readings=self.found,
        )

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

    def isolated_hot(self, before: list[int]) -> list[int]:
        """Work on the hot machine while the café does not use it."""
        jobs = self.jobs_in(MachineState.ISOLATED_HOT)
        if not jobs:
            return before
        out = self.add(
            StepKind.TAKE_OUT,
            MachineState.ISOLATED_HOT,
            "Take it out of service and tell the café",
            TAKE_OUT_MINUTES,
            before,
            cautions=HOT_AND_LIVE if self.wet else (),
        )
        others = [job for job in jobs if not job.shut_off]
        return [
            out,
            *self.behind_shut_offs(jobs, MachineState.ISOLATED_HOT, [out]),
            *self.work(others, MachineState.ISOLATED_HOT, [out]),
        ]

    def dead(self, before: list[int]) -> list[int]:
        """Electrical work: locked and proved dead, the boilers left hot and shut."""
        off = self.add(
            StepKind.SHUT_DOWN,
            MachineState.DEAD,
            "Switch off, isolate, lock and tag; prove dead; leave what is hot and shut alone",
            DEAD_MINUTES,
            before,
            cautions=(*DEAD_SUPPLY, *HOT_AND_LIVE),
        )
        self.without_a_break = False
        work = self.work(self.jobs_in(MachineState.DEAD), MachineState.DEAD, [off])
        refitted = self.add(
            StepKind.REFIT,
            MachineState.DEAD,
            "All parts refitted, terminals tight, tools counted",
            REFIT_MINUTES,
            [off, *work, *self.close(MachineState.DEAD)],
        )
        return [
            self.add(
                StepKind.POWER_ON,
                MachineState.ISOLATED_HOT,
                "Unlock and switch on; see that it comes back to pressure",
                POWER_ON_MINUTES,
                [refitted],
            )
        ]

    def cold(self, before: list[int]) -> list[int]:
        """Shut down, cool down, prove safe, do the cold work and close every opened circuit."""
        off = self.shut_down(before)
        safe = self.prove_safe(off)
        dead, jobs = self.jobs_in(MachineState.DEAD), self.jobs_in(MachineState.COLD)
        for job in (*dead, *jobs, *(job for job in self.jobs if job.during_reheat)):
            self.open(job.access, MachineState.COLD, cover_after=[off], circuit_after=[safe])
        work = [
            *self.work(dead, MachineState.DEAD, [off]),
            *self.work(jobs, MachineState.COLD, [safe]),
        ]
        covers = self.opened.keys() - self.holds_water
        closed = self.close(
            MachineState.COLD,
            keep_open=covers if self.build.kind is not EquipmentKind.GRINDER else (),
        )
        return [
            self.add(
                StepKind.REFIT,
                MachineState.COLD,
                "All parts refitted, joints tight, tools counted",
                REFIT_MINUTES,
                [safe, *work, *closed, *self.opened.values()],
            )
        ]

    def shut_down(self, before: list[int]) -> int:
        if self.wet:
            off = self.add(
                StepKind.SHUT_DOWN,
                MachineState.COLD,
                "Switch off, isolate, lock and tag; prove dead; shut the water",
                SHUT_DOWN_MINUTES,
                before,
                cautions=ISOLATE,
            )
            self.without_a_break = False
            return off
        if self.build.kind is EquipmentKind.GRINDER:
            text, cautions = "Switch off and unplug", GRINDER_UNPLUGGED
        else:
            text = "Tell the café: no water now; shut the inlet, release the line pressure"
            cautions = WATER_SHUT
        off = self.add(
            StepKind.SHUT_DOWN, MachineState.COLD, text, UNPLUG_MINUTES, before, cautions=cautions
        )
        self.without_a_break = self.build.kind is EquipmentKind.WATER_FILTER
        return off

    def prove_safe(self, off: int) -> int:
        """Return the operation after which parts under pressure may be opened."""
        if not self.wet:
            return off
        after = off
        thermal = thermal_of(self.build, self.catalogue)
        if thermal is not None and thermal.cool_down_minutes > 0:
            after = self.add(
                StepKind.COOL_DOWN,
                MachineState.COLD,
                "Vent and let it cool down",
                thermal.cool_down_minutes,
                [off],
                waiting=True,
                cautions=STORED_STEAM,
            )
        return self.add(
            StepKind.ZERO_GAUGE,
            MachineState.COLD,
            "Drain, and confirm zero gauge before anything is opened",
            ZERO_GAUGE_MINUTES,
            [after],
            cautions=STORED_STEAM,
        )

    def heated(self, before: list[int]) -> list[int]:
        """Water, a cold leak check, covers, power, bleeding, heat, and what is set meanwhile."""
        if self.build.kind is EquipmentKind.GRINDER:
            return [*before, *self.close(MachineState.COLD)]
        if not self.wet:
            flushed = self.add(
                StepKind.REFILL,
                MachineState.COLD,
                "Open the inlet slowly, flush to the drain until clear and free of air, look for "
                "leaks under pressure",
                FLUSH_MINUTES,
                before,
            )
            self.flushed = True
            return [flushed, *self.close(MachineState.COLD, after=(flushed,))]
        refilled = self.add(
            StepKind.REFILL,
            MachineState.COLD,
            "Supply still locked: open the water, fill at line pressure, look for leaks with every "
            "cover off",
            REFILL_MINUTES,
            before,
            cautions=(*DEAD_SUPPLY, *REFILL_BEFORE_HEAT),
        )
        reheat_jobs = [job for job in self.jobs if job.during_reheat]
        open_in_reheat = {access for job in reheat_jobs for access in job.access}
        covers = self.close(MachineState.COLD, after=(refilled,), keep_open=open_in_reheat)
        on = self.add(
            StepKind.POWER_ON,
            MachineState.ISOLATED_HOT,
            "Unlock and switch on with the heating off; let the boilers fill to level",
            POWER_ON_MINUTES,
            [refilled, *covers],
            cautions=HOT_AND_LIVE if open_in_reheat & self.opened.keys() else (),
        )
        if self.build.groups:
            on = self.add(
                StepKind.BLEED,
                MachineState.ISOLATED_HOT,
                f"Bleed the air at {_each_group(self.build.groups)}, then heating on",
                BLEED_MINUTES * self.build.groups,
                [on],
                at_once=True,
            )
        ready = [on]
        thermal = thermal_of(self.build, self.catalogue)
        if thermal is not None and thermal.reheat_minutes > 0:
            ready.append(
                self.add(
                    StepKind.REHEAT,
                    MachineState.ISOLATED_HOT,
                    "Heat up",
                    thermal.reheat_minutes,
                    [on],
                    waiting=True,
                    cautions=HOT_AND_LIVE,
                    readings=self.seen_heating(reheat_jobs),
                )
            )
        set_meanwhile = self.work(reheat_jobs, MachineState.ISOLATED_HOT, [on], at_once=True)
        return [*ready, *set_meanwhile, *self.close(MachineState.ISOLATED_HOT)]

    def seen_heating(self, reheat_jobs: Sequence[Job]) -> tuple[str, ...]:
        """Return what is read while it heats up and none of the work done meanwhile reads."""
        points = self.catalogue.set_points
        known = {r for job in reheat_jobs for r in job.readings}
        wanted = dict.fromkeys(r for job in self.jobs for r in job.readings)
        return tuple(r for r in wanted if points[r].read is ReadWhen.REHEAT and r not in known)

    def readable(self, job: Job, state: MachineState) -> tuple[str, ...]:
        """Return what can be read during work in a state: nothing runs where it is off."""
        points = self.catalogue.set_points
        if state in _POWERED:
            return job.readings
        return tuple(r for r in job.readings if points[r].read is ReadWhen.AT_WORK)

    def checked(self, before: list[int]) -> tuple[Operation, ...]:
        if self.wet and any(set(CHEMICALS) <= set(job.cautions) for job in self.jobs):
            rinsed = self.add(
                StepKind.RINSE,
                MachineState.ISOLATED_HOT,
                "Rinse every outlet, then test the water for residue with a strip or as the "
                "agent's sheet says; nobody tastes or serves before it is clear",
                RINSE_MINUTES,
                before,
                cautions=(*CHEMICALS, *HOT_AND_LIVE),
            )
            before = [*before, rinsed]
        if self.wet:
            text = "No leaks hot; safety devices free; one drink at each group; readings as left"
        elif self.build.kind is EquipmentKind.GRINDER:
            text = "Run it, weigh a dose"
        else:
            text = "Water on, no leaks, readings as left"
        self.add(
            StepKind.CHECK,
            MachineState.ISOLATED_HOT
            if self.wet and self.level is not MachineState.LIVE
            else MachineState.LIVE,
            text,
            CHECK_MINUTES
            - (FLUSH_MINUTES if self.flushed else 0.0)
            + READING_MINUTES * len(self.left)
            + TRIAL_MINUTES * self.build.groups,
            before,
            at_once=True,  # the café waits for it
            details=LEAKS_COVERS_ON if self.wet else (),
            cautions=SAFETY_DEVICES if self.wet else (),
            readings=self.left,
        )
        return tuple(self.made)

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
                _name_and_places(job),
                job.minutes + self.opening_minutes(job),
                [*after, *(self.opened[step] for step in job.access)],
                at_once=at_once,
                job=job,
                cautions=job.cautions,
                readings=self.readable(job, state),
            )
            for step in job.access:
                self.done_with[step].append(index)
            made.append(index)
            if job.comes_first:
                after = [*after, index]
        return made

    def opening_minutes(self, job: Job) -> float:
        """Return what taking apart takes: once for each place."""
        if job.opening is None:
            return 0.0
        return self.catalogue.openings[job.opening].minutes * max(1, len(set(job.places)))

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
                cautions=self.behind_covers(state, let_down=step in self.circuits),
            )
            self.without_a_break |= state in _POWERED
            self.opened[step] = index
            self.done_with[step] = [index]

    def behind_covers(self, state: MachineState, *, let_down: bool) -> tuple[str, ...]:
        """Return what whoever opens or closes a machine has to mind, as its state has it.

        Covers come off a locked machine before it is let down: it cools sooner, and its electrics
        are seen to meanwhile.
        """
        if not self.wet:
            return ()
        if state in _POWERED:
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
                [*self.done_with.pop(step), *after],
                cautions=self.behind_covers(state, let_down=state is MachineState.COLD),
            )
            del self.opened[step]
            for required in closes.requires:
                if required in self.done_with:
                    self.done_with[required].append(index)
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


def _name_and_places(job: Job) -> str:
    if job.name_says_where or not job.places:
        return job.name
    return f"{job.name} ({', '.join(job.places)})"


def _each_group(groups: int) -> str:
    return "the group" if groups == 1 else f"each of the {groups} groups"
