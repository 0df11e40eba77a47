"""The two dynamic programmes against every grouping there is."""

from collections.abc import Iterator

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler import grouping
from scheduler.routing.kernel.compiling import compiled_entry

cheapest_cut = compiled_entry(grouping.cheapest_cut, None)
cheapest_partition = compiled_entry(grouping.cheapest_partition, None)


def set_partitions(things: list[int]) -> Iterator[list[list[int]]]:
    if not things:
        yield []
        return
    first, *rest = things
    for partition in set_partitions(rest):
        yield [[first], *partition]
        for n, group in enumerate(partition):
            yield [*partition[:n], [first, *group], *partition[n + 1 :]]


def test_there_are_as_many_partitions_as_bell_numbers_say() -> None:
    # Bell numbers 1, 1, 2, 5, 15, 52, 203, 877, 4140 (sequence A000110 of the OEIS)
    counts = [sum(1 for _ in set_partitions(list(range(n)))) for n in range(9)]
    assert counts == [1, 1, 2, 5, 15, 52, 203, 877, 4140]


@settings(deadline=None, max_examples=50)
@given(st.integers(1, 8), st.integers(0, 2**32 - 1))
def test_partition_is_the_cheapest_of_all(count: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    costs = random.integers(1, 100, 1 << count).astype(np.float64)
    costs[random.random(1 << count) < 0.2] = np.inf
    costs[[1 << n for n in range(count)]] = 60.0  # one thing alone is always allowed
    choice = np.zeros(1 << count, np.int64)
    found = cheapest_partition(count, costs, np.zeros(1 << count), choice)
    best = min(
        sum(costs[sum(1 << thing for thing in group)] for group in partition)
        for partition in set_partitions(list(range(count)))
    )
    assert found == best
    left, total = (1 << count) - 1, 0.0
    while left:
        assert choice[left] & left == choice[left] > 0
        total += costs[choice[left]]
        left ^= int(choice[left])
    assert total == found


@settings(deadline=None, max_examples=50)
@given(st.integers(1, 8), st.integers(0, 2**32 - 1))
def test_cut_is_the_cheapest_grouping_of_neighbours(count: int, seed: int) -> None:
    costs = np.random.default_rng(seed).integers(1, 100, (count, count + 1)).astype(np.float64)
    cut = np.zeros(count + 1, np.int64)
    found = cheapest_cut(count, costs, np.zeros(count + 1), cut)
    best = min(
        sum(costs[group[0], group[-1] + 1] for group in partition)
        for partition in set_partitions(list(range(count)))
        if all(group == list(range(group[0], group[-1] + 1)) for group in partition)
    )
    assert found == best
