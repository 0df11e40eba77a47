"""The clients, contracts and sites of the demo company."""

from collections import Counter
from datetime import timedelta

from scheduler.weekly_hours import WeeklyHours
from seed_data.company.hours import Kind
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting


def test_clients_and_sites_are_as_many_as_planned(company: DemoCompany) -> None:
    sites_of = Counter(site.client_id for site in company.sites)
    assert (len(company.clients), len(company.sites)) == (60, 160)
    assert sorted(count for count in sites_of.values() if count > 3) == [
        5,
        6,
        6,
        7,
        7,
        8,
        9,
        12,
        14,
    ]


def test_there_are_contracts_of_three_kinds_with_rising_response_times(
    company: DemoCompany,
) -> None:
    assert {contract.kind for contract in company.contracts} == {
        "full care",
        "upkeep only",
        "on call",
    }
    wrong = [
        contract.id
        for contract in company.contracts
        if list(contract.response_minutes) != ["danger", "stopped", "impaired", "minor"]
        or sorted(contract.response_minutes.values()) != list(contract.response_minutes.values())
    ]
    assert wrong == []


def test_sites_are_of_every_kind_and_their_hours_differ(company: DemoCompany) -> None:
    kinds = Counter(site.kind for site in company.sites)
    assert set(kinds) == set(Kind)
    assert min(kinds.values()) >= 5
    assert len({(site.kind, site.quiet_hours) for site in company.sites}) > 40


def test_quiet_hours_leave_two_hours_and_a_half_on_some_day(company: DemoCompany) -> None:
    def longest_minutes(text: str) -> int:
        return max(
            (span.closes.hour - span.opens.hour) * 60 + span.closes.minute - span.opens.minute
            for day in WeeklyHours.parse(text).by_weekday
            for span in day
        )

    too_short = [s.id for s in company.sites if longest_minutes(s.quiet_hours) < 150]
    assert too_short == []


def test_some_places_by_the_sea_are_still_closed_for_the_winter(
    company: DemoCompany, setting: Setting
) -> None:
    beach = [site for site in company.sites if site.kind == Kind.BEACH_CAFE]
    reopening = {
        last + timedelta(days=1)
        for site in beach
        for first, last in site.closures
        if first.year == 2026
    }
    assert min(reopening) < setting.planning_day < max(reopening)


def test_names_of_clients_and_sites_are_their_own(company: DemoCompany) -> None:
    assert len({client.name for client in company.clients}) == len(company.clients)
    assert len({site.name for site in company.sites}) == len(company.sites)
