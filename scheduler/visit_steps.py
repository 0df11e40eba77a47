"""The steps of a visit around the work itself: their kinds, their minutes and their cautions.

Minutes: common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from scheduler.catalogue import MachineState
from scheduler.jobs import Job


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
POWERED: Final = (MachineState.LIVE, MachineState.ISOLATED_HOT)


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
