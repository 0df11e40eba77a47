"""Timetables with one pair of hands: a hand-worked one, and properties."""

from collections.abc import Sequence
from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.critical_path import (
    Activity,
    Timetable,
    longest_tails,
    with_one_pair_of_hands,
)
from scheduler.errors import InvalidInput


def test_work_goes_on_beside_a_wait() -> None:
    # 0 switch off 5, 1 cool down 30 (wait), 2 mend 20; 3 paperwork 6 at any time; 4 leave 4.
    network = [
        Activity(length=5),
        Activity(length=30, after=(0,), hands=False),
        Activity(length=20, after=(1,)),
        Activity(length=6),
        Activity(length=4, after=(2, 3)),
    ]
    # Tails 59, 54, 24, 10, 4: switch off first, then the paperwork beside the cooling.
    timetable = with_one_pair_of_hands(network)
    assert timetable == Timetable(
        starts=(0, 5, 35, 5, 55), ends=(5, 35, 55, 11, 59), held_by=(None, 0, 1, 0, 2)
    )
    assert timetable.length == 59
    assert timetable.critical_chain() == (0, 1, 2, 4)


def test_hands_stay_in_place_while_there_is_something_to_do() -> None:
    # Two places with two pieces of work each; the longer tail alternates between them.
    network = [
        Activity(length=4, place="a"),
        Activity(length=3, after=(0,), place="a"),
        Activity(length=4, place="b"),
        Activity(length=3, after=(2,), place="b"),
    ]
    assert with_one_pair_of_hands(network).starts == (0, 4, 7, 11)


def test_hands_go_back_when_a_wait_is_over_and_leave_the_rest_for_the_next() -> None:
    # At a: switch off 5, cool 10, mend 20, heat 15, check 5. At b: five looks of 6 each. Anywhere:
    # paperwork 6. Two looks beside the cooling, three beside the heating, the paperwork last.
    network = [
        Activity(length=5, place="a"),
        Activity(length=10, after=(0,), hands=False, place="a"),
        Activity(length=20, after=(1,), place="a"),
        Activity(length=15, after=(2,), hands=False, place="a"),
        Activity(length=5, after=(3,), at_once=True, place="a"),
        *(Activity(length=6, place="b") for _ in range(5)),
        Activity(length=6),
    ]
    timetable = with_one_pair_of_hands(network)
    assert timetable.starts == (0, 5, 17, 37, 55, 5, 11, 37, 43, 49, 60)
    assert timetable.length == 66  # 5 + 20 + 5 + 30 + 6: the hands are never idle


def test_what_has_to_be_done_at_once_goes_first() -> None:
    network = [Activity(length=50), Activity(length=2, at_once=True)]
    assert with_one_pair_of_hands(network).starts == (2, 0)


def test_nothing_to_do_takes_no_time() -> None:
    timetable = with_one_pair_of_hands([])
    assert (timetable.length, timetable.critical_chain()) == (0, ())


@pytest.mark.parametrize("before", [1, 2, -1])
def test_order_of_the_list_has_to_be_possible(before: int) -> None:
    with pytest.raises(InvalidInput, match=f"activity 1 cannot come after activity {before}"):
        longest_tails([Activity(length=1), Activity(length=1, after=(before,))])


@st.composite
def networks(draw: st.DrawFn, *, max_size: int) -> list[Activity]:
    return [
        Activity(
            length=draw(st.integers(0, 20)),
            after=tuple(sorted(draw(st.sets(st.integers(0, n - 1), max_size=3)))) if n else (),
            hands=draw(st.booleans()),
            place=draw(st.sampled_from(["a", "b", None])),
        )
        for n in range(draw(st.integers(1, max_size)))
    ]


@given(networks(max_size=15))
def test_timetable_keeps_the_order_and_the_hands(network: list[Activity]) -> None:
    timetable = with_one_pair_of_hands(network)
    for index, activity in enumerate(network):
        assert timetable.ends[index] == timetable.starts[index] + activity.length
        for before in activity.after:
            assert timetable.ends[before] <= timetable.starts[index]
    by_start = sorted(
        (timetable.starts[i], timetable.ends[i]) for i, a in enumerate(network) if a.hands
    )
    for (_, end), (start, _) in pairwise(by_start):
        assert end <= start
    chain = timetable.critical_chain()
    assert timetable.starts[chain[0]] == 0
    assert sum(network[i].length for i in chain) == timetable.length
    hands_on = sum(activity.length for activity in network if activity.hands)
    assert timetable.length >= max(hands_on, max(longest_tails(network)))


def in_order(network: Sequence[Activity], order: Sequence[int]) -> int:
    """Length when the hands do the work in exactly this order; -1 when that is impossible."""
    rank = {index: place for place, index in enumerate(order)}
    ends = [0] * len(network)
    done: set[int] = set()
    hands_free, place = 0, 0
    while len(done) < len(network):
        ready = [
            i
            for i, activity in enumerate(network)
            if i not in done
            and done.issuperset(activity.after)
            and (not activity.hands or rank[i] == place)
        ]
        if not ready:
            return -1
        for i in ready:
            start = max((ends[before] for before in network[i].after), default=0)
            if network[i].hands:
                start = max(start, hands_free)
                hands_free, place = start + network[i].length, place + 1
            ends[i] = start + network[i].length
            done.add(i)
    return max(ends)


@given(networks(max_size=7))
def test_timetable_is_at_most_twice_as_long_as_the_best_order_of_work(
    network: list[Activity],
) -> None:
    by_hand = [i for i, activity in enumerate(network) if activity.hands]
    best = min(
        length for order in permutations(by_hand) if (length := in_order(network, order)) >= 0
    )
    found = with_one_pair_of_hands(network).length
    # At every moment either the hands are busy or one chain of activities goes on.
    assert best <= found <= 2 * best
