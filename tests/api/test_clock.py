import logging
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from api.actions.planning import PlanRequest, request_plan
from api.actions.raise_due_work import raise_due_work
from api.clock import Clock, NightlyJob
from api.storage.database import Database
from api.storage.tables import ClockClaimRow, HoldRow, PlanRow
from scheduler.catalogue import Catalogue
from scheduler.routing.loading import load_kernel
from seed_data.catalogue import load_catalogue
from tests.api.actions.conftest import NOW, TESTER, TODAY, fill
from tests.api.actions.test_booking import visit
from tests.api.conftest import copy_of, sqlite_file

PARIS = "Europe/Paris"


class Hand:
    """A clock's hand, turned by the test."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


class Ledger:
    """Writes down when a job ran."""

    def __init__(self) -> None:
        self.runs: list[datetime] = []

    def __call__(self, database: Database, catalogue: Catalogue, now: datetime) -> None:
        self.runs.append(now)


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def small_company(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sqlite_file(tmp_path_factory.mktemp("small_company"), fill)


@pytest.fixture
def database(small_company: Path, tmp_path: Path) -> Iterator[Database]:
    with copy_of(small_company, tmp_path) as database:
        yield database


@pytest.mark.parametrize(
    ("at", "day", "slot"),
    [
        # spring: the clocks jump from 02:00 to 03:00 on 28 March 2027, at 01:00 UTC
        (time(1, 30), (2027, 3, 28), datetime(2027, 3, 28, 0, 30, tzinfo=UTC)),
        (time(2, 30), (2027, 3, 28), datetime(2027, 3, 28, 1, 0, tzinfo=UTC)),
        (time(3, 30), (2027, 3, 28), datetime(2027, 3, 28, 1, 30, tzinfo=UTC)),
        # autumn: 02:30 comes twice on 31 October 2027; the first is 00:30 UTC
        (time(2, 30), (2027, 10, 31), datetime(2027, 10, 31, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_slot_is_the_local_time_on_clock_change_nights(
    at: time, day: tuple[int, int, int], slot: datetime
) -> None:
    job = NightlyJob(name="x", at=at, run=Ledger())
    noon = datetime(*day, 12, tzinfo=UTC)
    assert job.latest_slot(noon, PARIS) == slot


@pytest.mark.parametrize("month", [3, 10])
def test_a_job_runs_once_a_night_through_a_clock_change(
    database: Database, catalogue: Catalogue, month: int
) -> None:
    last_sunday = datetime(2027, month, 28 if month == 3 else 31, tzinfo=UTC)
    hand, ledger = Hand(last_sunday - timedelta(days=2, hours=-12)), Ledger()
    job = NightlyJob(name="x", at=time(2, 30), run=ledger)
    clocks = [Clock(database, catalogue, tell_time=hand, jobs=(job,)) for _ in range(2)]

    first = hand.now
    while hand.now < first + timedelta(days=4):
        for clock in clocks:
            clock.run_due_jobs()
        hand.now += timedelta(minutes=30)

    # the night before the first look, which is caught up on, and the four nights after it
    assert len(ledger.runs) == 5
    assert len({run.date() for run in ledger.runs}) == 5


def test_missed_nights_are_caught_up_on_once(database: Database, catalogue: Catalogue) -> None:
    hand, ledger = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC)), Ledger()
    clock = Clock(
        database, catalogue, tell_time=hand, jobs=(NightlyJob(name="x", at=time(2), run=ledger),)
    )
    clock.run_due_jobs()
    hand.now += timedelta(days=9)

    assert clock.run_due_jobs() == ("x",)
    assert clock.run_due_jobs() == ()
    assert len(ledger.runs) == 2


def test_a_job_whose_clock_died_is_taken_over(database: Database, catalogue: Catalogue) -> None:
    hand, ledger = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC)), Ledger()
    job = NightlyJob(name="x", at=time(2), run=ledger)
    with database.write() as session:
        session.add(
            ClockClaimRow(
                job="x",
                slot=job.latest_slot(hand.now, PARIS),
                holder="dead",
                claimed_at=hand.now,
                lease_until=hand.now + timedelta(minutes=15),
            )
        )
    clock = Clock(database, catalogue, tell_time=hand, jobs=(job,))

    assert clock.run_due_jobs() == ()
    hand.now += timedelta(minutes=16)
    assert clock.run_due_jobs() == ("x",)


def test_a_job_that_fails_is_recorded_and_stops_nothing(
    database: Database, catalogue: Catalogue
) -> None:
    def fail(database: Database, catalogue: Catalogue, now: datetime) -> None:
        raise RuntimeError("the lamp is broken")

    ledger = Ledger()
    jobs = (
        NightlyJob(name="a", at=time(2), run=fail),
        NightlyJob(name="b", at=time(2), run=ledger),
    )
    hand = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC))

    Clock(database, catalogue, tell_time=hand, jobs=jobs).run_due_jobs()

    assert len(ledger.runs) == 1
    with database.read() as session:
        failures = {row.job: row.failure for row in session.exec(select(ClockClaimRow))}
    assert failures == {"a": "RuntimeError: the lamp is broken", "b": None}


def test_a_job_waits_until_another_clock_has_ended_the_one_it_builds_on(
    database: Database, catalogue: Catalogue
) -> None:
    begun, go_on, ledger = threading.Event(), threading.Event(), Ledger()

    def raise_slowly(database: Database, catalogue: Catalogue, now: datetime) -> None:
        begun.set()
        assert go_on.wait(30)

    jobs = (
        NightlyJob(name="raise", at=time(1, 30), run=raise_slowly),
        NightlyJob(name="draft", at=time(2, 30), run=ledger, after="raise"),
    )
    hand = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC))
    slow, quick = (Clock(database, catalogue, tell_time=hand, jobs=jobs) for _ in range(2))
    at_work = threading.Thread(target=slow.run_due_jobs)
    at_work.start()
    assert begun.wait(30)

    before = quick.run_due_jobs()
    go_on.set()
    at_work.join()
    after = quick.run_due_jobs()

    # whichever clock was there first when the first job had ended has run the second, once
    assert before == ()
    assert after == ()
    assert len(ledger.runs) == 1


def test_a_job_runs_even_when_the_one_it_builds_on_has_failed(
    database: Database, catalogue: Catalogue
) -> None:
    def fail(database: Database, catalogue: Catalogue, now: datetime) -> None:
        raise RuntimeError("the lamp is broken")

    jobs = (
        NightlyJob(name="raise", at=time(1, 30), run=fail),
        NightlyJob(name="draft", at=time(2, 30), run=Ledger(), after="raise"),
    )
    hand = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC))

    assert Clock(database, catalogue, tell_time=hand, jobs=jobs).run_due_jobs() == (
        "raise",
        "draft",
    )


def test_a_clock_without_a_company_says_so_once_and_begins_when_there_is_one(
    tmp_path: Path, catalogue: Catalogue, caplog: pytest.LogCaptureFixture
) -> None:
    database = Database(f"sqlite:///{tmp_path / 'empty.sqlite'}")
    database.create_or_upgrade()
    hand = Hand(datetime(2027, 3, 22, 12, tzinfo=UTC))
    job = NightlyJob(name="x", at=time(2), run=Ledger())
    clock = Clock(database, catalogue, tell_time=hand, jobs=(job,))

    with caplog.at_level(logging.INFO):
        assert [clock.run_due_jobs() for _ in range(3)] == [(), (), ()]
    said = [record.getMessage() for record in caplog.records]
    fill(database)

    assert said == ["no company is loaded yet: nightly jobs wait for `steamround seed`"]
    assert clock.run_due_jobs() == ("x",)


def test_stopping_gives_the_run_in_hand_back_at_once(
    database: Database, catalogue: Catalogue
) -> None:
    load_kernel()  # compiling is not what is stopped here
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    an_hour = PlanRequest(first_day=TODAY, days=5, seconds=3600)
    plan = request_plan(database, an_hour, now=NOW, origin=TESTER)
    clock = Clock(database, catalogue, tell_time=Hand(NOW), jobs=())

    def solving() -> bool:
        with database.read() as session:
            return session.get_one(PlanRow, plan.id).best_cost is not None

    clock.start()
    try:
        for _ in range(600):
            if solving():
                break
            threading.Event().wait(0.1)
        assert solving()
    finally:
        clock.stop()  # or an hour passes before the tests end

    with database.read() as session:
        row = session.get_one(PlanRow, plan.id)
    assert (row.state, row.holder, row.lease_until) == ("queued", None, None)
    assert not [each.name for each in threading.enumerate() if "APScheduler" in each.name]


def test_a_hold_that_has_run_out_is_written_down_by_whichever_clock_is_first(
    database: Database, catalogue: Catalogue
) -> None:
    hand = Hand(NOW + timedelta(minutes=10))
    with database.write() as session:
        session.add(visit("v1", "si-1"))
        for name, minutes in (("over", 10), ("lives", 11)):
            session.add(
                HoldRow(
                    id=name, client_id="cl-1", visit_id="v1", technician_id="te-1",
                    starts_at=NOW, ends_at=NOW + timedelta(hours=1), arrive_from=NOW,
                    arrive_until=NOW, travel_minutes=0, created_at=NOW,
                    expires_at=NOW + timedelta(minutes=minutes),
                )
            )  # fmt: skip
    clocks = [Clock(database, catalogue, tell_time=hand) for _ in range(2)]
    assert [clock.expire_holds() for clock in clocks] == [1, 0]
    with database.read() as session:
        assert session.get_one(HoldRow, "over").state == "expired"
        assert session.get_one(HoldRow, "lives").state == "held"
