from datetime import timedelta

from sqlmodel import select

from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.tables import ContractRow, DueTaskRow, SiteRow, VisitRow
from scheduler.catalogue import Authority, Catalogue
from tests.api.actions.conftest import NOW, TESTER


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


def test_no_planned_visit_fills_the_quiet_time_to_the_minute(
    database: Database, catalogue: Catalogue
) -> None:
    with database.write() as session:
        site = session.get_one(SiteRow, "si-1")
        site.quiet_hours = "Mo-Fr 09:00-11:30"
        session.add(site)

    raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    _, visits = rows(database)
    machine_off = [
        visit for visit in visits if visit["site_id"] == "si-1" and visit["window"] == "quiet"
    ]
    several = [visit for visit in machine_off if len(list(visit["headlines"])) > 1]  # type: ignore[call-overload]
    assert machine_off
    assert all(int(str(visit["minutes"])) <= 120 for visit in several)
