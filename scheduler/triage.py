"""What a fault report most likely means, how urgent it is and what to bring."""

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.catalogue import MachineState
from scheduler.company import Urgency


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyFault:
    """A fault with its posterior probability."""

    fault: str
    name: str
    probability: float
    phone_fix: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The answer of triage to one report.

    ``minutes`` is what the visit should be planned with, from arrival to leaving; ``parts`` is the
    cheapest kit that covers ``parts_cover`` of the cases; ``next_question`` is the symptom id
    worth asking about next, if any.
    """

    urgency: Urgency
    symptoms: tuple[str, ...]  # as reported and as read from the free text
    likely_faults: tuple[LikelyFault, ...]
    state: MachineState  # the state the machine has to be in for the likely work
    skills: frozenset[str]
    parts: Mapping[str, int]
    parts_cover: float  # share of cases the kit suffices for, 0 to 1
    minutes: int
    make_safe: tuple[str, ...]
    next_question: str | None
    because: str
