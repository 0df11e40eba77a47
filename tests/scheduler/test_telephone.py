"""Staffing of the telephone: a simulated one, and figures that cannot be."""

import heapq

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.telephone import fewest_people, staffing, waits


def test_a_simulated_telephone_makes_as_many_wait() -> None:
    # 100,000 calls, 12 an hour of 10 minutes, 3 people: 2 erlangs, 44.4 % wait
    draw = np.random.default_rng(5)
    came = draw.exponential(5.0, 100_000).cumsum()
    took = draw.exponential(10.0, 100_000)
    free = [0.0, 0.0, 0.0]
    waited = []
    for arrival, talk in zip(came, took, strict=True):
        begin = max(arrival, heapq.heappop(free))
        waited.append(begin - arrival)
        heapq.heappush(free, begin + talk)
    told = staffing(3, calls_per_hour=12, minutes_per_call=10, within_seconds=120)
    minutes = np.array(waited)
    assert told.waiting_share == pytest.approx(np.mean(minutes > 0), abs=0.02)
    assert told.answered_in_time == pytest.approx(np.mean(minutes <= 2), abs=0.02)
    assert told.mean_wait_seconds == pytest.approx(60 * minutes.mean(), rel=0.06)


@given(st.floats(0.1, 400), st.floats(0.5, 20), st.floats(0, 120), st.floats(0, 0.99))
def test_one_person_fewer_would_not_do(
    calls: float, minutes: float, seconds: float, share: float
) -> None:
    found = fewest_people(
        calls_per_hour=calls, minutes_per_call=minutes, within_seconds=seconds, share=share
    )
    assert found.answered_in_time >= share
    if found.people - 1 > calls * minutes / 60:
        fewer = staffing(
            found.people - 1,
            calls_per_hour=calls,
            minutes_per_call=minutes,
            within_seconds=seconds,
        )
        assert fewer.answered_in_time < share


def test_figures_that_cannot_be_are_refused() -> None:
    with pytest.raises(InvalidInput, match="a load of 48 needs more than 48 people, got 48"):
        waits(48, 48)
    with pytest.raises(InvalidInput, match="calls_per_hour and minutes_per_call must be > 0"):
        staffing(1, calls_per_hour=0, minutes_per_call=1, within_seconds=1)
    with pytest.raises(InvalidInput, match="share must be from 0 to below 1, got 1"):
        fewest_people(calls_per_hour=1, minutes_per_call=1, within_seconds=1, share=1)
    with pytest.raises(InvalidInput, match="more than 1000 people would be needed"):
        fewest_people(calls_per_hour=90_000, minutes_per_call=1, within_seconds=1, share=0.8)


def test_the_figures_in_words() -> None:
    found = fewest_people(calls_per_hour=12, minutes_per_call=5, within_seconds=30, share=0.8)
    assert found.because == (
        "With 3 at the telephone 92.6% are answered within 30 s, 9% wait at all, 14 s on average "
        "over all; each talks 33% of the time."
    )
