"""Which tasks share a visit: hand-worked cases, properties, and every other way to cut them."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.bundling import Bundling, VisitKind, Window, bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.upkeep import DueTask
from scheduler.worksheet import build_worksheet
from tests.scheduler.small_trade import (
    CATALOGUE,
    PLAIN_FILTER,
    PLAIN_GRINDER,
    TWO_GROUP,
    WITH_SHUT_OFFS,
    machine,
    task,
)

TODAY = date(2027, 2, 1)
HORIZON = date(2028, 2, 1)
POLICY = BundlingPolicy()
LEFT = machine("left", TWO_GROUP)
RIGHT = machine("right", WITH_SHUT_OFFS)
GRINDER = machine("grinder", PLAIN_GRINDER)
FILTER = machine("filter", PLAIN_FILTER)
MACHINES = [LEFT, RIGHT, GRINDER, FILTER]


def bundled(*tasks: DueTask, policy: BundlingPolicy = POLICY, horizon: date = HORIZON) -> Bundling:
    return bundle_site(tasks, MACHINES, CATALOGUE, policy, TODAY, horizon)


def groups(bundling: Bundling) -> set[frozenset[str]]:
    return {frozenset(bundle.tasks) for bundle in bundling.bundles}


def test_one_task_is_one_visit_on_its_day() -> None:
    due = task(GRINDER, "look_at_grinder", target=date(2027, 3, 1), early_days=10, late_days=20)
    (bundle,) = bundled(due).bundles
    worksheet = build_worksheet([due], MACHINES, CATALOGUE)
    assert (bundle.id, bundle.site) == ("cafe:grinder/look_at_grinder/0", "cafe")
    assert bundle.tasks == ("grinder/look_at_grinder/0",)
    assert bundle.machines == ("grinder",)
    assert bundle.kind is VisitKind.UPKEEP
    assert bundle.window is Window.ACCESS
    assert (bundle.earliest, bundle.target, bundle.latest) == (
        date(2027, 2, 19),
        date(2027, 3, 1),
        date(2027, 3, 21),
    )
    assert (bundle.hard, bundle.hard_latest, bundle.overdue) == (False, None, False)
    # arrive 5, as found 2, check 5, try it 3, paperwork 6, hand over 4
    assert (bundle.minutes, bundle.minutes) == (25, worksheet.minutes)
    assert bundle.because == (
        "Check the dose at grinder is due on 2027-03-01; "
        "nothing else is close enough to share the visit"
    )


def test_costs_of_sharing_are_what_they_are_by_hand() -> None:
    # Check the dose (live, 5 min, every 365 days) on 1 March and the burrs on 6 March.
    look = task(GRINDER, "look_at_grinder", target=date(2027, 3, 1))
    burrs = task(GRINDER, "replace_burrs", target=date(2027, 3, 6))
    bundling = bundled(look, burrs)
    # Alone: 45 + 25, and 45 + (5 + 2 + 2 + 25 + 2 + 3 + 6 + 4) + 15 with the grinder off.
    assert bundling.separate_cost_minutes == pytest.approx(70 + 109)
    # Together on the day of the burrs: 5 days late x 300 / 365 a day; on that of the check:
    # 5 days early x (25 + 8000 / 100) / 365 a day, which is less.
    assert bundling.cost_minutes == pytest.approx(45 + 54 + 15 + 5 * 105 / 365)
    (bundle,) = bundling.bundles
    assert bundle.target == date(2027, 3, 1)
    assert bundle.minutes == 54
    assert bundle.parts == {"burrs": 1}
    assert bundle.because == (
        "Check the dose at grinder is due on 2027-03-01; one more task shares the visit"
    )


@pytest.mark.parametrize("rule", ["rebuild_brew_valve", "watch_pressure"])
def test_a_stopped_machine_takes_the_minutes_of_its_worksheet(rule: str) -> None:
    due, machines = task(LEFT, rule), [replace(LEFT, stopped=True)]
    (bundle,) = bundle_site([due], machines, CATALOGUE, POLICY, TODAY, HORIZON).bundles
    sheet = build_worksheet([due], machines, CATALOGUE)
    assert (bundle.minutes, bundle.minutes_p80) == (sheet.minutes, sheet.minutes_p80)
    # nothing is read as found on a machine that is not to be run
    assert bundle.minutes != build_worksheet([due], [LEFT], CATALOGUE).minutes


def test_tasks_whose_days_do_not_meet_stay_apart() -> None:
    early = task(GRINDER, "look_at_grinder", target=date(2027, 3, 1), late_days=5)
    late = task(GRINDER, "replace_burrs", target=date(2027, 4, 1), early_days=20)
    assert groups(bundled(early, late)) == {frozenset({early.id}), frozenset({late.id})}


def test_life_too_dear_to_waste_stays_apart() -> None:
    # 80 days early x 105 / 85 a day is 99 min, more than the 45 + 25 a visit of its own costs.
    early = task(GRINDER, "look_at_grinder", target=date(2027, 3, 1), late_days=5)
    late = task(GRINDER, "replace_burrs", target=date(2027, 5, 20), early_days=84, interval_days=85)
    assert len(bundled(early, late).bundles) == 2


def test_any_work_that_is_not_live_needs_a_quiet_window() -> None:
    live = task(RIGHT, "rebuild_steam_valve")
    cold = task(LEFT, "rebuild_steam_valve")
    assert [b.window for b in bundled(live).bundles] == [Window.ACCESS]
    assert [b.window for b in bundled(live, cold).bundles] == [Window.QUIET]


def test_one_examiner_sees_every_machine_of_a_site_but_does_nothing_else() -> None:
    target = date(2027, 3, 1)
    left, right = (task(each, "examine_vessel", target=target, hard=True) for each in (LEFT, RIGHT))
    look = task(GRINDER, "look_at_grinder", target=target)
    assert groups(bundled(left, right, look)) == {
        frozenset({left.id, right.id}),
        frozenset({look.id}),
    }


def test_statutory_examination_goes_alone_and_is_hard() -> None:
    examination = task(LEFT, "examine_vessel", target=date(2027, 3, 1), late_days=0, hard=True)
    others = [task(LEFT, "rebuild_brew_valve", n, target=date(2027, 3, 1)) for n in (0, 1)]
    bundling = bundled(examination, *others)
    assert groups(bundling) == {frozenset({examination.id}), frozenset({o.id for o in others})}
    statutory = next(b for b in bundling.bundles if b.kind is VisitKind.STATUTORY)
    assert statutory.skills == {"competent_person"}
    assert (statutory.hard, statutory.hard_latest) == (True, date(2027, 3, 1))
    assert statutory.because == (
        "Statutory examination at left is due on 2027-03-01; "
        "it never shares a visit with other work"
    )


def test_overdue_task_is_planned_from_today_and_says_so() -> None:
    overdue = task(LEFT, "rebuild_steam_valve", target=date(2026, 11, 1), late_days=30)
    soon = task(LEFT, "rebuild_brew_valve", target=date(2027, 3, 1))
    (bundle,) = bundled(overdue, soon).bundles
    assert bundle.overdue
    assert (bundle.earliest, bundle.target) == (TODAY, TODAY)
    assert bundle.latest == TODAY + timedelta(days=POLICY.overdue_within_days)
    assert bundle.because == (
        "Rebuild the steam valve at left is overdue since 2026-12-01; "
        "one more task shares the visit"
    )


def test_soft_latest_and_hard_latest_are_told_apart() -> None:
    hard = task(FILTER, "replace_cartridge", target=date(2027, 3, 1), late_days=40, hard=True)
    soft = task(GRINDER, "replace_burrs", target=date(2027, 3, 1), late_days=20)
    (bundle,) = bundled(hard, soft).bundles
    assert (bundle.latest, bundle.hard) == (date(2027, 3, 21), False)
    assert bundle.hard_latest == date(2027, 4, 10)


def test_big_site_is_split_into_visits_that_fit_a_day() -> None:
    tasks = [task(at, "rebuild_brew_valve", n) for at in (LEFT, RIGHT) for n in (0, 1)]
    tasks += [task(at, "rebuild_steam_valve", n) for at in (LEFT, RIGHT) for n in (0, 1)]
    together = bundled(*tasks, policy=replace(POLICY, maximum_minutes=600))
    split = bundled(*tasks, policy=replace(POLICY, maximum_minutes=200))
    assert len(together.bundles) == 1
    assert together.bundles[0].minutes > 200
    assert [bundle.minutes <= 200 for bundle in split.bundles] == [True] * len(split.bundles)
    assert split.cost_minutes > together.cost_minutes


def test_task_beyond_the_horizon_joins_but_causes_no_visit() -> None:
    near = task(LEFT, "rebuild_brew_valve", target=date(2027, 2, 10))
    far = task(LEFT, "rebuild_steam_valve", target=date(2027, 3, 10))
    later = task(RIGHT, "rebuild_brew_valve", target=date(2027, 9, 1))
    bundling = bundled(near, far, later, horizon=date(2027, 2, 20))
    assert groups(bundling) == {frozenset({near.id, far.id})}
    assert bundling.later == (later.id,)
    assert bundled(far, horizon=date(2027, 2, 20)).later == (far.id,)


def test_no_tasks_need_no_visit() -> None:
    assert bundled() == Bundling(bundles=(), later=(), cost_minutes=0.0, separate_cost_minutes=0.0)


def test_what_does_not_belong_together_is_refused() -> None:
    elsewhere = machine("elsewhere", PLAIN_GRINDER, site="bar")
    with pytest.raises(InvalidInput, match="tasks of one site at a time, got those of bar, cafe"):
        bundle_site(
            [task(GRINDER, "replace_burrs"), task(elsewhere, "replace_burrs")],
            [GRINDER, elsewhere],
            CATALOGUE,
            POLICY,
            TODAY,
            HORIZON,
        )
    with pytest.raises(UnknownReference, match="no machine 'elsewhere'"):
        bundled(task(elsewhere, "replace_burrs"))
    with pytest.raises(UnknownReference, match="no service rule 'polish'"):
        bundled(replace(task(GRINDER, "replace_burrs"), rule="polish"))


@pytest.mark.parametrize(
    ("field", "value"), [("visit_minutes", -1.0), ("maximum_minutes", 0), ("failure_minutes", -1.0)]
)
def test_policy_refuses_impossible_weights(field: str, value: float) -> None:
    with pytest.raises(InvalidInput, match=f"{field} must be"):
        replace(POLICY, **{field: value})


RULES = ["rebuild_steam_valve", "rebuild_brew_valve", "replace_gasket"]
PLACES = [(at, rule, n) for at in (LEFT, RIGHT) for rule in RULES for n in (0, 1)]
PLACES += [(GRINDER, "replace_burrs", 0), (GRINDER, "look_at_grinder", 0)]
PLACES += [(FILTER, "replace_cartridge", 0), (LEFT, "examine_vessel", 0)]


@st.composite
def site_tasks(draw: st.DrawFn, *, max_size: int) -> list[DueTask]:
    places = draw(
        st.lists(st.sampled_from(PLACES), min_size=1, max_size=max_size, unique_by=lambda p: p[1:])
    )
    return [
        task(
            at,
            rule,
            n,
            target=TODAY + timedelta(days=draw(st.integers(-60, 200))),
            early_days=draw(st.integers(0, 90)),
            late_days=draw(st.integers(0, 55)),
            hard=draw(st.booleans()),
        )
        for at, rule, n in places
    ]


@settings(deadline=None)
@given(site_tasks(max_size=12), st.integers(60, 400), st.integers(1, 300))
def test_no_task_is_lost_doubled_or_done_past_its_latest_day(
    tasks: list[DueTask], maximum_minutes: int, horizon_days: int
) -> None:
    horizon = TODAY + timedelta(days=horizon_days)
    policy = replace(POLICY, maximum_minutes=maximum_minutes)
    bundling = bundled(*tasks, policy=policy, horizon=horizon)
    done = [task_id for bundle in bundling.bundles for task_id in bundle.tasks]
    assert sorted([*done, *bundling.later]) == sorted(due.id for due in tasks)
    by_id = {due.id: due for due in tasks}
    for bundle in bundling.bundles:
        members = [by_id[task_id] for task_id in bundle.tasks]
        assert bundle.earliest <= bundle.target <= bundle.latest
        assert TODAY <= bundle.target < horizon
        for due in members:
            assert due.earliest <= bundle.earliest
            if due.latest >= TODAY:
                assert bundle.latest <= due.latest
            else:
                assert bundle.overdue
        assert bundle.minutes == build_worksheet(members, MACHINES, CATALOGUE).minutes
        assert bundle.minutes <= maximum_minutes or len({due.rule for due in members}) == 1
    assert bundling.cost_minutes <= bundling.separate_cost_minutes + 1e-9
