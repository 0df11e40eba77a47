from datetime import date, datetime, timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state
from api.actions.look_ahead import visits_ahead
from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.documents import off_span
from api.storage.tables import AuditRow, ContractRow, DueTaskRow, FittedPartRow, SiteRow, VisitRow
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Authority, Catalogue
from scheduler.lifecycle import AppointmentState
from tests.api.actions.conftest import NOW, TESTER, TODAY


def rows(database: Database) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    with database.read() as session:
        tasks = session.exec(select(DueTaskRow).order_by(DueTaskRow.id)).all()
        visits = session.exec(select(VisitRow).order_by(VisitRow.id)).all()
    return [row.model_dump() for row in tasks], [row.model_dump() for row in visits]


def test_every_task_is_in_one_visit_and_says_why(database: Database, catalogue: Catalogue) -> None:
    raised = raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    tasks, visits = rows(database)
    assert len(tasks) == raised.tasks > 0
    assert {visit["state"] for visit in visits} == {"open"}
    wanted = {visit["id"] for visit in visits}
    assert {task["visit_id"] for task in tasks if task["visit_id"]} == wanted
    gasket = next(task for task in tasks if task["rule"] == "group_gasket_replace")
    assert "fitted on 2026-12-01" in str(gasket["because"])


def test_raising_twice_changes_nothing(database: Database, catalogue: Catalogue) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    first = rows(database)

    raise_due_work(database, catalogue, now=NOW + timedelta(hours=1), origin=TESTER)

    assert rows(database) == first


def test_a_contract_without_upkeep_is_sent_nobody_unasked(
    database: Database, catalogue: Catalogue
) -> None:
    with database.write() as session:
        contract = session.get_one(ContractRow, "ct-1")
        contract.upkeep_included = False
        session.add(contract)

    raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    tasks, visits = rows(database)
    assert {task["site_id"] for task in tasks} == {"si-2"} == {v["site_id"] for v in visits}


def test_a_contract_is_served_while_it_lasts_and_no_longer(
    database: Database, catalogue: Catalogue
) -> None:
    def raised(starts_on: date, ends_on: date | None) -> dict[object, dict[str, object]]:
        with database.write() as session:
            contract = session.get_one(ContractRow, "ct-1")
            contract.starts_on, contract.ends_on = starts_on, ends_on
            session.add(contract)
        raise_due_work(database, catalogue, now=NOW, origin=TESTER)
        tasks, visits = rows(database)
        open_sites = {visit["site_id"] for visit in visits if visit["state"] == "open"}
        ours = [each for each in tasks if each["site_id"] == "si-1" and each["state"] == "open"]
        assert ("si-1" in open_sites) == bool(ours)
        return {each["id"]: each for each in ours}

    with database.write() as session:  # a gasket whose turn comes some weeks after the other's
        session.add(
            FittedPartRow(
                id="pa-late", machine_id="ma-1", part_type="group_gasket", position="group 2",
                fitted_on=date(2026, 12, 20),
            )
        )  # fmt: skip
    long_ago = date(2025, 1, 1)
    everything = raised(long_ago, None)
    assert everything
    assert raised(long_ago, date(2027, 3, 21)) == {}  # it ended yesterday
    assert raised(TODAY + timedelta(days=60), None) == {}  # it begins beyond the look ahead
    assert set(raised(TODAY, None)) == set(everything)

    last_day = date(2027, 3, 30)
    still_due = raised(long_ago, last_day)
    in_time = {key for key, task in everything.items() if str(task["target"]) <= str(last_day)}
    assert set(still_due) == in_time
    assert 0 < len(in_time) < len(everything)
    assert all(str(task["latest"]) <= str(last_day) for task in still_due.values())


def test_the_nightly_line_counts_appointments_nobody_reported(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        visit = session.exec(select(VisitRow.id).where(VisitRow.site_id == "si-1")).first()
    assert visit is not None
    row = book_by_hand(database, visit, "te-1", NOW, catalogue, now=NOW, origin=TESTER)

    def counted(now: datetime) -> tuple[int, object]:
        raised = raise_due_work(database, catalogue, now=now, origin=TESTER)
        with database.read() as session:
            lines = session.exec(select(AuditRow).where(AuditRow.verb == "raise")).all()
        (line,) = [line for line in lines if line.at == now]
        assert line.after is not None
        return raised.unreported, line.after["unreported"]

    night = row.ends_at + timedelta(hours=12)
    assert counted(night - timedelta(seconds=1)) == (0, 0)
    assert counted(night) == (1, 1)
    change_state(database, row.id, AppointmentState.CANCELLED, catalogue, now=night, origin=TESTER)
    assert counted(night + timedelta(hours=1)) == (0, 0)


def test_statutory_work_belongs_to_contracts_that_include_it(
    database: Database, catalogue: Catalogue
) -> None:
    def statutory() -> set[object]:
        tasks, _ = rows(database)
        return {
            task["site_id"]
            for task in tasks
            if catalogue.rules[str(task["rule"])].authority is Authority.STATUTE
        }

    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    assert statutory() == set()

    with database.write() as session:
        contract = session.get_one(ContractRow, "ct-1")
        contract.statutory_included = True
        session.add(contract)
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    assert statutory() == {"si-1"}


VALVES = ("steam_valve", "vacuum_relief_valve", "steam_safety_valve", "level_probe")


def give_valves(database: Database, *, quiet: str, access: str) -> None:
    """Set the hours of the first site; its machine has four parts that are overdue."""
    with database.write() as session:
        site = session.get_one(SiteRow, "si-1")
        site.quiet_hours, site.access_hours = quiet, access
        session.add(site)
        session.add_all(
            FittedPartRow(
                id=f"pa-{part}", machine_id="ma-1", part_type=part, position=part,
                fitted_on=date(2025, 3, 1),
            )
            for part in VALVES
        )  # fmt: skip


def test_no_work_with_a_machine_off_fills_the_quiet_time_to_the_minute(
    database: Database, catalogue: Catalogue
) -> None:
    """Two hours and a half of quiet, two of them used; a visit begins and ends in access hours."""
    give_valves(database, quiet="Mo-Fr 09:00-11:30", access="Mo-Fr 08:00-17:00")

    raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    with database.read() as session:
        several = [
            visit
            for visit in session.exec(select(VisitRow).where(VisitRow.site_id == "si-1"))
            if len(visit.headlines) > 1
        ]
    off = {visit.id: off_span(visit.worksheet) or (0, 0) for visit in several}
    assert max(end - begin for begin, end in off.values()) <= 120
    assert max(visit.minutes for visit in several) > 120


@pytest.mark.parametrize(
    ("access", "visits"),
    [
        # the machine is off for two hours at most of a visit of more, which access hours leave room
        # for or not: the gasket then shares a visit, or has its own
        ("Mo-Fr 08:00-17:00", 5),
        ("Mo-Fr 09:00-11:30", 6),
    ],
)
def test_the_year_ahead_parts_the_work_of_a_site_as_raising_does(
    database: Database, catalogue: Catalogue, access: str, visits: int
) -> None:
    give_valves(database, quiet="Mo-Fr 09:00-11:30", access=access)
    with database.read() as session:
        first, *_ = visits_ahead(session, catalogue, today=TODAY, policy=BundlingPolicy())

    raised = raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    assert (first.tasks, first.visits) == (raised.tasks, raised.visits) == (6, visits)
    assert first.cost_minutes == pytest.approx(raised.cost_minutes)
    assert first.separate_minutes == pytest.approx(raised.separate_cost_minutes)
