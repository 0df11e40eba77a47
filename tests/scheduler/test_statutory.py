"""The certificate's own last day is what counts: hard, by itself, whatever the interval says."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.bundling import VisitKind, bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import BoilerLayout, Dosing, EquipmentKind
from scheduler.duty import stated_duty
from scheduler.errors import InvalidInput
from scheduler.machines import Build, Certificate, FittedPart, Machine, WorkDone
from scheduler.spacing import IntervalDecision
from scheduler.statutory import Standing, statutory_items
from scheduler.upkeep import DueTask, due_tasks
from scheduler.visit_estimate import VisitEstimates
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
TODAY = date(2027, 3, 1)
RULE = "pressure_vessel_examination"
MACHINE = Machine(
    id="m",
    site="s",
    name="Two groups",
    build=Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        groups=2,
        dosing=Dosing.VOLUMETRIC,
        features=frozenset({"statutory_inspection"}),
    ),
    installed_on=date(2020, 5, 4),
    drinks_per_day=180,
)


def certificate(examined_on: date, valid_until: date | None, number: str = "A-1") -> Certificate:
    return Certificate(number=number, rule=RULE, examined_on=examined_on, valid_until=valid_until)


def examination(machine: Machine, *decisions: IntervalDecision) -> DueTask:
    duty = stated_duty(machine, CATALOGUE, hardness_dh=10)
    tasks = due_tasks(machine, CATALOGUE, duty, until=date.max, decisions=decisions)
    return next(task for task in tasks if task.rule == RULE)


def test_the_next_examination_is_due_by_the_last_day_of_the_certificate() -> None:
    # the catalogue's interval is twelve months, the certificate holds for seven
    held = replace(MACHINE, certificates=(certificate(date(2027, 1, 20), date(2027, 8, 19)),))
    task = examination(held)
    assert (task.latest, task.hard, task.anchor) == (date(2027, 8, 19), True, date(2027, 1, 20))
    assert task.target == date(2027, 8, 19) - timedelta(days=28)  # the margin of the rule
    assert "certificate A-1 of 2027-01-20; valid until 2027-08-19; never after it" in task.because


def test_a_visit_reported_later_moves_nothing_but_a_stricter_decision_wins() -> None:
    held = replace(MACHINE, certificates=(certificate(date(2026, 1, 20), date(2027, 1, 19)),))
    visited = replace(
        held, history=(WorkDone(rule=RULE, fitted_part=None, done_on=date(2027, 2, 1)),)
    )
    assert examination(visited) == examination(held)
    assert examination(held).latest == date(2027, 1, 19)
    sooner, later = (
        IntervalDecision(rule=RULE, months=months, decided_by="x", decided_on=TODAY, reason="y")
        for months in (6, 30)
    )
    assert examination(held, later) == examination(held)
    task = examination(held, sooner)
    assert (task.latest, task.hard) == (date(2026, 7, 20), True)
    assert "decided by x on 2027-03-01: y; never after 2026-07-20" in task.because
    # the day the company has set itself has passed; the machine may be used by law
    items = statutory_items(
        replace(held, certificates=(certificate(date(2026, 4, 20), date(2027, 4, 19)),)),
        CATALOGUE,
        today=TODAY,
        soon=timedelta(days=1),
        decisions=[sooner],
    )
    (item,) = [each for each in items if each.rule == RULE]
    assert (item.due_on, item.standing) == (date(2026, 10, 20), Standing.SOON)


def test_a_certificate_longer_than_the_rule_relaxes_nothing() -> None:
    # a mistyped year: fifteen years where the rule says twelve months
    held = replace(MACHINE, certificates=(certificate(date(2026, 5, 20), date(2041, 5, 19)),))
    task = examination(held)
    assert (task.latest, task.hard) == (date(2027, 5, 20), True)
    assert "valid until 2041-05-19, but every 12 months, by law; never after 2027-05-20" in (
        task.because
    )


@given(
    st.integers(1, 6000),
    st.one_of(st.none(), st.floats(0.5, 30)),
)
def test_neither_a_certificate_nor_a_decision_ever_relaxes_the_law(
    holds_days: int, months: float | None
) -> None:
    held = certificate(TODAY, TODAY + timedelta(days=holds_days))
    decisions = [
        IntervalDecision(rule=RULE, months=each, decided_by="x", decided_on=TODAY, reason="y")
        for each in ([] if months is None else [months])
    ]
    task = examination(replace(MACHINE, certificates=(held,)), *decisions)
    assert held.valid_until is not None
    assert task.latest <= min(held.valid_until, date(2028, 3, 1))
    assert task.hard
    assert task.earliest <= task.target <= task.latest


def test_the_latest_examination_counts_and_a_refusal_is_due_at_once() -> None:
    old = certificate(date(2025, 6, 1), date(2027, 5, 31))
    new = certificate(date(2026, 6, 1), date(2027, 3, 31), "A-2")
    assert examination(replace(MACHINE, certificates=(new, old))).latest == date(2027, 3, 31)
    failed = certificate(date(2027, 2, 20), None, "A-3")
    task = examination(replace(MACHINE, certificates=(failed, new)))
    assert (task.earliest, task.target, task.latest) == (date(2027, 2, 20),) * 3
    assert "not to be used before it is examined again" in task.because


def test_without_a_certificate_the_interval_counts_from_the_last_record() -> None:
    done = (WorkDone(rule=RULE, fitted_part=None, done_on=date(2026, 4, 16)),)
    assert examination(replace(MACHINE, history=done)).latest == date(2027, 4, 16)
    assert examination(MACHINE).latest == date(2021, 5, 4)


@pytest.mark.parametrize(
    ("valid_until", "standing"),
    [
        (date(2027, 2, 28), Standing.RUN_OUT),
        (date(2027, 3, 1), Standing.SOON),  # it holds on its last day
        (date(2027, 4, 30), Standing.SOON),  # sixty days
        (date(2027, 5, 1), Standing.IN_FORCE),
        (None, Standing.RUN_OUT),
    ],
)
def test_how_it_stands_with_a_certificate(valid_until: date | None, standing: Standing) -> None:
    held = replace(MACHINE, certificates=(certificate(date(2026, 5, 2), valid_until),))
    items = statutory_items(held, CATALOGUE, today=TODAY, soon=timedelta(days=60))
    (found,) = [item for item in items if item.rule == RULE]
    assert (found.standing, found.certificate) == (standing, held.certificates[0])
    # the electrical safety test was never recorded: two years from the day of installation
    (other,) = [item for item in items if item.rule != RULE]
    assert (other.rule, other.due_on, other.certificate) == (
        "electrical_safety_test",
        date(2022, 5, 4),
        None,
    )


def test_an_examination_never_shares_a_visit_with_ordinary_work() -> None:
    gasket = FittedPart(
        id="p", part_type="group_gasket", position="group 1", fitted_on=date(2026, 10, 15)
    )
    held = replace(
        MACHINE,
        parts=(gasket,),
        certificates=(certificate(date(2026, 4, 1), date(2027, 3, 20)),),
    )
    duty = stated_duty(held, CATALOGUE, hardness_dh=10)
    until = TODAY + timedelta(days=28)
    tasks = due_tasks(held, CATALOGUE, duty, until=until)
    assert len({CATALOGUE.rules[task.rule].authority for task in tasks}) > 1
    bundling = bundle_site(
        tasks, [held], CATALOGUE, BundlingPolicy(), TODAY, until, VisitEstimates(CATALOGUE), {}
    )
    rule_of = {task.id: task.rule for task in tasks}
    (own,) = [b for b in bundling.bundles if RULE in {rule_of[task] for task in b.tasks}]
    assert {rule_of[task] for task in own.tasks} == {RULE}
    assert own.kind is VisitKind.STATUTORY
    assert own.hard_latest == date(2027, 3, 20)


def test_a_certificate_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(InvalidInput, match="valid_until must come after examined_on 2027-01-20"):
        certificate(date(2027, 1, 20), date(2027, 1, 20))
