"""Upkeep: which work falls due when, and why, on dates worked out by hand."""

from dataclasses import replace
from datetime import date

import pytest

from scheduler.catalogue import (
    Action,
    AppliesTo,
    Authority,
    Catalogue,
    Counter,
    EquipmentKind,
    Interval,
    Limit,
    PartType,
    ServiceRule,
)
from scheduler.duty import Duty
from scheduler.errors import DecisionBeyondLimit, InvalidInput
from scheduler.machines import Build, FittedPart, Machine, WorkDone
from scheduler.spacing import IntervalDecision, check_decision
from scheduler.upkeep import DueTask, due_tasks

BURRS = FittedPart(id="p1", part_type="burrs", position="burr chamber", fitted_on=date(2026, 1, 1))
FAR = date(2100, 1, 1)
CLEAN = ServiceRule(
    id="clean",
    name="Clean the burrs",
    part_type="burrs",
    action=Action.CLEAN,
    authority=Authority.PRACTICE,
    interval=Interval(months_by_drinks=((180, 6),)),
    minutes=10,
    source="invented",
)
RENEW = replace(
    CLEAN,
    id="renew",
    name="Renew the burrs",
    action=Action.REPLACE,
    interval=Interval(months_by_drinks=((180, 24),), counter=Counter.KILOGRAMS, counter_limit=500),
    consumes={"burrs": 1},
)
EXAMINE = replace(
    CLEAN,
    id="examine",
    name="Examine the grinder",
    part_type=None,
    action=Action.INSPECT,
    authority=Authority.STATUTE,
    interval=Interval(months_by_drinks=((180, 12),)),
    margin_days=28,
    alone=True,
)
VALVE = replace(
    CLEAN,
    id="valve",
    name="Renew the valve",
    action=Action.REPLACE,
    authority=Authority.MAKER,
    interval=Interval(months_by_drinks=((180, 12),)),
    limit=Limit(months=36, authority=Authority.MAKER, source="invented"),
)


def catalogue_of(*rules: ServiceRule, superseded_by: str | None = None) -> Catalogue:
    burrs = PartType(
        id="burrs",
        name="Burrs",
        price_minor=7800,
        lead_days=3,
        source="invented",
        superseded_by=superseded_by,
        superseded_because="it wears out fast" if superseded_by else None,
    )
    return Catalogue(
        skills={},
        part_types={
            "burrs": burrs,
            "hard_burrs": replace(
                burrs,
                id="hard_burrs",
                name="Hard burrs",
                price_minor=9050,
                superseded_by=None,
                superseded_because=None,
            ),
        },
        rules={rule.id: rule for rule in rules},
        set_points={},
        access_steps={},
        cautions={},
        faults={},
        symptoms={},
        positions=(),
        thermals=(),
    )


def machine_of(
    *history: WorkDone, parts: tuple[FittedPart, ...] = (BURRS,), installed_on: date | None = None
) -> Machine:
    return Machine(
        id="m",
        site="s",
        name="Grinder",
        build=Build(kind=EquipmentKind.GRINDER, features=frozenset({"flat_burrs"})),
        installed_on=installed_on or date(2026, 1, 1),
        drinks_per_day=180,
        parts=parts,
        history=history,
    )


def duty(drinks_per_day: float = 180) -> Duty:
    return Duty(
        rates={Counter.DRINKS: drinks_per_day, Counter.KILOGRAMS: drinks_per_day * 0.014},
        hardness_dh=12,
    )


def done(rule: str, on: date, part: str | None = "p1") -> WorkDone:
    return WorkDone(rule=rule, fitted_part=part, done_on=on)


def tasks_of(
    *rules: ServiceRule,
    machine: Machine | None = None,
    drinks_per_day: float = 180,
    until: date = FAR,
    decisions: tuple[IntervalDecision, ...] = (),
    superseded_by: str | None = None,
) -> tuple[DueTask, ...]:
    return due_tasks(
        machine or machine_of(),
        catalogue_of(*rules, superseded_by=superseded_by),
        duty(drinks_per_day),
        until=until,
        decisions=decisions,
    )


def window(task: DueTask) -> tuple[date, date, date, bool]:
    return task.earliest, task.target, task.latest, task.hard


def test_a_task_counts_from_the_day_the_part_was_fitted() -> None:
    # Six months after 1 January is 1 July, 181 days: a quarter (45) before is 17 May, 15 % (27)
    # after is 28 July.
    assert tasks_of(CLEAN) == (
        DueTask(
            id="m:p1:clean:2026-01-01",
            machine="m",
            site="s",
            rule="clean",
            fitted_part="p1",
            anchor=date(2026, 1, 1),
            earliest=date(2026, 5, 17),
            target=date(2026, 7, 1),
            latest=date(2026, 7, 28),
            hard=False,
            because="Clean the burrs, burr chamber: fitted on 2026-01-01, not done since; "
            "every 6 months, by good practice.",
        ),
    )


def test_a_task_counts_from_the_last_time_it_was_done_and_clamps_to_the_months_end() -> None:
    # 31 August + 6 months is 28 February, 181 days on.
    machine = machine_of(done("clean", date(2026, 8, 31)), done("clean", date(2026, 3, 2)))
    (task,) = tasks_of(CLEAN, machine=machine)
    assert window(task) == (date(2027, 1, 14), date(2027, 2, 28), date(2027, 3, 27), False)
    assert task.anchor == date(2026, 8, 31)
    assert "last done on 2026-08-31" in task.because


def test_work_on_the_part_that_was_there_before_does_not_count() -> None:
    machine = machine_of(done("clean", date(2025, 12, 1)), done("clean", date(2026, 5, 1), "p0"))
    (task,) = tasks_of(CLEAN, machine=machine)
    assert task.anchor == date(2026, 1, 1)


def test_the_counter_wins_when_it_comes_first() -> None:
    # 500 kg at 180 * 0.014 = 2.52 kg a day: 198.4 days, so day 198 after 1 January, 18 July.
    (task,) = tasks_of(RENEW)
    assert task.target == date(2026, 7, 18)
    assert task.because == (
        "Renew the burrs, burr chamber: fitted on 2026-01-01, not done since; "
        "every 500 kilograms, 198 days at 2.52 a day, by good practice."
    )


def test_the_calendar_wins_when_it_comes_first() -> None:
    # At 30 drinks a day 500 kg last 1190 days; 24 months come first.
    (task,) = tasks_of(RENEW, drinks_per_day=30)
    assert task.target == date(2028, 1, 1)
    assert "every 24 months, by good practice" in task.because


def test_duty_shortens_an_interval_and_is_named() -> None:
    by_duty = replace(CLEAN, interval=Interval(months_by_drinks=((100, 12), (400, 3))))
    (task,) = tasks_of(by_duty, drinks_per_day=400)
    assert task.target == date(2026, 4, 1)
    assert "every 3 months at 400 drinks a day, by good practice" in task.because


def test_a_statutory_date_is_hard_and_aimed_at_four_weeks_before() -> None:
    # A year from 29 February 2024 is 28 February 2025, 365 days; 28 days before is 31 January;
    # a quarter (91 days) before that is 1 November.
    machine = machine_of(parts=(), installed_on=date(2024, 2, 29))
    (task,) = tasks_of(EXAMINE, machine=machine)
    assert window(task) == (date(2024, 11, 1), date(2025, 1, 31), date(2025, 2, 28), True)
    assert task.id == "m:-:examine:2024-02-29"
    assert task.because == (
        "Examine the grinder: installed on 2024-02-29, not done since; "
        "every 12 months, by law; never after 2025-02-28."
    )


def test_no_work_may_be_done_before_the_day_it_counts_from() -> None:
    # Aimed 200 days before 1 January 2027, on 15 June 2026; half a year before that is too early.
    early = replace(EXAMINE, margin_days=200, early_share=0.5)
    (task,) = tasks_of(early, machine=machine_of(parts=()))
    assert window(task) == (date(2026, 1, 1), date(2026, 6, 15), date(2027, 1, 1), True)


def test_only_what_may_be_done_before_the_day_is_returned_overdue_work_too() -> None:
    assert tasks_of(CLEAN, until=date(2026, 5, 17)) == ()
    assert len(tasks_of(CLEAN, until=date(2026, 5, 18))) == 1
    assert len(tasks_of(CLEAN, until=date(2031, 1, 1))) == 1


def test_tasks_come_by_target_date() -> None:
    assert [task.rule for task in tasks_of(EXAMINE, RENEW, CLEAN)] == ["clean", "renew", "examine"]


def test_work_done_at_every_visit_is_never_due_by_itself() -> None:
    assert tasks_of(replace(CLEAN, interval=Interval(), every_visit=True)) == ()


def test_rules_for_other_builds_do_not_apply() -> None:
    conical = AppliesTo(features=frozenset({"conical_burrs"}))
    assert tasks_of(replace(CLEAN, applies_to=conical)) == ()


def test_work_for_old_machines_waits_until_the_machine_is_old() -> None:
    # Installed in 2026, five years old on 1 January 2031: 1826 days after fitting; 25 % is 456.
    (task,) = tasks_of(replace(CLEAN, from_age_years=5))
    assert window(task)[:2] == (date(2029, 10, 2), date(2031, 1, 1))
    # On an old machine the interval alone counts.
    (task,) = tasks_of(
        replace(CLEAN, from_age_years=5), machine=machine_of(installed_on=date(2015, 1, 1))
    )
    assert task.target == date(2026, 7, 1)


def test_greater_work_makes_the_lesser_good_as_well() -> None:
    renew = replace(RENEW, restarts=("clean",))
    machine = machine_of(done("clean", date(2026, 2, 1)), done("renew", date(2026, 6, 15)))
    tasks = {
        task.rule: task for task in tasks_of(CLEAN, renew, machine=machine, drinks_per_day=100)
    }
    assert tasks["clean"].anchor == date(2026, 6, 15)
    assert "made good on 2026-06-15 by Renew the burrs" in tasks["clean"].because


def test_a_replacement_due_in_time_takes_the_place_of_lesser_work_and_its_latest_date() -> None:
    # Cleaning is due on 1 July and may wait until 28 July; the burrs are renewed on 18 July.
    renew = replace(RENEW, restarts=("clean",))
    (task,) = tasks_of(CLEAN, renew)
    assert (task.rule, task.target, task.latest) == (
        "renew",
        date(2026, 7, 18),
        date(2026, 7, 28),
    )
    assert "Takes the place of: Clean the burrs" in task.because


def test_a_replacement_due_later_leaves_the_lesser_work_standing() -> None:
    renew = replace(RENEW, restarts=("clean",))
    # At 170 drinks a day 500 kg last 210 days, until 30 July, two days after cleaning has to be.
    assert [task.rule for task in tasks_of(CLEAN, renew, drinks_per_day=170)] == ["clean", "renew"]


def test_a_replacement_inherits_the_hard_date_of_what_it_takes_the_place_of() -> None:
    # The maker wants cleaning by 1 July. At 204 drinks 500 kg last 175 days, until 25 June, and
    # the burrs might wait 26 days more.
    by_maker = replace(CLEAN, authority=Authority.MAKER)
    renew = replace(RENEW, restarts=("clean",))
    (task,) = tasks_of(by_maker, renew, drinks_per_day=204)
    assert window(task)[1:] == (date(2026, 6, 25), date(2026, 7, 1), True)


def test_a_follow_up_is_due_only_after_the_work_it_follows() -> None:
    follow = replace(
        CLEAN,
        id="look",
        name="Look again",
        follows=("renew",),
        interval=Interval(months_by_drinks=((180, 1),)),
    )
    assert tasks_of(follow, RENEW)[0].rule == "renew"
    machine = machine_of(done("renew", date(2026, 1, 31)))
    (task, _) = tasks_of(follow, RENEW, machine=machine)
    assert (task.rule, task.target) == ("look", date(2026, 2, 28))
    assert "follows Renew the burrs of 2026-01-31" in task.because
    machine = machine_of(done("renew", date(2026, 1, 31)), done("look", date(2026, 2, 20)))
    assert [task.rule for task in tasks_of(follow, RENEW, machine=machine)] == ["renew"]


def test_a_follow_up_done_the_same_day_is_done() -> None:
    follow = replace(CLEAN, id="look", follows=("renew",))
    machine = machine_of(done("renew", date(2026, 1, 31)), done("look", date(2026, 1, 31)))
    assert [task.rule for task in tasks_of(follow, RENEW, machine=machine)] == ["renew"]


def test_a_follow_up_does_not_follow_work_that_another_made_good() -> None:
    follow = replace(CLEAN, id="look", follows=("clean",))
    renew = replace(RENEW, restarts=("clean",))
    machine = machine_of(done("renew", date(2026, 1, 31)))
    assert "look" not in [task.rule for task in tasks_of(follow, CLEAN, renew, machine=machine)]


def test_a_follow_up_on_a_part_follows_work_on_that_part_only() -> None:
    other = replace(BURRS, id="p2")
    follow = replace(CLEAN, id="look", follows=("renew",))
    machine = machine_of(done("renew", date(2026, 1, 31), "p2"), parts=(BURRS, other))
    looks = [t.fitted_part for t in tasks_of(follow, RENEW, machine=machine) if t.rule == "look"]
    assert looks == ["p2"]


def test_a_superseded_part_brings_an_offer() -> None:
    (task,) = tasks_of(CLEAN, superseded_by="hard_burrs")
    assert task.upgrade_to == "hard_burrs"
    assert task.because.endswith(
        " Burrs is superseded (it wears out fast): offer Hard burrs, 12.50 dearer."
    )


def decision(months: float, machine: str | None = None, rule: str = "valve") -> IntervalDecision:
    return IntervalDecision(
        rule=rule,
        months=months,
        machine=machine,
        decided_by="A. Ferrer",
        decided_on=date(2026, 1, 10),
        reason="soft water",
    )


def test_without_a_decision_the_makers_default_holds_softly_below_its_limit() -> None:
    (task,) = tasks_of(VALVE)
    # 365 days; 15 % is 54.
    assert window(task)[1:] == (date(2027, 1, 1), date(2027, 2, 24), False)


def test_a_decision_lengthens_a_default_and_is_named() -> None:
    (task,) = tasks_of(VALVE, decisions=(decision(24),))
    # 730 days; 15 % is 109.
    assert window(task)[1:] == (date(2028, 1, 1), date(2028, 4, 19), False)
    assert "every 24 months, decided by A. Ferrer on 2026-01-10: soft water" in task.because


def test_a_decision_never_passes_a_makers_limit() -> None:
    (task,) = tasks_of(VALVE, decisions=(decision(48),))
    assert window(task)[1:] == (date(2029, 1, 1), date(2029, 1, 1), True)
    assert "never after 2029-01-01" in task.because
    with pytest.raises(DecisionBeyondLimit) as caught:
        check_decision(decision(48), catalogue_of(VALVE))
    assert str(caught.value) == (
        "valve may wait at most 36 months, set by the maker; 48 were decided: shorten the decision"
    )


def test_a_decision_never_passes_the_law_but_may_be_stricter() -> None:
    machine = machine_of(parts=())
    later, sooner = (decision(n, rule="examine") for n in (18, 6))
    assert tasks_of(EXAMINE, machine=machine, decisions=(later,))[0].latest == date(2027, 1, 1)
    assert tasks_of(EXAMINE, machine=machine, decisions=(sooner,))[0].latest == date(2026, 7, 1)
    with pytest.raises(DecisionBeyondLimit):
        check_decision(later, catalogue_of(EXAMINE))
    check_decision(sooner, catalogue_of(EXAMINE))


def test_good_practice_sets_no_limit_to_a_decision() -> None:
    check_decision(decision(60, rule="clean"), catalogue_of(CLEAN))


def test_a_decision_for_one_machine_outweighs_one_for_all() -> None:
    for decisions in (
        (decision(24), decision(18, "m"), decision(30, "other")),
        (decision(18, "m"), decision(24)),
    ):
        assert tasks_of(VALVE, decisions=decisions)[0].target == date(2027, 7, 1)


def test_a_decision_must_be_accounted_for() -> None:
    with pytest.raises(InvalidInput, match="reason must not be empty"):
        replace(decision(24), reason=" ")
    with pytest.raises(InvalidInput, match="the catalogue has no rule valve"):
        check_decision(decision(24), catalogue_of(CLEAN))


def test_a_task_keeps_its_days_in_order() -> None:
    (task,) = tasks_of(CLEAN)
    with pytest.raises(InvalidInput, match="needs earliest <= target <= latest"):
        replace(task, latest=date(2026, 6, 30))
