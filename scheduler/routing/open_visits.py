"""What a plan has to place, in instants: open visits, who is busy, time that is spoken for."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from scheduler.company import Urgency
from scheduler.intervals import Interval, IntervalSet
from scheduler.places import Coordinates


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a visit stands in the published calendar."""

    technician: str
    starts_at: datetime
    promised: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OffTime:
    """The part of a visit in which a machine is off.

    Attributes
    ----------
    begins, ends : minutes of the visit, by its worksheet; 0 <= begins < ends.
    hours : the instants in which the site can do without a machine; all of the part lies in them.
    """

    begins: int
    ends: int
    hours: IntervalSet[datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenVisit:
    """A visit waiting for its place in the plan.

    Attributes
    ----------
    site : its id; two technicians are never at one site at once.
    at, zone : of the site.
    minutes : time on site.
    allowed : the instants in which the whole of the work must lie.
    off : the part of it that must lie in narrower hours, if any.
    earliest, target, latest : days at the site.
    hard_latest : the last day law or the maker allow, if they have a say.
    urgency, respond_by : for a callback only; arrival by ``respond_by`` keeps the contract.
    standing : its published appointment, if any.
    parts : what it uses up, part type -> pieces.
    """

    id: str
    site: str
    at: Coordinates
    zone: str
    minutes: int
    skills: frozenset[str]
    allowed: IntervalSet[datetime]
    earliest: date
    target: date
    latest: date
    off: OffTime | None = None
    hard_latest: date | None = None
    urgency: Urgency | None = None
    respond_by: datetime | None = None
    standing: Standing | None = None
    parts: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupied:
    """A technician who is ``at`` a place and not free before ``until``."""

    technician: str
    at: Coordinates
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenTime:
    """Time of a technician that is spoken for and not the plan's to give away."""

    technician: str
    interval: Interval[datetime]
