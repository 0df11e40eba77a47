"""Any order of reporting, offering, holding, booking, moving, cancelling, expiring and planning."""

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)
from sqlmodel import col, select

from api.actions.booking import book_hold, cancel_with_notice, move_to_hold
from api.actions.holding import expire_holds, hold_time, release_hold, state_of
from api.actions.offering import offer_times
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.solving import solve_plan
from api.actions.take_callback import FaultReport, take_callback
from api.storage.database import Database
from api.storage.joined import JoinedDatabase
from api.storage.open_work import LIVE
from api.storage.scope import EVERYTHING, Scope
from api.storage.tables import AppointmentRow, HoldRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.errors import (
    Conflict,
    HeldForClient,
    HoldOver,
    MoveNotAllowed,
    NoticeTooShort,
    TooManyHolds,
)
from scheduler.working_time import local_date
from seed_data.catalogue import load_catalogue
from tests.api.actions import contention
from tests.api.actions.conftest import NOW, TESTER, ZONE, fill
from tests.api.actions.test_booking import visit

_CLIENTS = {"si-1": Scope(client="cl-1"), "si-2": Scope(client="cl-2")}


class Crash(Exception):
    """The process ends in the middle of a transaction."""


@dataclass
class Held:
    """What a client was told about a hold."""

    id: str
    visit: str
    scope: Scope
    technician: str
    starts_at: datetime
    expires_at: datetime


class CalendarMachine(RuleBasedStateMachine):
    """Clients, a dispatcher and the clock at one calendar.

    ``fresh_database`` gives another one in which nothing is booked yet.
    """

    fresh_database: Any
    catalogue: Catalogue

    visits = Bundle("visits")
    holds = Bundle("holds")
    appointments = Bundle("appointments")

    def __init__(self) -> None:
        super().__init__()
        self.database: Database = type(self).fresh_database()
        self.now = NOW
        self.promises: dict[str, tuple[str, datetime]] = {}
        self.sites: dict[str, str] = {}
        self._numbers = count()

    def teardown(self) -> None:
        self.database.close()

    @rule(target=visits, site=st.sampled_from(["si-1", "si-2"]), minutes=st.sampled_from([30, 90]))
    def raise_work(self, site: str, minutes: int) -> str:
        name = f"v{next(self._numbers)}"
        with self.database.write() as session:
            session.add(visit(name, site, minutes=minutes))
        self.sites[name] = site
        return name

    @rule(target=visits, machine=st.sampled_from(["ma-1", "ma-2"]))
    def report(self, machine: str) -> Any:
        row = take_callback(
            self.database,
            FaultReport(machine=machine, symptoms=("steam_weak",)),
            self.catalogue,
            now=self.now,
            origin=TESTER,
        )
        assert row.visit_id is not None
        if row.visit_id in self.sites:
            return multiple()  # it joined the callback that is open
        self.sites[row.visit_id] = row.site_id
        return row.visit_id

    @rule(target=holds, name=visits, choice=st.integers(0, 5))
    def offer_and_hold(self, name: str, choice: int) -> Any:
        scope = _CLIENTS[self.sites[name]]
        try:
            with self.database.read() as session:
                offered = offer_times(session, name, now=self.now, scope=scope).offers
        except Conflict:
            return multiple()  # the visit is over
        if not offered:
            return multiple()
        offer = offered[choice % len(offered)]
        try:
            row = hold_time(
                self.database, name, offer.arrive_from, now=self.now, origin=TESTER, scope=scope
            )
        except TooManyHolds:
            return multiple()  # the only reason why what has just been offered cannot be held
        assert (row.technician_id, row.starts_at) == (offer.technician, offer.starts_at)
        return Held(
            id=row.id,
            visit=name,
            scope=scope,
            technician=row.technician_id,
            starts_at=row.starts_at,
            expires_at=row.expires_at,
        )

    @rule(target=appointments, held=holds)
    def book(self, held: Held) -> Any:
        with self.database.read() as session:
            live = state_of(session.get_one(HoldRow, held.id), self.now) == "held"
            free = session.get_one(VisitRow, held.visit).state == "open"
        try:
            row = self._book(self.database, held)
        except HoldOver:
            assert not live
            return multiple()
        except Conflict:
            assert live
            assert not free
            return multiple()
        assert live  # a hold that lives can always be booked, whatever happened since
        assert free
        self.promises[row.id] = (row.technician_id, row.starts_at)
        return row.id

    @rule(held=holds)
    def crash_while_booking(self, held: Held) -> None:
        with suppress(Crash, Conflict), self.database.write() as session:
            self._book(JoinedDatabase(self.database, session), held)
            raise Crash

    def _book(self, database: Database, held: Held) -> AppointmentRow:
        return book_hold(
            database, held.id, self.catalogue, now=self.now, origin=TESTER, scope=held.scope
        )

    @rule(name=appointments, held=holds)
    def move(self, name: str, held: Held) -> None:
        with self.database.read() as session:
            if session.get_one(AppointmentRow, name).visit_id != held.visit:
                return
        with suppress(HoldOver, NoticeTooShort, MoveNotAllowed):
            row = move_to_hold(
                self.database, name, held.id, self.catalogue, now=self.now, origin=TESTER,
                scope=held.scope,
            )  # fmt: skip
            assert (row.technician_id, row.starts_at) == (held.technician, held.starts_at)
            self.promises[name] = (row.technician_id, row.starts_at)

    @rule(name=consumes(appointments))
    def cancel(self, name: str) -> None:
        with suppress(MoveNotAllowed):
            cancel_with_notice(
                self.database, name, self.catalogue, now=self.now, origin=TESTER, scope=EVERYTHING
            )
        self.promises.pop(name, None)

    @rule(held=consumes(holds))
    def release(self, held: Held) -> None:
        release_hold(self.database, held.id, now=self.now, origin=TESTER, scope=held.scope)

    @rule(minutes=st.sampled_from([1, 9, 10, 45]), tidy=st.booleans())
    def time_goes_by(self, minutes: int, tidy: bool) -> None:
        self.now += timedelta(minutes=minutes)
        if tidy:
            expire_holds(self.database, now=self.now)

    @rule()
    def plan_anew(self) -> None:
        first_day = local_date(self.now, ZONE) + timedelta(days=1)
        request = PlanRequest(first_day=first_day, days=3, iterations=20)
        plan = request_plan(self.database, request, now=self.now, origin=TESTER).id
        claim_plan(self.database, holder="machine", now=self.now)
        solve_plan(self.database, plan, holder="machine", clock=lambda: self.now)
        with suppress(HeldForClient):  # it may want time that is held
            publish_plan(self.database, plan, self.catalogue, now=self.now, origin=TESTER)

    @invariant()
    def nobody_is_in_two_places(self) -> None:
        assert contention.double_bookings(self.database, self.now) == []
        assert contention.visits_booked_twice(self.database) == []
        assert contention.two_at_one_site(self.database, self.now) == []
        assert contention.rounds_too_tight(self.database, self.now) == []

    @invariant()
    def promises_stand(self) -> None:
        with self.database.read() as session:
            rows = session.exec(
                select(AppointmentRow)
                .where(col(AppointmentRow.id).in_(self.promises))
                .where(col(AppointmentRow.state).in_(LIVE))
            ).all()
        assert {row.id: (row.technician_id, row.starts_at) for row in rows} == self.promises


def test_on_sqlite(small_company: Path, tmp_path: Path) -> None:
    numbers = count()

    def fresh() -> Database:
        copy = tmp_path / f"{next(numbers)}.sqlite"
        copy.write_bytes(small_company.read_bytes())
        return Database(f"sqlite:///{copy}")

    _run(fresh, examples=8)


def test_on_postgresql(postgresql_server: Any) -> None:
    numbers = count()

    def url(name: str) -> str:
        return str(postgresql_server.get_uri(name)).replace("postgresql:", "postgresql+psycopg:")

    postgresql_server.psql("CREATE DATABASE machine_template;")
    template = Database(url("machine_template"))
    template.create_or_upgrade()
    fill(template)
    template.close()

    def fresh() -> Database:
        name = f"machine_{next(numbers)}"
        postgresql_server.psql(f"CREATE DATABASE {name} TEMPLATE machine_template;")
        return Database(url(name))

    _run(fresh, examples=4)


def _run(fresh: Any, *, examples: int) -> None:
    class Machine(CalendarMachine):
        fresh_database = staticmethod(fresh)
        catalogue = load_catalogue()

    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        Machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=12,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
