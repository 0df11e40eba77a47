"""Who works for whom under which promise: sites, contracts and technicians."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum
from math import ceil

from scheduler.intervals import IntervalSet
from scheduler.places import Coordinates
from scheduler.working_time import WorkingCalendar


class Urgency(StrEnum):
    """How soon a callback has to be answered."""

    DANGER = "danger"  # people can be hurt
    STOPPED = "stopped"  # the café cannot sell coffee
    IMPAIRED = "impaired"  # it sells, but badly
    MINOR = "minor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """A promise to a client, kept from ``starts_on`` to ``ends_on``, both days included.

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
    starts_on: date
    ends_on: date | None = None

    def covers(self, day: date) -> bool:
        """Whether the contract is in force on a day."""
        return self.starts_on <= day and (self.ends_on is None or day <= self.ends_on)


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A café.

    ``opening`` is when it sells, ``access`` when live work is welcome, ``quiet`` when a machine may
    be off.
    """

    id: str
    client: str
    contract: str
    name: str
    lat: float
    lon: float
    opening: WorkingCalendar
    access: WorkingCalendar
    quiet: WorkingCalendar
    hardness_dh: float
    altitude_metres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Technician:
    """Someone who goes out from home and comes back home.

    ``calendar`` holds the working hours, holidays and absences; ``perhaps_away`` absences that may
    still come to nothing. The break lies inside
    ``break_earliest`` .. ``break_latest`` on the wall clock. ``pace`` 1.2 means a fifth longer than
    the catalogue's minutes. ``driving_limit_minutes`` is the most driving on one day, where
    it is limited. ``sets_out_from`` maps weekday (Monday 0) -> where the day begins, not at home.
    """

    id: str
    name: str
    lat: float
    lon: float
    skills: frozenset[str]
    calendar: WorkingCalendar
    break_minutes: int = 0
    break_earliest: time = time(11, 30)
    break_latest: time = time(14, 0)
    pace: float = 1.0
    perhaps_away: IntervalSet[datetime] = field(default_factory=IntervalSet)
    driving_limit_minutes: int | None = None
    sets_out_from: Mapping[int, Coordinates] = field(default_factory=dict)

    @property
    def home(self) -> Coordinates:
        """Return where they live."""
        return Coordinates(lat=self.lat, lon=self.lon)

    @property
    def bases(self) -> tuple[Coordinates, ...]:
        """Return everywhere their days may begin or end."""
        return (self.home, *self.sets_out_from.values())


def minutes_at_pace(minutes: int, pace: float) -> int:
    """Return what some minutes of work take at a technician's pace, in whole minutes."""
    return ceil(round(minutes * pace, 6))
