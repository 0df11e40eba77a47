"""Every pair of appointment states, one by one."""

from datetime import UTC, datetime, timedelta
from itertools import product
from zoneinfo import ZoneInfo

import pytest

from scheduler.errors import MoveNotAllowed, TooEarly
from scheduler.lifecycle import ALLOWED_MOVES, AppointmentState, check_begin, may_move, move

# Written out a second time, from the description of an appointment's life:
# planned → promised (and back when the client gives the time up) → under way → done | no access;
# cancelled from any state before the end.
MOVES = {
    ("planned", "promised"),
    ("planned", "under_way"),
    ("planned", "cancelled"),
    ("promised", "planned"),
    ("promised", "under_way"),
    ("promised", "cancelled"),
    ("under_way", "done"),
    ("under_way", "no_access"),
    ("under_way", "cancelled"),
}


@pytest.mark.parametrize(("before", "after"), list(product(AppointmentState, repeat=2)))
def test_exactly_the_listed_moves_are_allowed(
    before: AppointmentState, after: AppointmentState
) -> None:
    if (before.value, after.value) in MOVES:
        assert may_move(before, after)
        assert move(before, after) is after
    else:
        assert not may_move(before, after)
        with pytest.raises(MoveNotAllowed):
            move(before, after)


def test_the_table_knows_every_state() -> None:
    assert set(ALLOWED_MOVES) == set(AppointmentState)


def test_a_refused_move_says_what_would_be_possible() -> None:
    with pytest.raises(MoveNotAllowed) as refused:
        move(AppointmentState.UNDER_WAY, AppointmentState.PROMISED)
    assert (refused.value.before, refused.value.after) == ("under_way", "promised")
    assert refused.value.allowed == ("cancelled", "done", "no_access")
    assert str(refused.value) == (
        "an appointment that is under_way cannot become promised; "
        "it can become cancelled or done or no_access"
    )


def test_nothing_follows_an_end() -> None:
    with pytest.raises(MoveNotAllowed, match="it can become nothing else"):
        move(AppointmentState.DONE, AppointmentState.CANCELLED)


@pytest.mark.parametrize(
    ("starts_at", "begins"),
    [
        # an ordinary winter day in Paris, an hour ahead of UTC, begins at 23:00 UTC
        (datetime(2027, 3, 22, 9, tzinfo=UTC), datetime(2027, 3, 21, 23, tzinfo=UTC)),
        # on the 28th the clocks go forward at two: its midnight is still an hour ahead
        (datetime(2027, 3, 28, 16, tzinfo=UTC), datetime(2027, 3, 27, 23, tzinfo=UTC)),
        # the day after begins two hours ahead
        (datetime(2027, 3, 29, 9, tzinfo=UTC), datetime(2027, 3, 28, 22, tzinfo=UTC)),
        # half past midnight: four hours early is the evening before
        (datetime(2027, 3, 21, 23, 30, tzinfo=UTC), datetime(2027, 3, 21, 19, 30, tzinfo=UTC)),
    ],
)
def test_a_visit_is_begun_on_its_day_and_no_earlier(starts_at: datetime, begins: datetime) -> None:
    check_begin(starts_at, "Europe/Paris", now=begins)
    check_begin(starts_at, "Europe/Paris", now=starts_at + timedelta(days=9))
    with pytest.raises(TooEarly) as refused:
        check_begin(starts_at, "Europe/Paris", now=begins - timedelta(seconds=1))
    assert (refused.value.starts_at, refused.value.begins) == (starts_at, begins)
    assert f"{starts_at.astimezone(ZoneInfo('Europe/Paris')):%Y-%m-%d %H:%M}" in str(refused.value)
