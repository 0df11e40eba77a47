"""From when technicians arrived and left to the drives they made, and which of them can be trusted.

Nobody drives for the record: between two visits somebody may have eaten, waited for a café to open
or fetched a part. Only pairs without such a gap are taken for drives, by rules that do not look at
how long the drive took, since leaving out the long ones would make every road look quick.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum
from itertools import groupby

from scheduler.intervals import Interval
from scheduler.places import Coordinates
from scheduler.working_time import instant_at, local_date

MAY_HAVE_WAITED = timedelta(minutes=2)
"""Work begun this close to its planned minute may have waited: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """Where a technician sets out in the morning, and when they usually rest."""

    id: str
    home: Coordinates
    zone: str
    break_minutes: int = 0
    break_earliest: time = time(11, 30)
    break_latest: time = time(14, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """One technician at one site. Instants are UTC.

    Attributes
    ----------
    appointment
        Id of the appointment kept.
    planned_start
        When the work was to begin.
    set_out_at
        When they say they set out for it, where they said so.
    left_at
        None while they are there, or where nobody said.
    by_workshop
        Whether a call at the workshop was planned on the way.
    """

    appointment: str
    technician: str
    at: Coordinates
    planned_start: datetime
    arrived_at: datetime
    left_at: datetime | None = None
    set_out_at: datetime | None = None
    by_workshop: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """A drive as it was made, ``minutes`` > 0 from setting out to arriving.

    ``appointment`` is the one driven to.
    """

    appointment: str
    technician: str
    origin: Coordinates
    target: Coordinates
    arrived_at: datetime
    minutes: float


class PassedOver(StrEnum):
    """Why two stays in a row tell nothing about the road between them."""

    BREAK = "break"  # it touches the hours of the break
    WAITED = "waited"  # the work began on its planned minute
    NOT_SAID = "not_said"  # nobody said when the visit before was left
    BACKWARDS = "backwards"  # arrived before setting out
    SAME_PLACE = "same_place"
    BY_WORKSHOP = "by_workshop"  # the round called at the workshop on the way


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """The drives that can be trusted, in order of arrival, and how many others there were."""

    drives: tuple[Drive, ...]
    passed_over: Mapping[PassedOver, int]


def drives_between(stays: Iterable[Stay], drivers: Mapping[str, Driver]) -> Driven:
    """Find the drives between the stays of each technician and day.

    Where somebody said when they set out, the drive began then, from the site before or, in the
    morning, from home. Otherwise it began when the site before was left. A stay whose technician
    is not among ``drivers`` is passed over without a word.
    """
    known = sorted(
        (stay for stay in stays if stay.technician in drivers),
        key=lambda stay: (stay.technician, stay.arrived_at, stay.appointment),
    )
    drives: list[Drive] = []
    passed_over: Counter[PassedOver] = Counter()

    def day_of(stay: Stay) -> tuple[str, object]:
        return stay.technician, local_date(stay.arrived_at, drivers[stay.technician].zone)

    for _, entries in groupby(known, key=day_of):
        of_day = list(entries)
        for before, stay in zip([None, *of_day[:-1]], of_day, strict=True):
            found = _drive(before, stay, drivers[stay.technician])
            if isinstance(found, Drive):
                drives.append(found)
            elif found is not None:
                passed_over[found] += 1
    drives.sort(key=lambda drive: (drive.arrived_at, drive.appointment))
    return Driven(drives=tuple(drives), passed_over=dict(passed_over))


def _drive(before: Stay | None, stay: Stay, driver: Driver) -> Drive | PassedOver | None:
    if stay.set_out_at is None and before is None:
        return None  # the first of the day, and nobody said when it was set out for
    if stay.by_workshop:
        return PassedOver.BY_WORKSHOP
    origin = driver.home if before is None else before.at
    begun = stay.set_out_at or (before.left_at if before is not None else None)
    if begun is None:
        return PassedOver.NOT_SAID
    if origin == stay.at:
        return PassedOver.SAME_PLACE
    left = begun if before is None else before.left_at or before.arrived_at
    if stay.arrived_at <= begun or begun < left:
        return PassedOver.BACKWARDS
    if _touches_break(begun, stay.arrived_at, driver):
        return PassedOver.BREAK
    told = stay.set_out_at is not None
    if not told and abs(stay.arrived_at - stay.planned_start) <= MAY_HAVE_WAITED:
        return PassedOver.WAITED
    return Drive(
        appointment=stay.appointment,
        technician=stay.technician,
        origin=origin,
        target=stay.at,
        arrived_at=stay.arrived_at,
        minutes=(stay.arrived_at - begun) / timedelta(minutes=1),
    )


def _touches_break(begun: datetime, arrived: datetime, driver: Driver) -> bool:
    if not driver.break_minutes:
        return False
    day = local_date(arrived, driver.zone)
    rest = Interval(
        start=instant_at(datetime.combine(day, driver.break_earliest), driver.zone),
        end=instant_at(datetime.combine(day, driver.break_latest), driver.zone),
    )
    return begun < rest.end and rest.start < arrived
