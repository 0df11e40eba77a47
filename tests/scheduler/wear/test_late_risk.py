from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.bundling import bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.duty import DutyClass
from scheduler.machines import FittedPart, Machine, WorkDone
from scheduler.upkeep import DueTask
from scheduler.wear.late_risk import LateRisk, good_since
from scheduler.wear.weibull import Weibull
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP

FITTED = date(2026, 1, 1)
TARGET = date(2027, 1, 1)
KIND = ("steam_valve", DutyClass.STANDARD)
MACHINE = Machine(
    id="m1",
    site="s1",
    name="Two groups",
    build=TWO_GROUP,
    installed_on=FITTED,
    drinks_per_day=180,
    parts=(FittedPart(id="v1", part_type="steam_valve", position="left", fitted_on=FITTED),),
)


def task(rule: str = "rebuild_steam_valve", part: str | None = "v1") -> DueTask:
    return DueTask(
        id=f"m1:{part}:{rule}",
        machine="m1",
        site="s1",
        rule=rule,
        fitted_part=part,
        anchor=FITTED,
        earliest=TARGET - timedelta(days=90),
        target=TARGET,
        latest=TARGET + timedelta(days=50),
        hard=False,
        because="",
    )


def test_the_risk_is_that_of_the_days_the_work_may_wait() -> None:
    # shape 1: the hazard is 1 / 1000 a day at any age; 50 days: (1 - exp(-0.05)) / 50
    law = Weibull(shape=1.0, scale=1000.0)
    risk = LateRisk(CATALOGUE, {KIND: law})
    assert risk.failures_a_day(task(), MACHINE) == pytest.approx(0.000975412, rel=1e-5)


def test_a_rebuilt_part_is_young_again() -> None:
    rebuilt = replace(
        MACHINE,
        history=(
            WorkDone(rule="rebuild_steam_valve", fitted_part="v1", done_on=date(2026, 12, 2)),
        ),
    )
    law = Weibull(shape=3.0, scale=500.0)
    risk = LateRisk(CATALOGUE, {KIND: law})
    assert good_since(rebuilt, CATALOGUE) == {"v1": date(2026, 12, 2)}
    # 365 days old when due, or 30
    assert risk.failures_a_day(task(), MACHINE) == pytest.approx(law.fails_within(365, 50) / 50)
    young = LateRisk(CATALOGUE, {KIND: law})
    assert young.failures_a_day(task(), rebuilt) == pytest.approx(law.fails_within(30, 50) / 50)


def test_nothing_is_said_of_other_work_and_other_duty() -> None:
    risk = LateRisk(CATALOGUE, {KIND: Weibull(shape=3.0, scale=500.0)})
    assert risk.failures_a_day(task(part=None), MACHINE) is None
    assert risk.failures_a_day(task(), replace(MACHINE, drinks_per_day=600)) is None
    assert LateRisk(CATALOGUE, {}).failures_a_day(task(), MACHINE) is None


def test_bundling_does_dangerous_work_sooner_than_harmless() -> None:
    """Two valves due forty days apart share a visit: near the first if it fails soon."""
    two = replace(
        MACHINE,
        parts=(*MACHINE.parts, replace(MACHINE.parts[0], id="v2", position="right")),
    )
    later = replace(
        task(part="v2"),
        earliest=TARGET - timedelta(days=10),
        target=TARGET + timedelta(days=40),
        latest=TARGET + timedelta(days=90),
    )

    def day(law: Weibull) -> date:
        bundling = bundle_site(
            [task(), later],
            [two],
            CATALOGUE,
            BundlingPolicy(),
            FITTED,
            TARGET + timedelta(days=365),
            laws={KIND: law},
        )
        (bundle,) = bundling.bundles
        return bundle.target

    assert day(Weibull(shape=4.0, scale=400.0)) == TARGET
    assert day(Weibull(shape=1.0, scale=1e6)) == TARGET + timedelta(days=40)
