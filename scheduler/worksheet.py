"""What a visit consists of, in the right order, and how long it takes."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from scheduler.catalogue import MachineState


class StepKind(StrEnum):
    """What a step of a visit is for, in the order they follow each other at one machine."""

    ARRIVE = "arrive"
    AS_FOUND = "as_found"
    TAKE_OUT = "take_out"
    SHUT_DOWN = "shut_down"
    COOL_DOWN = "cool_down"
    ZERO_GAUGE = "zero_gauge"
    OPEN = "open"
    WORK = "work"
    CLOSE = "close"
    REFIT = "refit"
    REFILL = "refill"
    BLEED = "bleed"
    POWER_ON = "power_on"
    REHEAT = "reheat"
    CHECK = "check"
    PAPERWORK = "paperwork"
    HAND_OVER = "hand_over"


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
    because: str  # where the minutes go, in one paragraph
