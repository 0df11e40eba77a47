"""Availability by the formulas of the NASA handbook."""

import pytest

from scheduler.availability import (
    Downtime,
    achieved_availability,
    availability,
    inherent_availability,
    operational_availability,
)

# NASA Systems Engineering Handbook: inherent MTTF / (MTTF + MTTR), achieved MTTMA / (MTTMA + MMT),
# operational MTTMA / (MTTMA + MMT + MLDT) (formulas found). 150 / (150 + 6) = 96.2 % is arithmetic


def test_inherent_availability_of_the_handbook() -> None:
    share = inherent_availability(mean_to_failure=150, mean_to_repair=6)
    assert share == pytest.approx(0.962, abs=5e-4)


def test_the_other_two_by_arithmetic() -> None:
    # up for 100, worked on for 5, waited for 15: 100 of 105 and of 120
    assert achieved_availability(mean_to_maintenance=100, mean_maintenance=5) == pytest.approx(
        0.95238, abs=5e-6
    )
    share = operational_availability(mean_to_maintenance=100, mean_maintenance=5, mean_delay=15)
    assert share == pytest.approx(0.83333, abs=5e-6)


def test_a_history_with_those_means_has_that_availability() -> None:
    # four failures of 6 hours in 4 * (150 + 6) hours
    history = [Downtime(planned=False, active_hours=6, delay_hours=0, estimated=False)] * 4
    found = availability(history, 4 * 156)
    assert (found.mean_to_failure, found.mean_to_repair) == (150, 6)
    assert found.inherent == found.operational == pytest.approx(150 / 156)
