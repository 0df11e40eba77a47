"""Who works for whom under which promise: sites, contracts and technicians."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from scheduler.working_time import Absence, WeeklyHours, WorkingCalendar


class Urgency(StrEnum):
    """How soon a callback has to be answered."""

    DANGER = "danger"  # people can be hurt
    STOPPED = "stopped"  # the café cannot sell coffee
    IMPAIRED = "impaired"  # it sells, but badly
    MINOR = "minor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """A promise to a client.

    ``response_minutes`` maps urgency -> minutes of the contract's own working time
    (``service_hours``) until a technician stands at the machine.
    """

    id: str
    client: str
    kind: str
    response_minutes: Mapping[Urgency, int]
    service_hours: WorkingCalendar
    upkeep_included: bool
    statutory_included: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A café. ``access`` is when live work is welcome, ``quiet`` when the machine may be off."""

    id: str
    client: str
    contract: str
    name: str
    lat: float
    lon: float
    access: WorkingCalendar
    quiet: WorkingCalendar
    hardness_dh: float
    altitude_metres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Technician:
    """Someone who goes out. The day starts and ends at home unless the shift says workshop."""

    id: str
    name: str
    lat: float
    lon: float
    skills: frozenset[str]
    hours: WeeklyHours
    calendar: WorkingCalendar
    absences: tuple[Absence, ...] = ()
    break_minutes: int = 0
    break_earliest: str = "11:30"  # local wall clock
    break_latest: str = "14:00"
    pace: float = 1.0  # 1.2 needs a fifth longer than the catalogue's minutes
