"""The small company with vans that were counted, and visits that use up parts."""

from datetime import timedelta

from sqlmodel import select

from api.actions.judge_slots import judge_slot
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.solving import solve_plan
from api.actions.stock import count_stock
from api.storage.database import Database
from api.storage.documents import unpack_problem, worksheet_to_json
from api.storage.tables import (
    AppointmentRow,
    FeedDocumentRow,
    FeedKind,
    PlanRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.hand_moves import Breach
from scheduler.routing.checker import check
from scheduler.routing.plan import Plan, plan_from_json
from scheduler.routing.problem import Problem
from scheduler.worksheet import Worksheet
from tests.api.actions.conftest import NOW, TESTER, TODAY

GASKET, WAND = "group_gasket", "steam_wand"
REQUEST = PlanRequest(first_day=TODAY, days=5, iterations=200, seed=7)


def add_visit(database: Database, name: str, *, day: int, minutes: int = 60, **parts: int) -> None:
    """Store an open visit at the first site that can be made on one day only."""
    on = TODAY + timedelta(days=day)
    sheet = Worksheet(
        steps=(), minutes=60, minutes_p80=75, machine_back_minutes={}, needs_off=False,
        skills=frozenset({"espresso"}), parts=parts, tools=(), cautions=(), because="",
    )  # fmt: skip
    with database.write() as session:
        session.add(
            VisitRow(
                id=name, site_id="si-1", kind="statutory", window="access", minutes=minutes,
                skills=["espresso"], parts=parts, earliest=on, target=on, latest=on,
                hard_latest=on, headlines=["gaskets"], worksheet=worksheet_to_json(sheet),
            )
        )  # fmt: skip


def only_the_first_works(database: Database) -> None:
    with database.write() as session:
        session.get_one(TechnicianRow, "te-2").active = False


def counted(database: Database, catalogue: Catalogue, place: str, **pieces: int) -> None:
    count_stock(database, place, pieces, catalogue, now=NOW, origin=TESTER)


def drafted(database: Database, catalogue: Catalogue) -> tuple[PlanRow, Problem, Plan]:
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    assert claim_plan(database, holder="me", now=NOW) == row.id
    row = solve_plan(
        database, row.id, holder="me", clock=lambda: NOW, part_names=catalogue.part_names
    )
    assert (row.state, row.failure) == ("draft", None)
    assert row.problem is not None
    problem, plan = unpack_problem(row.problem), plan_from_json(row.solution)
    assert check(problem, plan) == ()
    return row, problem, plan


def appointments(database: Database) -> dict[str, AppointmentRow]:
    with database.read() as session:
        rows = session.exec(select(AppointmentRow).where(AppointmentRow.state != "cancelled"))
        return {row.visit_id: row for row in rows}


def published(database: Database, catalogue: Catalogue) -> dict[str, AppointmentRow]:
    row, _, _ = drafted(database, catalogue)
    publish_plan(database, row.id, catalogue, now=NOW, origin=TESTER)
    return appointments(database)


def calendar(database: Database, technician: str) -> str:
    with database.read() as session:
        found = session.get_one(FeedDocumentRow, (FeedKind.TECHNICIAN, technician))
        return found.body.decode().replace("\r\n ", "").replace("\\n", "\n").replace("\\", "")


def breaches(database: Database, catalogue: Catalogue, row: AppointmentRow) -> list[Breach]:
    with database.read() as session:
        return [broken.breach for broken in judge_slot(session, row, catalogue)]
