from datetime import date

import pytest

from scheduler.duty import DutyClass, duty_class
from scheduler.errors import InvalidInput
from scheduler.wear.lives import End, Life
from scheduler.wear.records import PartRecord, Renewal, lives_by_kind, lives_of

TODAY = date(2027, 3, 1)


def record(
    *,
    part: str = "p1",
    fitted_on: date = date(2026, 1, 1),
    removed_on: date | None = None,
    failed: bool = False,
    renewals: tuple[Renewal, ...] = (),
    records_begin: date = date(2025, 1, 1),
) -> PartRecord:
    return PartRecord(
        part=part,
        part_type="valve",
        machine="m1",
        position="group 1",
        duty=DutyClass.STANDARD,
        fitted_on=fitted_on,
        removed_on=removed_on,
        failed=failed,
        renewals=renewals,
        records_begin=records_begin,
    )


def test_a_part_lives_from_each_renewal_to_the_next() -> None:
    # January to 11 January by a failure, to 31 January by plan, then on to 1 March 2027 (394 days)
    rebuilt = record(
        renewals=(
            Renewal(on=date(2026, 1, 31), failed=False),
            Renewal(on=date(2026, 1, 11), failed=True),
        )
    )

    assert list(lives_of(rebuilt, TODAY)) == [
        (date(2026, 1, 1), Life(age=10, end=End.FAILED)),
        (date(2026, 1, 11), Life(age=20, end=End.REPLACED)),
        (date(2026, 1, 31), Life(age=394, end=End.RUNNING)),
    ]
    assert rebuilt.good_since == date(2026, 1, 31)


def test_the_work_that_took_a_part_out_is_not_a_renewal_of_it() -> None:
    out = date(2026, 2, 10)
    taken_out = record(removed_on=out, failed=True, renewals=(Renewal(on=out, failed=True),))
    assert list(lives_of(taken_out, TODAY)) == [(date(2026, 1, 1), Life(age=40, end=End.FAILED))]


def test_what_happened_before_the_records_begin_is_not_known() -> None:
    # fitted 365 days before the records begin; 365 + 365 days by the first of January 2027
    old = record(
        fitted_on=date(2025, 1, 1), removed_on=date(2027, 1, 1), records_begin=date(2026, 1, 1)
    )
    assert [life for _, life in lives_of(old, TODAY)] == [
        Life(age=730, end=End.REPLACED, known_from=365)
    ]
    gone = record(
        fitted_on=date(2025, 1, 1), removed_on=date(2025, 6, 1), records_begin=date(2026, 1, 1)
    )
    assert list(lives_of(gone, TODAY)) == []


def test_a_removal_before_fitting_names_the_part() -> None:
    with pytest.raises(InvalidInput, match="part p9: a part fitted on 2026-01-01 cannot end on"):
        list(lives_of(record(part="p9", removed_on=date(2025, 12, 1)), TODAY))


def test_lives_are_kept_apart_by_part_type_and_duty() -> None:
    two = [record(), record(part="p2", removed_on=date(2026, 1, 6), failed=True)]
    assert lives_by_kind(two, TODAY) == {
        ("valve", DutyClass.STANDARD): (
            Life(age=424, end=End.RUNNING),
            Life(age=5, end=End.FAILED),
        )
    }


@pytest.mark.parametrize(
    ("drinks", "expected"),
    # the middle in proportion between 60 and 180 is 104, between 180 and 400 it is 268
    [
        (0, "light"),
        (60, "light"),
        (103, "light"),
        (105, "standard"),
        (267, "standard"),
        (269, "high"),
    ],
)
def test_a_duty_class_is_the_nearest_in_proportion(drinks: float, expected: str) -> None:
    assert duty_class(drinks) == expected
