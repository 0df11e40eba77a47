"""The people of the demo company: reachable only in fiction, and able to do all the work."""

import re
from datetime import date

from scheduler.catalogue import Catalogue
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import public_holidays
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting


def test_telephone_numbers_are_reserved_for_fiction(company: DemoCompany) -> None:
    fiction = re.compile(r"\+33 (5 36 49|6 39 98) \d\d \d\d")
    numbers = [
        *(client.contact_phone for client in company.clients),
        *(site.phone for site in company.sites),
        *(technician.phone for technician in company.technicians),
    ]
    assert [number for number in numbers if not fiction.fullmatch(number)] == []
    assert len(set(numbers)) == len(numbers)


def test_mail_addresses_lead_nowhere(company: DemoCompany) -> None:
    mails = [
        *(client.contact_email for client in company.clients),
        *(technician.email for technician in company.technicians),
    ]
    wrong = [mail for mail in mails if not re.fullmatch(r"[a-z.-]+@[a-z]+\.example", mail)]
    assert wrong == []


def test_every_rule_and_fault_has_somebody_who_can_do_it(
    company: DemoCompany, catalogue: Catalogue
) -> None:
    able = [set(technician.skills) for technician in company.technicians]
    wanted = {
        rule_or_fault.id: rule_or_fault.skills
        for rule_or_fault in (*catalogue.rules.values(), *catalogue.faults.values())
    }
    assert [each for each, skills in wanted.items() if not any(skills <= own for own in able)] == []


def test_technicians_differ(company: DemoCompany) -> None:
    technicians = company.technicians
    assert len(technicians) == 8
    assert len({technician.working_hours for technician in technicians}) >= 5
    assert len({technician.skills for technician in technicians}) >= 4
    assert len({technician.home_town for technician in technicians}) == 8
    assert {technician.pace for technician in technicians} > {0.9, 1.0, 1.2}
    days_a_week = {
        sum(bool(day) for day in WeeklyHours.parse(technician.working_hours).by_weekday)
        for technician in technicians
    }
    assert days_a_week == {4, 5}


def test_demo_days_pass_a_clock_change_a_holiday_and_absences(
    company: DemoCompany, setting: Setting
) -> None:
    # Ten days on which somebody works, from Monday 22 March 2027: 22 to 27 March (one technician
    # works on Saturdays) and 30 March to 2 April. The clocks change on Sunday 28 March, 29 March is
    # Easter Monday.
    assert setting.planning_day == date(2027, 3, 22)
    assert date(2027, 3, 29) in public_holidays("FR", None, 2027)
    meanwhile = [
        absence.technician_id
        for absence in company.absences
        if absence.starts_at.date() < date(2027, 4, 3)
        and absence.ends_at.date() > setting.planning_day
    ]
    assert sorted(meanwhile) == ["te-2", "te-4", "te-5", "te-7"]
