"""Meter readings of the demo company, slips and all."""

from collections import defaultdict

from scheduler.catalogue import Counter
from scheduler.machines import MeterReading
from scheduler.meters import Basis, Usage, usage
from seed_data.company.records import DemoCompany


def _usages(company: DemoCompany, *, least_readings: int = 5) -> dict[str, Usage]:
    readings = defaultdict(list)
    for reading in company.meter_readings:
        readings[reading.machine_id].append(
            MeterReading(
                counter=Counter(reading.counter), value=reading.value, taken_at=reading.taken_at
            )
        )
    return {key: usage(each) for key, each in readings.items() if len(each) >= least_readings}


def test_meters_are_read_at_a_good_part_of_the_sites(company: DemoCompany) -> None:
    sites = {unit.id: unit.site_id for unit in company.machines}
    metered = {sites[reading.machine_id] for reading in company.meter_readings}
    assert 0.25 < len(metered) / len(company.sites) < 0.5
    assert {reading.counter for reading in company.meter_readings} == {
        "litres",
        "brew_cycles",
        "kilograms",
    }


def test_some_counters_were_reset_and_some_readings_mistyped_but_few(
    company: DemoCompany,
) -> None:
    usages = _usages(company)
    reset = [key for key, each in usages.items() if each.resets]
    mistyped = [key for key, each in usages.items() if each.odd]
    assert 1 <= len(reset) <= 0.1 * len(usages)
    assert 1 <= len(mistyped) <= 0.15 * len(usages)


def test_measured_use_is_near_what_the_site_stated(company: DemoCompany) -> None:
    # litres, cycles and kilograms per drink: 0.12, 0.75 and 0.014 in the catalogue
    per_drink = {"litres": 0.12, "brew_cycles": 0.75, "kilograms": 0.014}
    drinks = {unit.id: unit.drinks_per_day for unit in company.machines}
    ratios = [
        each.per_day / (per_drink[each.used[0].counter] * drinks[key])
        for key, each in _usages(company, least_readings=8).items()
        if each.basis is Basis.MEASURED
    ]
    # true use over stated use is drawn log-normal with sigma 0.18: 3 sigma is a factor of 1.7
    assert len(ratios) > 30
    assert min(ratios) > 0.5
    assert max(ratios) < 2.0
