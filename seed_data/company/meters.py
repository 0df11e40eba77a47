"""Counters read at visits, with the slips that counters and people make."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from scheduler.catalogue import Catalogue, Counter, Dosing, EquipmentKind
from seed_data.company.records import Reading, Site, Unit, Work
from seed_data.company.setting import Setting

_METERED_SHARE = 0.4  # of the sites
_PACE_SPREAD = 0.18  # standard deviation of the logarithm of true over stated drinks
_FEWEST_DAYS_BETWEEN = timedelta(days=25)
_READ_SHARE = 0.8  # of the visits far enough apart; at the others nobody looked
_SCATTER = 0.04  # of the use between two readings
_RESET_SHARE, _TYPING_ERROR_SHARE = 0.04, 0.06  # of the metered units


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How hard a unit is truly worked, and the counter that shows it, if any."""

    unit: Unit
    drinks_per_day: float
    counter: Counter | None


def pace_of(unit: Unit, site: Site, setting: Setting) -> Pace:
    """Return a unit's true pace: as stated, unless counters at its site tell otherwise."""
    rng = setting.random("metered", site.id)
    metered = rng.random() < _METERED_SHARE
    factor = rng.lognormvariate(0.0, _PACE_SPREAD)
    counter = _counter_of(unit) if metered else None
    return Pace(
        unit=unit,
        drinks_per_day=unit.drinks_per_day * (factor if counter else 1.0),
        counter=counter,
    )


def readings_of(
    pace: Pace, site: Site, work: Sequence[Work], catalogue: Catalogue, setting: Setting
) -> list[Reading]:
    """Return what was read on a unit's counter at the visits to it."""
    if pace.counter is None:
        return []
    rng = setting.random("readings", pace.unit.id)
    days = list(_days_read(work, rng))
    values = _with_slips(_counted(pace, site, days, catalogue, rng), rng)
    zone = ZoneInfo(site.zone)
    return [
        Reading(
            id=f"{pace.unit.id}-r{number:02d}",
            machine_id=pace.unit.id,
            counter=pace.counter,
            value=float(value),
            taken_at=datetime.combine(day, time(rng.randint(9, 16), rng.randint(0, 59)), zone),
        )
        for number, (day, value) in enumerate(zip(days, values, strict=True), start=1)
    ]


def _counter_of(unit: Unit) -> Counter | None:
    match unit.kind:
        case EquipmentKind.WATER_FILTER:
            return Counter.LITRES
        case EquipmentKind.GRINDER:
            return Counter.KILOGRAMS
        case EquipmentKind.ESPRESSO_MACHINE if unit.dosing == Dosing.VOLUMETRIC:
            return Counter.BREW_CYCLES
        case _:
            return None


def _days_read(work: Sequence[Work], rng: Random) -> Iterator[date]:
    last = date.min
    for day in sorted({each.done_on for each in work if each.technician_id is not None}):
        if day >= last + _FEWEST_DAYS_BETWEEN and rng.random() < _READ_SHARE:
            yield day
            last = day


def _counted(
    pace: Pace, site: Site, days: Sequence[date], catalogue: Catalogue, rng: Random
) -> list[int]:
    """Return what the counter shows on days in order, from the day the unit was installed."""
    amount = next(use.amount for use in catalogue.use_per_drink if use.counter is pace.counter)
    value, since = 0.0, pace.unit.installed_on
    shown = []
    for day in days:
        use = amount * pace.drinks_per_day * _trading_days(site, since, day)
        value += use * max(0.0, rng.gauss(1.0, _SCATTER))
        since = day
        shown.append(round(value))
    return shown


def _trading_days(site: Site, start: date, end: date) -> float:
    """Return the days in ``[start, end)`` weighed so that a year with its closures counts fully."""
    closed = _closed_days(site, start, end)
    if not site.closures:
        return float((end - start).days)
    first, last = site.closures[0]
    open_share = 1.0 - ((last - first).days + 1) / 365
    return ((end - start).days - closed) / open_share


def _closed_days(site: Site, start: date, end: date) -> int:
    return sum(
        max((min(last + timedelta(days=1), end) - max(first, start)).days, 0)
        for first, last in site.closures
    )


def _with_slips(values: list[int], rng: Random) -> list[int]:
    """Return the readings as they were written down: a counter reset, a digit too many."""
    slip = rng.random()
    if len(values) < 5:
        return values
    at = rng.randrange(2, len(values) - 1)
    if slip < _RESET_SHARE:
        lost = values[at - 1] + (values[at] - values[at - 1]) // 2
        return [*values[:at], *(value - lost for value in values[at:])]
    if slip < _RESET_SHARE + _TYPING_ERROR_SHARE:
        return [*values[:at], int(f"{values[at]}{rng.randint(0, 9)}"), *values[at + 1 :]]
    return values
