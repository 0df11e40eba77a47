"""What has to be done at one machine around the work itself, and what comes before what.

The order is the trade's: what is looked at live first, then what is done live, then hot work on an
isolated machine; then the machine is switched off, locked and proved dead, before any live part is
touched. It cools down and is let down to zero gauge before any part under pressure is opened. It is
closed up before water comes back, checked for leaks under pressure while its covers are still off
and the supply still locked, closed, filled with the heating off, bled at each group, heated. After
cleaner or descaler every outlet is rinsed and tested for what is left of it before anything is
drawn to drink; then it is checked again hot.
"""

from collections.abc import Sequence

from scheduler.catalogue import Catalogue, EquipmentKind, MachineState, ReadWhen
from scheduler.jobs import Job, joined_by_opening, strictest
from scheduler.machine_steps import MachineSteps
from scheduler.machines import Build, thermal_of
from scheduler.visit_steps import (
    AS_FOUND_MINUTES,
    BLEED_MINUTES,
    CHECK_MINUTES,
    CHEMICALS,
    DEAD_MINUTES,
    DEAD_SUPPLY,
    FLUSH_MINUTES,
    GRINDER_UNPLUGGED,
    HOT_AND_LIVE,
    ISOLATE,
    LEAKS_COVERS_ON,
    POWER_ON_MINUTES,
    POWERED,
    READING_MINUTES,
    REFILL_BEFORE_HEAT,
    REFILL_MINUTES,
    REFIT_MINUTES,
    RINSE_MINUTES,
    SAFETY_DEVICES,
    SHUT_DOWN_MINUTES,
    STORED_STEAM,
    TAKE_OUT_MINUTES,
    TRIAL_MINUTES,
    UNPLUG_MINUTES,
    WATER_SHUT,
    ZERO_GAUGE_MINUTES,
    Operation,
    StepKind,
)


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


class _Order(MachineSteps):
    """Puts together the operations at one machine, phase by phase."""

    def __init__(
        self, build: Build, jobs: Sequence[Job], catalogue: Catalogue, first: int, unsafe: bool
    ) -> None:
        super().__init__(build, jobs, catalogue, first)
        self.jobs = joined_by_opening(jobs)
        self.unsafe = unsafe
        self.level = strictest(job.state for job in jobs)
        points = catalogue.set_points
        readings = tuple(dict.fromkeys(r for job in jobs for r in job.readings))
        self.found = tuple(r for r in readings if points[r].read is ReadWhen.FOUND_AND_LEFT)
        self.left = tuple(
            r for r in readings if points[r].read in (ReadWhen.FOUND_AND_LEFT, ReadWhen.LEFT)
        )
        self.holds_water = {
            step for step in self.circuits if catalogue.access_steps[step].holds_water
        }
        self.flushed = False  # water treatment: part of its check is done before it is closed

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
        for state in POWERED:
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


def _each_group(groups: int) -> str:
    return "the group" if groups == 1 else f"each of the {groups} groups"
