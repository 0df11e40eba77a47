"""Whether lives differ: by hand, and between duty classes, positions and before and after a day."""

from datetime import date, timedelta

import pytest

from scheduler.duty import DutyClass
from scheduler.wear.comparing import ComparedBy, compare_parts, log_rank
from scheduler.wear.lives import End, Life
from scheduler.wear.records import PartRecord

TODAY = date(2027, 3, 1)


def failed(*ages: float) -> list[Life]:
    return [Life(age=age, end=End.FAILED) for age in ages]


def test_four_lives_by_hand() -> None:
    # a fails at 1 and 2, b at 3 and 4. At 1 two of four at risk are a's: expected 1/2, variance
    # 1/4; at 2 one of three: 1/3, 2/9; then only b is at risk. (2 - 5/6)^2 / (17/36) = 49/17
    comparison = log_rank({"a": failed(1, 2), "b": failed(3, 4)})
    assert comparison is not None
    assert comparison.chi_square == pytest.approx(49 / 17)
    assert [group.expected_failures for group in comparison.groups] == pytest.approx(
        [5 / 6, 19 / 6]
    )
    assert comparison.freedom == 1
    assert comparison.because == (
        "No difference between a and b can be seen, but so few have failed that only a gross one "
        "would show (4 failures, chi-square 2.88, p = 0.09): leave them apart."
    )


def test_a_life_known_only_later_is_not_at_risk_before() -> None:
    late = [Life(age=4, end=End.FAILED, known_from=2.5), *failed(3)]
    comparison = log_rank({"a": failed(1, 2), "b": late})
    assert comparison is not None
    # at 1: a has two of three at risk, at 2 one of two; then b's two alone
    assert comparison.groups[0].expected_failures == pytest.approx(2 / 3 + 1 / 2)


def test_alike_and_unlike_groups_are_told_in_words() -> None:
    alike = log_rank({"a": failed(*range(10, 40, 2)), "b": failed(*range(11, 41, 2))})
    unlike = log_rank({"a": failed(*range(10, 25)), "b": failed(*range(50, 65))})
    assert alike is not None
    assert unlike is not None
    assert not alike.differ
    assert alike.because.endswith("they may be pooled.")
    assert unlike.differ
    assert unlike.because.startswith("Lives differ between a and b, shortest with a (30 failures, ")


def test_nothing_is_compared_without_two_groups_at_risk_at_a_failure() -> None:
    young = [Life(age=2, end=End.RUNNING)]
    assert log_rank({"a": failed(10, 20), "b": young}) is None
    assert log_rank({"a": young, "b": young}) is None
    assert log_rank({}) is None


def part(n: int, *, age: int, position: str, duty: DutyClass, fitted_on: date) -> PartRecord:
    return PartRecord(
        part=f"p{n}",
        part_type="gasket",
        machine="m",
        position=position,
        duty=duty,
        fitted_on=fitted_on,
        removed_on=fitted_on + timedelta(days=age),
        failed=True,
        renewals=(),
        records_begin=date(2020, 1, 1),
    )


def test_parts_are_compared_by_duty_position_and_day() -> None:
    changed = date(2025, 6, 1)
    records = []
    for n in range(12):
        before = changed - timedelta(days=400)
        records += [
            part(3 * n, age=100 + n, position="group 1", duty=DutyClass.STANDARD, fitted_on=before),
            part(
                3 * n + 1, age=300 + n, position="group 2", duty=DutyClass.STANDARD,
                fitted_on=changed,
            ),
            part(3 * n + 2, age=50 + n, position="group 1", duty=DutyClass.HIGH, fitted_on=before),
        ]  # fmt: skip
    found = compare_parts(records, DutyClass.STANDARD, TODAY, changed_on=changed)
    names = {by: [group.name for group in c.groups] for by, c in found.items()}
    assert names == {
        ComparedBy.DUTY: ["standard duty", "high duty"],
        ComparedBy.POSITION: ["group 1", "group 2"],
        ComparedBy.FITTED: ["fitted before 2025-06-01", "fitted since 2025-06-01"],
    }
    assert all(comparison.differ for comparison in found.values())
    # those of high duty take no part in the other two
    assert sum(group.lives for group in found[ComparedBy.POSITION].groups) == 24
    assert ComparedBy.FITTED not in compare_parts(records, DutyClass.STANDARD, TODAY)
