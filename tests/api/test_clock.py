from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlmodel import select

from api.clock import Clock, NightlyJob
from api.storage.database import Database
from api.storage.tables import ClockClaimRow
from scheduler.catalogue import Catalogue
from seed_data.catalogue import load_catalogue
from tests.api.actions.conftest import fill

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


@pytest.fixture
def database(tmp_path: Path) -> Database:
    database = Database(f"sqlite:///{tmp_path / 'steamround.sqlite'}")
    database.create_or_upgrade()
    fill(database)
    return database


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
