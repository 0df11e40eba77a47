"""What a machine is made of: its build, its fitted parts, its duty and its history."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from scheduler.catalogue import BoilerLayout, Counter, Dosing, EquipmentKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """How a unit is built. Boilers, groups and dosing only mean something for espresso machines."""

    kind: EquipmentKind
    boiler_layout: BoilerLayout | None = None
    groups: int = 0
    dosing: Dosing | None = None
    features: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPart:
    """One part in one position of one machine, from the day it was fitted."""

    id: str
    part_type: str
    position: str  # "steam boiler", "group 2", ...
    fitted_on: date


class Outcome(StrEnum):
    """How a piece of recorded work came about."""

    PLANNED = "planned"
    FAILURE = "failure"  # done because the part had failed
    FOUND = "found"  # found worn at a visit for something else


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkDone:
    """A service rule carried out on a part (or on the machine when ``fitted_part`` is None)."""

    rule: str
    fitted_part: str | None
    done_on: date
    outcome: Outcome = Outcome.PLANNED


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """A counter as read on the machine."""

    counter: Counter
    value: float
    taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A unit at a site. ``drinks_per_day`` is what the site stated when it was installed."""

    id: str
    site: str
    name: str
    build: Build
    installed_on: date
    drinks_per_day: float
    parts: tuple[FittedPart, ...] = ()
    history: tuple[WorkDone, ...] = ()
    meter_readings: tuple[MeterReading, ...] = ()
