"""Which due tasks of a site share a visit."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class Window(StrEnum):
    """Which hours of the site a visit may use."""

    ACCESS = "access"  # live work only
    QUIET = "quiet"  # a machine is off for part of it


class VisitKind(StrEnum):
    """Why somebody goes there."""

    UPKEEP = "upkeep"
    STATUTORY = "statutory"  # an examination that never shares a visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """A set of due tasks at one site that one technician does in one go.

    ``earliest`` ≤ ``target`` ≤ ``latest`` are days, none before today. ``hard`` when ``latest``
    itself may never be passed; ``hard_latest`` is the last day law or maker allow (on or after
    ``latest``), None when neither has a say. ``overdue`` when some task's own latest day has gone
    by: its ``latest`` is then a few days from today, the soonest that can be asked for.
    ``minutes`` equals that of the worksheet of the same tasks.
    """

    id: str
    site: str
    kind: VisitKind
    tasks: tuple[str, ...]
    machines: tuple[str, ...]
    window: Window
    earliest: date
    target: date
    latest: date
    hard: bool
    hard_latest: date | None
    overdue: bool
    minutes: int
    minutes_p80: int
    skills: frozenset[str]
    parts: Mapping[str, int]
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundling:
    """The visits chosen for one site, and what doing every task on its own would cost.

    Costs are in minutes of travel equivalent. ``later`` lists the tasks that need no visit before
    the horizon; every task given is in exactly one bundle or in ``later``.
    """

    bundles: tuple[Bundle, ...]
    later: tuple[str, ...]
    cost_minutes: float
    separate_cost_minutes: float
