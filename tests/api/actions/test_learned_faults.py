"""Causes found at callbacks correct the rates that triage ranks by."""

from datetime import timedelta

import pytest

from api.actions.take_callback import FaultReport, take_callback
from api.storage.confirmed_causes import confirmed_causes
from api.storage.database import Database
from api.storage.documents import finding_from_json
from api.storage.tables import CallbackRow
from scheduler.catalogue import Catalogue
from scheduler.triage import learned_rate, learned_rates
from tests.api.actions.conftest import NOW, TESTER


def ended(database: Database, *causes: str | None) -> None:
    """Callbacks of the last year, with what was found."""
    with database.write() as session:
        for n, cause in enumerate(causes):
            session.add(
                CallbackRow(
                    id=f"cb-{n}",
                    client_id="cl-1",
                    site_id="si-1",
                    machine_id="ma-1",
                    reported_at=NOW - timedelta(days=365 - n),
                    symptoms=[],
                    urgency="impaired",
                    finding={},
                    cause=cause,
                    state="done",
                )
            )


def test_machine_years_count_in_the_share_of_callbacks_with_a_cause(database: Database) -> None:
    ended(database, "group_gasket_worn", "group_gasket_worn", "steam_valve_leaks", None)
    with database.read() as session:
        causes = confirmed_causes(session, now=NOW)
    assert causes.found == {"group_gasket_worn": 2, "steam_valve_leaks": 1}
    # two machines of one build, 365 days each, three of four callbacks with a cause
    (years,) = causes.machine_years.values()
    assert years == pytest.approx(0.75 * 2 * 365 / 365.25)


def test_without_causes_the_catalogue_speaks(database: Database, catalogue: Catalogue) -> None:
    ended(database, None, None)
    with database.read() as session:
        causes = confirmed_causes(session, now=NOW)
    assert (causes.found, causes.machine_years) == ({}, {})
    assert learned_rates({}, {}, catalogue) == {
        fault.id: pytest.approx(fault.per_machine_year) for fault in catalogue.faults.values()
    }


def test_what_was_found_often_is_thought_of_first_the_next_time(
    database: Database, catalogue: Catalogue
) -> None:
    def likeliest(machine: str) -> dict[str, float]:
        row = take_callback(
            database,
            FaultReport(machine=machine, symptoms=("steam_weak",)),
            catalogue,
            now=NOW,
            origin=TESTER,
        )
        finding = finding_from_json(row.finding)
        return {fault.fault: fault.probability for fault in finding.likely_faults}

    before = likeliest("ma-1")
    rare = min(before, key=lambda fault: before[fault])
    ended(database, *[rare] * 40)
    after = likeliest("ma-2")  # the same build, as old

    assert after[rare] > 2 * before[rare]
    fault = catalogue.faults[rare]
    assert learned_rate(fault, 40, 2.0) == pytest.approx((fault.per_machine_year * 20 + 40) / 22)
