"""How much work the demo starts with, against the hours its technicians have on the road."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduler.bundling import Bundle, bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue, Counter
from scheduler.duty import measured_duty
from scheduler.machines import FittedPart, Machine, MeterReading, Outcome, WorkDone
from scheduler.upkeep import due_tasks
from scheduler.visit_estimate import VisitEstimates
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import (
    LocalPeriod,
    WorkingCalendar,
    instant_at,
    public_holidays,
    working_time,
)
from seed_data.company.equipment import build_of
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting

LOOK_AHEAD = timedelta(days=28)
DEMO_DAYS = timedelta(days=12)  # ten working days, Saturdays among them


@pytest.fixture(scope="module")
def bundles(company: DemoCompany, catalogue: Catalogue, setting: Setting) -> list[Bundle]:
    """The visits of the demo day, at the sites whose contract includes upkeep."""
    today = setting.planning_day
    included = {each.id for each in company.contracts if each.upkeep_included}
    machines = _machines_by_site(company)
    estimates = VisitEstimates(catalogue)
    found: list[Bundle] = []
    for site in company.sites:
        if site.contract_id in included:
            tasks = [
                task
                for machine in machines[site.id]
                for task in due_tasks(
                    machine,
                    catalogue,
                    measured_duty(machine, catalogue, hardness_dh=site.hardness_dh),
                    until=today + LOOK_AHEAD,
                )
            ]
            found += bundle_site(
                tasks,
                machines[site.id],
                catalogue,
                BundlingPolicy(),
                today,
                today + LOOK_AHEAD,
                estimates,
            ).bundles
    return found


def test_work_fills_most_of_the_fortnight_but_not_all(
    company: DemoCompany, bundles: list[Bundle], setting: Setting
) -> None:
    end = setting.planning_day + DEMO_DAYS
    offered = sum(each.minutes for each in bundles if each.earliest < end)
    driving = 30 * len([each for each in bundles if each.earliest < end])
    on_the_road = sum(
        working_time(calendar, _midnight(setting, setting.planning_day), _midnight(setting, end))
        / timedelta(minutes=1)
        for calendar in _calendars(company, setting)
    )
    assert 0.6 < (offered + driving) / on_the_road < 1.0


def test_some_work_is_overdue_but_most_is_not(bundles: list[Bundle], setting: Setting) -> None:
    overdue = [each for each in bundles if each.overdue]
    within = [each for each in bundles if each.latest < setting.planning_day + DEMO_DAYS]
    assert 0.05 < len(overdue) / len(bundles) < 0.4
    assert len(overdue) < len(within) < 0.6 * len(bundles)


def _machines_by_site(company: DemoCompany) -> dict[str, list[Machine]]:
    parts, history, readings = defaultdict(list), defaultdict(list), defaultdict(list)
    for part in company.fitted_parts:
        if part.removed_on is None:
            parts[part.machine_id].append(
                FittedPart(
                    id=part.id,
                    part_type=part.part_type,
                    position=part.position,
                    fitted_on=part.fitted_on,
                )
            )
    for work in company.work_done:
        history[work.machine_id].append(
            WorkDone(
                rule=work.rule,
                fitted_part=work.fitted_part_id,
                done_on=work.done_on,
                outcome=Outcome(work.outcome),
            )
        )
    for reading in company.meter_readings:
        readings[reading.machine_id].append(
            MeterReading(
                counter=Counter(reading.counter), value=reading.value, taken_at=reading.taken_at
            )
        )
    machines: defaultdict[str, list[Machine]] = defaultdict(list)
    for unit in company.machines:
        if unit.retired_on is None:
            machines[unit.site_id].append(
                Machine(
                    id=unit.id,
                    site=unit.site_id,
                    name=unit.name,
                    build=build_of(unit),
                    installed_on=unit.installed_on,
                    drinks_per_day=unit.drinks_per_day,
                    parts=tuple(parts[unit.id]),
                    history=tuple(history[unit.id]),
                    meter_readings=tuple(readings[unit.id]),
                )
            )
    return machines


def _calendars(company: DemoCompany, setting: Setting) -> Sequence[WorkingCalendar]:
    zone = ZoneInfo(setting.zone)
    return [
        WorkingCalendar(
            zone=setting.zone,
            weekly=WeeklyHours.parse(technician.working_hours),
            holidays=public_holidays("FR", None, setting.planning_day.year),
            closures=tuple(
                LocalPeriod(
                    start=absence.starts_at.astimezone(zone).replace(tzinfo=None),
                    end=absence.ends_at.astimezone(zone).replace(tzinfo=None),
                )
                for absence in company.absences
                if absence.technician_id == technician.id
            ),
        )
        for technician in company.technicians
    ]


def _midnight(setting: Setting, day: date) -> datetime:
    return instant_at(datetime.combine(day, time()), setting.zone)
