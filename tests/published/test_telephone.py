"""Erlang's second formula against a published example and his first against a table."""

import pytest

from scheduler.telephone import fewest_people, staffing, waits


def test_example_with_55_agents() -> None:
    # a textbook example: 360 calls in half an hour of 4 minutes each, 55 agents, answered within
    # 15 seconds (found); share waiting .239, mean wait 8.2 s, answered in time 84.6 % (from memory)
    found = staffing(55, calls_per_hour=720, minutes_per_call=4, within_seconds=15)
    assert found.waiting_share == pytest.approx(0.239, abs=5e-4)
    assert found.mean_wait_seconds == pytest.approx(8.2, abs=0.05)
    assert found.answered_in_time == pytest.approx(0.846, abs=5e-4)
    # and computed to more digits
    assert (found.waiting_share, found.mean_wait_seconds, found.answered_in_time) == pytest.approx(
        (0.2387, 8.184, 0.84588), rel=2e-4
    )
    # 48 erlangs by 55 people
    assert found.busy_share == pytest.approx(48 / 55)


def test_80_percent_in_time_take_all_55() -> None:
    fewest = fewest_people(calls_per_hour=720, minutes_per_call=4, within_seconds=15, share=0.8)
    assert fewest.people == 55


@pytest.mark.parametrize(("load", "expected"), [(0.3, 0.3), (0.5, 0.5), (0.9, 0.9)])
def test_one_person_makes_wait_as_much_as_they_are_busy(load: float, expected: float) -> None:
    # the queue with one server: the share waiting is the load (theorem)
    assert waits(1, load) == pytest.approx(expected)


def test_two_people_in_closed_form() -> None:
    # with two servers it is load^2 / (2 + load) (theorem): 1 / 3 at one erlang
    assert waits(2, 1.0) == pytest.approx(1 / 3)
