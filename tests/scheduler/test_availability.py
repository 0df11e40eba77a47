"""How available a machine was, by hand."""

import pytest

from scheduler.availability import Downtime, availability
from scheduler.errors import InvalidInput

BREAKDOWN = Downtime(planned=False, active_hours=2, delay_hours=6, estimated=False)
SERVICE = Downtime(planned=True, active_hours=1, delay_hours=0, estimated=True)


def test_two_breakdowns_and_three_services_by_hand() -> None:
    found = availability([BREAKDOWN, BREAKDOWN, SERVICE, SERVICE, SERVICE], 1019)
    # down 2 * 8 + 3 = 19 hours, up 1000
    assert (found.failures, found.planned, found.estimated, found.down_hours) == (2, 3, 3, 19)
    assert (found.mean_to_failure, found.mean_to_repair) == (500, 2)
    assert (found.mean_to_maintenance, found.mean_maintenance) == (200, 7 / 5)
    assert found.mean_delay == 12 / 5
    assert found.inherent == pytest.approx(500 / 502)
    assert found.achieved == pytest.approx(200 / 201.4)
    # what was lived is simply the time up: 1000 of 1019 hours
    assert found.operational == pytest.approx(1000 / 1019)
    assert found.because == (
        "Usable 98.1% of the time: down 19 of 1019 hours, 2 failures and 3 planned stops. "
        "The times of 3 of them are estimated, not recorded."
    )


def test_a_machine_nothing_happened_to_was_always_available() -> None:
    found = availability([], 24)
    assert (found.inherent, found.achieved, found.operational) == (1, 1, 1)
    assert found.mean_to_failure is None
    assert found.because == (
        "Usable 100.0% of the time: down 0 of 24 hours, 0 failures and 0 planned stops."
    )


def test_planned_work_alone_leaves_the_design_as_it_is() -> None:
    found = availability([SERVICE], 101)
    assert (found.inherent, found.operational) == (1, pytest.approx(100 / 101))


def test_impossible_hours_are_refused() -> None:
    with pytest.raises(InvalidInput, match="down for 8 hours must be watched for longer, got 8"):
        availability([BREAKDOWN], 8)
    with pytest.raises(InvalidInput, match="hours must be >= 0, got -1 worked"):
        Downtime(planned=True, active_hours=-1, delay_hours=0, estimated=False)
