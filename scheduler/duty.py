"""How hard a machine is worked, and how long an interval lasts at that pace."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise
from math import floor, log

from scheduler.catalogue import Catalogue, Counter, Interval
from scheduler.dates import add_months
from scheduler.errors import InvalidInput
from scheduler.machines import Machine
from scheduler.meters import Basis, Usage, usage
from scheduler.seasons import EVEN, Season, fit_season
from scheduler.water import litres_until_spent

LONGEST_DAYS = 36_500  # a counter that takes a century makes nothing due

_YEAR = timedelta(days=365)
_SEASONAL = 1.5
"""A busiest month less far above the quietest is taken for chance (common practice, no source)."""


class DutyClass(StrEnum):
    """How hard a machine is worked, roughly: lives of parts are compared within a class."""

    LIGHT = "light"
    STANDARD = "standard"
    HIGH = "high"


TYPICAL_DRINKS: Mapping[DutyClass, float] = {
    DutyClass.LIGHT: 60.0,
    DutyClass.STANDARD: 180.0,
    DutyClass.HIGH: 400.0,
}
"""Drinks a day in the middle of a class, the points at which the catalogue states its intervals."""


def duty_class(drinks_per_day: float) -> DutyClass:
    """Return the class whose typical pace is nearest in proportion."""
    if drinks_per_day <= 0:
        return DutyClass.LIGHT
    return min(TYPICAL_DRINKS, key=lambda each: abs(log(drinks_per_day / TYPICAL_DRINKS[each])))


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """The pace of one machine.

    ``rates`` maps counter -> units per calendar day, averaged over the year, closed days included;
    ``hardness_dh`` is the hardness of the site's supply in German degrees; ``season`` is how the
    trade swells and shrinks over the year.
    """

    rates: Mapping[Counter, float]
    hardness_dh: float
    season: Season = EVEN

    def __post_init__(self) -> None:
        if Counter.DRINKS not in self.rates:
            raise InvalidInput(f"rates must hold drinks a day, got {dict(self.rates)}")
        for counter, rate in self.rates.items():
            if not rate >= 0:
                raise InvalidInput(f"rates must be >= 0, got {counter} {rate}")
        if not self.hardness_dh >= 0:
            raise InvalidInput(f"hardness_dh must be >= 0, got {self.hardness_dh}")

    @property
    def drinks_per_day(self) -> float:
        """Drinks per calendar day."""
        return self.rates[Counter.DRINKS]


def stated_duty(machine: Machine, catalogue: Catalogue, *, hardness_dh: float) -> Duty:
    """Return the pace that follows from the drinks a day the site stated, without any reading."""
    drinks = machine.drinks_per_day
    rates = {use.counter: use.amount * drinks for use in catalogue.use_per_drink}
    return Duty(rates={**rates, Counter.DRINKS: drinks}, hardness_dh=hardness_dh)


def measured_duty(machine: Machine, catalogue: Catalogue, *, hardness_dh: float) -> Duty:
    """Return the pace that follows from the machine's counters, as far as they can be trusted.

    A counter that was measured gives its own rate, and the drinks behind it when the drinks
    themselves are not counted; whatever was not measured follows from the drinks. Without a good
    reading this is the stated duty. Readings over a year or more that differ clearly between months
    give the season as well.
    """
    stated = stated_duty(machine, catalogue, hardness_dh=hardness_dh)
    measured: dict[Counter, float] = {}
    season = EVEN
    for counter in sorted({reading.counter for reading in machine.meter_readings}):
        readings = [each for each in machine.meter_readings if each.counter is counter]
        found = usage(readings, stated_per_day=stated.rates.get(counter, 0.0))
        if found.basis is not Basis.MEASURED:
            continue
        if _over_a_year(found) and (fitted := fit_season(found.paces())).contrast >= _SEASONAL:
            season = fitted
            stated_rate = stated.rates.get(counter, 0.0)
            found = usage(readings, stated_per_day=stated_rate, season=season)
        measured[counter] = found.per_day
    per_drink = {use.counter: use.amount for use in catalogue.use_per_drink}
    drinks = measured.get(Counter.DRINKS)
    if drinks is None:
        behind = [rate / per_drink[each] for each, rate in measured.items() if each in per_drink]
        drinks = behind[0] if behind else stated.drinks_per_day
    rates = {counter: amount * drinks for counter, amount in per_drink.items()}
    return Duty(
        rates={**rates, **measured, Counter.DRINKS: drinks},
        hardness_dh=hardness_dh,
        season=season,
    )


def _over_a_year(found: Usage) -> bool:
    return found.used[-1].taken_at - found.used[0].taken_at >= _YEAR


def months_at(interval: Interval, drinks_per_day: float) -> float | None:
    """Return the calendar months of an interval at a pace; None when only a counter rules it.

    Between two points the months follow a power of the drinks, a straight line on doubly
    logarithmic paper: wear in proportion to use is the power -1. Outside the points the nearest
    one holds. The result is continuous and never rises with the drinks.
    """
    points = interval.months_by_drinks
    if not points:
        return None
    if drinks_per_day <= points[0][0]:
        return points[0][1]
    for (drinks, months), (next_drinks, next_months) in pairwise(points):
        if drinks_per_day < next_drinks:
            power = log(next_months / months) / log(next_drinks / drinks)
            return months * float((drinks_per_day / drinks) ** power)
    return points[-1][1]


def counter_limit_at(interval: Interval, duty: Duty) -> float | None:
    """Return how much of its counter an interval allows in the site's water; None for no limit."""
    if interval.capacity_dh_litres is None:
        return interval.counter_limit
    return litres_until_spent(
        interval.capacity_dh_litres, hardness_dh=duty.hardness_dh, left_dh=interval.left_dh
    )


def counter_days_at(interval: Interval, duty: Duty) -> float | None:
    """Return the days until a counter reaches its limit; None when it has none or stands still."""
    limit = counter_limit_at(interval, duty)
    if interval.counter is None or limit is None:
        return None
    rate = duty.rates.get(interval.counter, 0.0)
    return limit / rate if rate * LONGEST_DAYS > limit else None


def after_months(anchor: date, months: float) -> date:
    """Return the day a number of months after ``anchor``, which need not be whole.

    The whole months clamp to the end of the month; the rest is that share of the month that
    follows, in days rounded down. More months never mean an earlier day.
    """
    whole = floor(months)
    start = add_months(anchor, whole)
    share = months - whole
    if not share:
        return start
    return start + timedelta(days=floor(share * (add_months(anchor, whole + 1) - start).days))
