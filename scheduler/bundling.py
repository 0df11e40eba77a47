"""Which due tasks of a site share a visit."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from scheduler.worksheet import Worksheet


class Window(StrEnum):
    """Which hours of the site a visit may use."""

    ACCESS = "access"  # live work only
    QUIET = "quiet"  # a machine is off for part of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """A set of due tasks at one site that one technician does in one go.

    ``earliest`` and ``latest`` are days; ``hard`` when ``latest`` may never be passed. ``kind`` is
    "upkeep" or "statutory".
    """

    id: str
    site: str
    kind: str
    tasks: tuple[str, ...]
    window: Window
    earliest: date
    target: date
    latest: date
    hard: bool
    worksheet: Worksheet
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundling:
    """The visits chosen for one site, and what doing every task on its own would cost."""

    bundles: tuple[Bundle, ...]
    cost_minutes: float
    separate_cost_minutes: float
