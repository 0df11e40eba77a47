"""Kits of parts against trying every kit."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.parts_kit import Case, Kit, cheapest_kit

PRICES = {"valve": 50, "switch": 60, "contactor": 300, "seal": 5}


def test_dear_part_for_a_rare_case_stays_at_home() -> None:
    cases = [
        Case(probability=0.6, parts={"switch": 1}),
        Case(probability=0.25, parts={"valve": 1, "seal": 2}),
        Case(probability=0.15, parts={"contactor": 1}),
    ]
    # Switch and valve suffice for 0.85 of the cases and cost 60 + 50 + 2 x 5.
    assert cheapest_kit(cases, PRICES, 0.8) == Kit(
        parts={"seal": 2, "switch": 1, "valve": 1}, cover=pytest.approx(0.85), cost_minor=120
    )


def test_case_without_parts_is_covered_by_nothing() -> None:
    cases = [Case(probability=0.9, parts={}), Case(probability=0.1, parts={"valve": 1})]
    assert cheapest_kit(cases, PRICES, 0.8) == Kit(parts={}, cover=0.9, cost_minor=0)


def test_parts_shared_by_cases_are_brought_once() -> None:
    cases = [
        Case(probability=0.5, parts={"seal": 2}),
        Case(probability=0.5, parts={"seal": 1, "valve": 1}),
    ]
    assert cheapest_kit(cases, PRICES, 1.0) == Kit(
        parts={"seal": 2, "valve": 1}, cover=1.0, cost_minor=60
    )


cases_of_four = st.lists(
    st.builds(
        Case,
        probability=st.integers(1, 20).map(float),
        parts=st.dictionaries(st.sampled_from(sorted(PRICES)), st.integers(1, 2), max_size=3),
    ),
    min_size=1,
    max_size=6,
)


@given(cases_of_four, st.floats(0.1, 1.0))
def test_kit_is_the_cheapest_of_all_kits(cases: list[Case], share: float) -> None:
    total = sum(case.probability for case in cases)
    cases = [Case(probability=case.probability / total, parts=case.parts) for case in cases]
    best = min(
        sum(PRICES[part] * quantity for part, quantity in zip(PRICES, kit, strict=True))
        for kit in product(range(3), repeat=len(PRICES))
        if sum(
            case.probability
            for case in cases
            if all(
                dict(zip(PRICES, kit, strict=True))[part] >= quantity
                for part, quantity in case.parts.items()
            )
        )
        >= share - 1e-9
    )
    found = cheapest_kit(cases, PRICES, share)
    assert found.cost_minor == best
    assert found.cover >= share - 1e-9
