"""Duty: how long an interval lasts at a pace."""

from calendar import monthrange
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import Counter, EquipmentKind, Interval
from scheduler.duty import (
    Duty,
    after_months,
    counter_days_at,
    measured_duty,
    months_at,
    stated_duty,
)
from scheduler.errors import InvalidInput
from scheduler.machines import Build, Machine, MeterReading
from scheduler.seasons import EVEN
from seed_data.catalogue import load_catalogue

STEAM_VALVE = Interval(months_by_drinks=((60, 12), (180, 12), (400, 6)))
BURRS = Interval(counter=Counter.KILOGRAMS, counter_limit=500)
CARTRIDGE = Interval(counter=Counter.LITRES, capacity_dh_litres=64_000, left_dh=4)


def duty(hardness_dh: float = 12, **rates: float) -> Duty:
    return Duty(
        rates={Counter.DRINKS: 0.0} | {Counter(name): rate for name, rate in rates.items()},
        hardness_dh=hardness_dh,
    )


def test_the_points_of_an_interval_are_met_exactly_and_held_outside() -> None:
    assert [months_at(STEAM_VALVE, n) for n in (0, 60, 100, 180, 400, 900)] == [
        12,
        12,
        12,
        12,
        6,
        6,
    ]


def test_between_points_wear_in_proportion_to_use_halves_at_double_pace() -> None:
    # From 100 to 400 drinks the months go from 12 to 3: the power is log(1/4) / log(4) = -1.
    interval = Interval(months_by_drinks=((100, 12), (400, 3)))
    assert months_at(interval, 200) == pytest.approx(6, rel=1e-12)
    assert months_at(interval, 300) == pytest.approx(4, rel=1e-12)


def test_one_drink_more_moves_a_year_by_days_only() -> None:
    steps = [months_at(STEAM_VALVE, n) or 0 for n in range(50, 450)]
    # Steepest just above 180, where the months fall by the power log(2) / log(400 / 180) = 0.868:
    # 12 * 0.868 / 180 = 0.058 months, under two days.
    assert 0 < max(a - b for a, b in pairwise(steps)) < 0.058


@given(st.floats(0, 5000), st.floats(0, 5000))
def test_more_drinks_never_mean_more_months(a: float, b: float) -> None:
    at_low, at_high = (months_at(STEAM_VALVE, drinks) for drinks in sorted((a, b)))
    assert at_low is not None
    assert at_high is not None
    assert at_low >= at_high


def test_a_counter_lasts_its_limit_over_its_rate() -> None:
    assert counter_days_at(BURRS, duty(kilograms=2.5)) == 200


def test_a_cartridge_lasts_by_the_degrees_it_takes_out() -> None:
    # 64,000 / (12 - 4) = 8,000 litres at 32 a day; at 20 °dH 64,000 / 16 = 4,000 litres.
    assert counter_days_at(CARTRIDGE, duty(12, litres=32)) == 250
    assert counter_days_at(CARTRIDGE, duty(20, litres=32)) == 125
    assert counter_days_at(CARTRIDGE, duty(4, litres=32)) is None


def test_a_counter_that_stands_still_makes_nothing_due() -> None:
    assert counter_days_at(BURRS, duty(kilograms=0)) is None
    assert counter_days_at(BURRS, duty()) is None
    assert counter_days_at(BURRS, duty(kilograms=0.001)) is None


def test_stated_drinks_become_rates_of_every_counter() -> None:
    machine = Machine(
        id="g",
        site="s",
        name="Grinder",
        build=Build(kind=EquipmentKind.GRINDER),
        installed_on=date(2026, 1, 1),
        drinks_per_day=200,
    )
    assert stated_duty(machine, load_catalogue(), hardness_dh=12) == Duty(
        rates={
            Counter.DRINKS: 200,
            Counter.LITRES: 200 * 0.12,
            Counter.BREW_CYCLES: 200 * 0.75,
            Counter.KILOGRAMS: 200 * 0.014,
        },
        hardness_dh=12,
    )


def test_a_duty_refuses_what_cannot_be() -> None:
    with pytest.raises(InvalidInput, match="rates must be >= 0, got drinks -1"):
        Duty(rates={Counter.DRINKS: -1}, hardness_dh=12)
    with pytest.raises(InvalidInput, match="rates must hold drinks a day"):
        Duty(rates={}, hardness_dh=12)
    with pytest.raises(InvalidInput, match="hardness_dh must be >= 0, got -2"):
        duty(-2)


def test_part_of_a_month_is_that_share_of_the_month_that_follows() -> None:
    # Four months after 31 August 2026 is 31 December, five is 31 January: half of 31 days is 15.
    assert after_months(date(2026, 8, 31), 4.5) == date(2027, 1, 15)
    # From 31 January one month leads to 28 February; half of the 31 days to 31 March is 15.
    assert after_months(date(2027, 1, 31), 1.5) == date(2027, 3, 15)


@given(st.dates(date(2000, 1, 1), date(2090, 1, 1)), st.floats(0, 120), st.floats(0, 120))
def test_more_months_never_mean_an_earlier_day(anchor: date, a: float, b: float) -> None:
    fewer, more = sorted((a, b))
    assert after_months(anchor, fewer) <= after_months(anchor, more)
    assert after_months(anchor, more) <= after_months(anchor, more + 1) - timedelta(days=27)


def brewing(factors: tuple[float, ...]) -> Machine:
    """A machine read every month for two years: 100 cycles a day times the month's factor."""
    value, readings = 0.0, []
    for n in range(25):
        year, month = 2025 + n // 12, n % 12 + 1
        readings.append(
            MeterReading(
                counter=Counter.BREW_CYCLES,
                value=value,
                taken_at=datetime(year, month, 1, tzinfo=UTC),
            )
        )
        value += 100 * factors[month - 1] * monthrange(year, month)[1]
    return Machine(
        id="m",
        site="s",
        name="M",
        build=Build(kind=EquipmentKind.GRINDER),
        installed_on=date(2025, 1, 1),
        drinks_per_day=100,
        meter_readings=tuple(readings),
    )


def test_a_seasonal_site_wears_by_its_season() -> None:
    catalogue = load_catalogue()
    summer = (0.4,) * 5 + (1.6, 2.4, 2.4, 1.6) + (0.4,) * 3
    mean = sum(summer) / 12
    found = measured_duty(brewing(summer), catalogue, hardness_dh=10)

    assert found.season.contrast > 4
    assert found.season.by_month[6] == pytest.approx(2.4 / mean, rel=0.1)
    assert found.rates[Counter.BREW_CYCLES] == pytest.approx(100 * mean, rel=0.05)


def test_a_milder_year_counts_as_even() -> None:
    catalogue = load_catalogue()
    found = measured_duty(brewing((0.9,) * 6 + (1.1,) * 6), catalogue, hardness_dh=10)
    assert found.season == EVEN
