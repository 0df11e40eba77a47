"""A recorded decision moves the work of the night; one for a machine outweighs one for all."""

from datetime import date, timedelta

import pytest
from sqlmodel import select

from api.actions.decide_intervals import WantedInterval, decide_interval, withdraw_decision
from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.interval_decisions import interval_decisions
from api.storage.tables import AuditRow, DueTaskRow
from scheduler.catalogue import Catalogue
from scheduler.errors import DecisionBeyondLimit
from tests.api.actions.conftest import NOW, TESTER


def targets(database: Database, catalogue: Catalogue) -> dict[str, date]:
    """Machine → the day its gasket is due, as the night's work leaves it."""
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        return {
            row.machine_id: row.target
            for row in session.exec(
                select(DueTaskRow).where(
                    DueTaskRow.rule == "group_gasket_replace", DueTaskRow.state == "open"
                )
            )
        }


def test_decisions_move_the_work_until_they_are_withdrawn(
    database: Database, catalogue: Catalogue
) -> None:
    def decide(months: float, machine: str | None = None) -> str:
        wanted = WantedInterval(
            rule="group_gasket_replace", months=months, reason="Wear says so.", machine=machine
        )
        return decide_interval(database, wanted, catalogue, now=NOW, origin=TESTER).id

    usual = targets(database, catalogue)
    # fitted on 2026-12-01
    everywhere = decide(3)
    assert targets(database, catalogue) == dict.fromkeys(("ma-1", "ma-2"), date(2027, 3, 1))
    here = decide(4, "ma-2")
    assert targets(database, catalogue) == {"ma-1": date(2027, 3, 1), "ma-2": date(2027, 4, 1)}

    for decision in (everywhere, here):
        withdraw_decision(database, decision, now=NOW, origin=TESTER, if_version=1)
    assert targets(database, catalogue) == usual
    with database.read() as session:
        assert interval_decisions(session) == ()
        verbs = [row.verb for row in session.exec(select(AuditRow)) if "decision" in row.subject]
    assert sorted(verbs) == ["decide", "decide", "withdraw", "withdraw"]


def test_beyond_the_maker_nothing_is_recorded(database: Database, catalogue: Catalogue) -> None:
    limit = catalogue.rules["steam_safety_valve_replace"].limit
    assert limit is not None
    wanted = WantedInterval(
        rule="steam_safety_valve_replace", months=limit.months + 1, reason="It looks fine."
    )
    with pytest.raises(DecisionBeyondLimit):
        decide_interval(database, wanted, catalogue, now=NOW + timedelta(days=1), origin=TESTER)
    with database.read() as session:
        assert interval_decisions(session) == ()
