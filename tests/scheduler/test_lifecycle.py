"""Every pair of appointment states, one by one."""

from itertools import product

import pytest

from scheduler.errors import MoveNotAllowed
from scheduler.lifecycle import ALLOWED_MOVES, AppointmentState, may_move, move

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
