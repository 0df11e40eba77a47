"""What a visit consists of, in the right order, and how long it takes."""

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.catalogue import MachineState


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of a worksheet. ``start_minute`` counts from arrival at the site.

    A ``waiting`` step needs nobody's hands (cooling down, heating up): other steps run beside it.
    """

    number: int
    machine: str | None  # None: for the site as a whole (arrival, hand-over)
    state: MachineState
    text: str
    start_minute: int
    minutes: int
    waiting: bool = False
    tasks: tuple[str, ...] = ()  # ids of the due tasks it serves
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
