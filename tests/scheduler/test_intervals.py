"""The interval algebra, checked against plain sets of whole minutes."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InvalidInput
from scheduler.intervals import Interval, IntervalSet, total_duration

LAST_MINUTE = 40


def minutes(*pairs: tuple[int, int]) -> IntervalSet[int]:
    return IntervalSet.of(Interval(start=start, end=end) for start, end in pairs)


def values(intervals: IntervalSet[int]) -> set[int]:
    """The same set the slow way: every minute listed."""
    return {m for interval in intervals for m in range(interval.start, interval.end)}


@st.composite
def interval_lists(draw: st.DrawFn) -> list[Interval[int]]:
    starts_and_lengths = draw(
        st.lists(st.tuples(st.integers(0, LAST_MINUTE - 10), st.integers(1, 10)), max_size=7)
    )
    return [Interval(start=start, end=start + length) for start, length in starts_and_lengths]


interval_sets = interval_lists().map(IntervalSet.of)


@given(interval_lists())
def test_of_holds_exactly_the_values_given(intervals: list[Interval[int]]) -> None:
    expected = {m for interval in intervals for m in range(interval.start, interval.end)}
    assert values(IntervalSet.of(intervals)) == expected


@given(interval_sets, interval_sets)
def test_union_intersection_and_subtraction_match_plain_sets(
    a: IntervalSet[int], b: IntervalSet[int]
) -> None:
    assert values(a | b) == values(a) | values(b)
    assert values(a & b) == values(a) & values(b)
    assert values(a - b) == values(a) - values(b)


@given(interval_sets, interval_sets)
def test_sets_are_equal_exactly_when_they_hold_the_same_values(
    a: IntervalSet[int], b: IntervalSet[int]
) -> None:
    assert (a == b) == (values(a) == values(b))
    assert (a - b) | (a & b) == a


@given(interval_sets)
def test_gaps_fill_the_hull_and_nothing_else(a: IntervalSet[int]) -> None:
    hull = a.hull()
    if hull is None:
        assert a == IntervalSet()
        assert a.gaps() == IntervalSet()
    else:
        assert a | a.gaps() == IntervalSet.of([hull])
        assert a & a.gaps() == IntervalSet()


@given(interval_sets, st.integers(0, LAST_MINUTE), st.integers(0, LAST_MINUTE))
def test_clip_contains_and_covers_match_plain_sets(
    a: IntervalSet[int], start: int, end: int
) -> None:
    assert values(a.clip(start, end)) == {m for m in values(a) if start <= m < end}
    assert a.contains(start) == (start in values(a))
    if start < end:
        assert a.covers(Interval(start=start, end=end)) == (set(range(start, end)) <= values(a))


def test_touching_intervals_become_one() -> None:
    assert minutes((5, 7), (1, 3), (3, 5)) == minutes((1, 7))


def test_subtraction_splits_an_interval() -> None:
    assert minutes((0, 10), (20, 30)) - minutes((3, 5), (8, 22)) == minutes(
        (0, 3), (5, 8), (22, 30)
    )


def test_touching_is_not_overlapping() -> None:
    morning, noon = Interval(start=8, end=12), Interval(start=12, end=14)
    assert not morning.overlaps(noon)
    assert morning.intersection(noon) is None
    assert not morning.contains(12)


def test_dates_work_as_well() -> None:
    contract = Interval(start=date(2027, 1, 1), end=date(2028, 1, 1))
    assert contract.contains(date(2027, 12, 31))
    assert not contract.contains(date(2028, 1, 1))


def test_total_duration_adds_the_intervals() -> None:
    eight = datetime(2027, 3, 1, 8, tzinfo=UTC)
    spans = IntervalSet.of(
        Interval(start=eight + timedelta(hours=h), end=eight + timedelta(hours=h + 1))
        for h in (0, 3, 4)
    )
    assert total_duration(spans) == timedelta(hours=3)
    assert total_duration(IntervalSet()) == timedelta()


def test_an_empty_interval_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"must end after its start, got \[5, 5\)"):
        Interval(start=5, end=5)


def test_a_set_out_of_order_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"got \[3, 5\) then \[5, 7\)"):
        IntervalSet((Interval(start=3, end=5), Interval(start=5, end=7)))


@pytest.mark.parametrize("zone", [None, ZoneInfo("Europe/London"), ZoneInfo("UTC")])
def test_instants_without_utc_are_refused(zone: ZoneInfo | None) -> None:
    local = datetime(2027, 3, 1, 8, tzinfo=zone)
    with pytest.raises(InvalidInput, match="needs UTC"):
        Interval(start=local, end=local + timedelta(hours=1))
