"""Upkeep: what holds for every machine of the shipped catalogue."""

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.catalogue import (
    Authority,
    BoilerLayout,
    Catalogue,
    Dosing,
    EquipmentKind,
    Interval,
    Limit,
    ServiceRule,
)
from scheduler.duty import stated_duty
from scheduler.machines import Build, FittedPart, Machine, WorkDone, places_in
from scheduler.seasons import EVEN, Season
from scheduler.spacing import IntervalDecision, longest_months
from scheduler.upkeep import DueTask, due_tasks
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
FAR = date(2200, 1, 1)
FEATURES = sorted(CATALOGUE.features)
days = st.dates(date(2020, 1, 1), date(2027, 12, 31))
paces = st.floats(0, 1500)


@st.composite
def builds(draw: st.DrawFn) -> Build:
    kind = draw(st.sampled_from(EquipmentKind))
    features = frozenset(draw(st.sets(st.sampled_from(FEATURES))))
    if kind is not EquipmentKind.ESPRESSO_MACHINE:
        return Build(kind=kind, features=features)
    return Build(
        kind=kind,
        features=features,
        boiler_layout=draw(st.sampled_from(BoilerLayout)),
        dosing=draw(st.sampled_from(Dosing)),
        groups=draw(st.integers(1, 3)),
    )


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    build = draw(builds())
    installed_on = draw(days)
    parts = tuple(
        FittedPart(
            id=f"p{n}",
            part_type=place.part_type,
            position=place.position,
            fitted_on=installed_on + timedelta(days=draw(st.integers(0, 900))),
        )
        for n, place in enumerate(places_in(build, CATALOGUE))
    )
    history = tuple(
        WorkDone(rule=rule.id, fitted_part=part.id, done_on=draw(days))
        for part in parts
        for rule in CATALOGUE.rules_by_part.get(part.part_type, ())
        if draw(st.booleans())
    )
    return Machine(
        id="m",
        site="s",
        name="M",
        build=build,
        installed_on=installed_on,
        drinks_per_day=0,
        parts=parts,
        history=history,
    )


def tasks_at(
    machine: Machine,
    drinks_per_day: float,
    catalogue: Catalogue = CATALOGUE,
    decisions: tuple[IntervalDecision, ...] = (),
    season: Season = EVEN,
) -> tuple[DueTask, ...]:
    machine = replace(machine, drinks_per_day=drinks_per_day)
    duty = replace(stated_duty(machine, catalogue, hardness_dh=14), season=season)
    return due_tasks(machine, catalogue, duty, until=FAR, decisions=decisions)


def served_by(tasks: tuple[DueTask, ...]) -> dict[tuple[str, str | None], date]:
    """The day by which each rule is served on each part, by itself or by greater work."""
    served: dict[tuple[str, str | None], date] = {}
    for task in tasks:
        for rule in (task.rule, *CATALOGUE.rules[task.rule].restarts):
            key = (rule, task.fitted_part)
            served[key] = min(task.latest, served.get(key, date.max))
    return served


SUMMER = Season.of((0, 0, 0, 1, 1, 3, 4, 4, 2, 1, 0, 0))


@settings(deadline=None)
@given(machines(), paces, paces, st.sampled_from([EVEN, SUMMER]))
def test_more_duty_never_means_a_later_date(
    machine: Machine, a: float, b: float, season: Season
) -> None:
    slow, fast = (served_by(tasks_at(machine, pace, season=season)) for pace in sorted((a, b)))
    assert slow.keys() == fast.keys()
    for key, latest in slow.items():
        assert fast[key] <= latest, key


@settings(deadline=None)
@given(machines(), paces)
def test_one_task_per_rule_and_part_and_each_is_served(machine: Machine, pace: float) -> None:
    tasks = tasks_at(machine, pace)
    keys = [(task.rule, task.fitted_part) for task in tasks]
    assert len(set(keys)) == len(keys)
    asked = {
        (rule.id, part)
        for part_type, part in [(None, None), *((p.part_type, p.id) for p in machine.parts)]
        for rule in CATALOGUE.rules_by_part.get(part_type, ())
        if not rule.every_visit and not rule.follows and machine.build.suits(rule.applies_to)
    }
    assert asked <= served_by(tasks).keys()


def with_rule(rule: ServiceRule) -> Catalogue:
    return replace(CATALOGUE, rules={**CATALOGUE.rules, rule.id: rule})


def one_rule(rule: ServiceRule, pace: float, fitted_on: date) -> DueTask:
    part = FittedPart(id="p", part_type="group_gasket", position="group 1", fitted_on=fitted_on)
    machine = Machine(
        id="m",
        site="s",
        name="M",
        build=Build(
            kind=EquipmentKind.ESPRESSO_MACHINE,
            boiler_layout=BoilerLayout.HEAT_EXCHANGER,
            dosing=Dosing.SEMI_AUTOMATIC,
            groups=1,
        ),
        installed_on=fitted_on,
        drinks_per_day=pace,
        parts=(part,),
    )
    (task,) = (task for task in tasks_at(machine, pace, with_rule(rule)) if task.rule == rule.id)
    return task


shares = st.floats(0, 1)
intervals = st.tuples(st.floats(0.5, 60), st.floats(0.5, 60))


@settings(deadline=None)
@given(days, paces, intervals, shares, shares)
def test_a_stricter_rule_never_relaxes_a_date(
    fitted_on: date, pace: float, months: tuple[float, float], early: float, late: float
) -> None:
    shorter, longer = sorted(months)
    lax = replace(
        CATALOGUE.rules["group_gasket_replace"],
        interval=Interval(months_by_drinks=((100, longer),)),
        early_share=early,
        late_share=late,
    )
    before = one_rule(lax, pace, fitted_on)
    for strict in (
        replace(lax, interval=Interval(months_by_drinks=((100, shorter),))),
        replace(lax, interval=Interval(months_by_drinks=((100, longer), (101, shorter)))),
        replace(lax, authority=Authority.MAKER),
        replace(lax, authority=Authority.MAKER, margin_days=30),
        replace(lax, authority=Authority.STATUTE, alone=True),
        replace(lax, limit=Limit(months=longer, authority=Authority.MAKER, source="invented")),
        replace(lax, late_share=late / 2),
    ):
        after = one_rule(strict, pace, fitted_on)
        assert after.target <= before.target
        assert after.latest <= before.latest


@settings(deadline=None)
@given(machines(), paces, st.sampled_from(sorted(CATALOGUE.rules)), st.floats(0.5, 240))
def test_no_decision_passes_the_law_or_a_makers_limit(
    machine: Machine, pace: float, rule_id: str, months: float
) -> None:
    rule = CATALOGUE.rules[rule_id]
    limit = longest_months(rule)
    decision = IntervalDecision(
        rule=rule_id,
        months=months,
        decided_by="A. Ferrer",
        decided_on=date(2026, 1, 10),
        reason="an example",
    )
    for task in tasks_at(machine, pace, decisions=(decision,)):
        if task.rule == rule_id and limit is not None:
            # A month has at most 31 days; part of a month is rounded down.
            assert (task.latest - task.anchor).days <= limit * 31
