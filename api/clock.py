"""The clock process: nightly jobs, and the solving of plans that were asked for.

APScheduler only ticks, in UTC. What a tick does is decided here: each job has a local time of day,
its slot is worked out anew for every date, so no night is skipped or doubled when the clocks
change, and whoever inserts the slot's row into ``clock_claim`` runs it. Any number of clocks can
share a database.
"""

import logging
import os
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy import update
from sqlalchemy.exc import IntegrityError
from sqlmodel import col

from api.actions.absence_calendars import read_next_calendar
from api.actions.calendars import refresh_all_calendars
from api.actions.calibrate_travel import calibrate_travel
from api.actions.follow_catalogue import follow_catalogue
from api.actions.holding import expire_holds
from api.actions.keep_roads import keep_roads
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.solving import solve_plan
from api.outbox.relay import Relay
from api.outbox.sending import Sender
from api.present import TellTime, present
from api.road_service import RoadService
from api.storage.audit import Origin
from api.storage.catalogue_edits import KnownCatalogue, last_edit
from api.storage.database import Database
from api.storage.deliveries import forget_before
from api.storage.replies import forget_old_replies
from api.storage.snapshots import company_zone
from api.storage.tables import ClockClaimRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, Conflict
from scheduler.working_time import instant_at, local_date

log = logging.getLogger("steamround.clock")

_LEASE = timedelta(minutes=15)
"""A job that has not ended by then is taken for dead and run again."""

_CATCH_UP = timedelta(hours=36)
"""How long a slot nobody ran stays worth running; only the latest one is."""

_ONE_DAY = timedelta(days=1)

_EVENTS_KEPT_FOR = timedelta(days=30)
"""How long an event can be replayed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something done once for each of its slots, whichever clock is faster."""

    name: str
    run: Callable[[Database, Catalogue, datetime], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class NightlyJob(Job):
    """Something done once a day at a wall-clock time of the company."""

    at: time
    after: str | None = None
    """The job whose work it builds on: it waits until that one has ended, well or badly."""

    def latest_slot(self, now: datetime, zone: str) -> datetime:
        """Return the last instant, not after ``now``, at which the job was due."""
        day = local_date(now, zone)
        slot = instant_at(datetime.combine(day, self.at), zone)
        return slot if slot <= now else instant_at(datetime.combine(day - _ONE_DAY, self.at), zone)


def _raise(database: Database, catalogue: Catalogue, now: datetime) -> None:
    raise_due_work(database, catalogue, now=now, origin=Origin(actor="clock"))


def _follow(database: Database, catalogue: Catalogue, now: datetime) -> None:
    follow_catalogue(database, catalogue, now=now, origin=Origin(actor="clock"))


def _draft(database: Database, catalogue: Catalogue, now: datetime) -> None:
    with database.read() as session:
        tomorrow = local_date(now, company_zone(session)) + _ONE_DAY
    request_plan(database, PlanRequest(first_day=tomorrow), now=now, origin=Origin(actor="clock"))


def _calibrate(database: Database, _catalogue: Catalogue, now: datetime) -> None:
    calibrate_travel(database, now=now)


def _forget(database: Database, _catalogue: Catalogue, now: datetime) -> None:
    forget_old_replies(database, now=now)


def _forget_events(database: Database, _catalogue: Catalogue, now: datetime) -> None:
    with database.write() as session:
        forget_before(session, now - _EVENTS_KEPT_FOR)


NIGHTLY_JOBS = (
    NightlyJob(name="turn calendars", at=time(0, 5), run=refresh_all_calendars),
    NightlyJob(name="forget old replies", at=time(0, 30), run=_forget),
    NightlyJob(name="forget old events", at=time(0, 35), run=_forget_events),
    NightlyJob(name="calibrate travel", at=time(1, 0), run=_calibrate),
    NightlyJob(name="raise due work", at=time(1, 30), run=_raise),
    NightlyJob(name="draft tomorrow's plan", at=time(2, 30), run=_draft, after="raise due work"),
)


class Clock:
    """Ticks in background threads of this process until it is stopped.

    Parameters
    ----------
    tell_time : the present instant, UTC.
    sender : how events leave the house; by default only to the public internet.
    roads : who is asked for ways by road; without it travel is estimated.
    planning_threads : how many searches work on one plan at once.
    """

    def __init__(
        self,
        database: Database,
        shipped_catalogue: Catalogue,
        *,
        tell_time: TellTime = present,
        jobs: tuple[NightlyJob, ...] = NIGHTLY_JOBS,
        sender: Sender | None = None,
        roads: RoadService | None = None,
        planning_threads: int = 1,
    ) -> None:
        self._database, self._known = database, KnownCatalogue(shipped_catalogue)
        self._roads, self._planning_threads = roads, planning_threads
        self._tell_time, self._jobs = tell_time, jobs
        self.holder = f"{socket.gethostname()}/{os.getpid()}/{threading.get_ident()}"
        self._relay = Relay(database, sender or Sender(tell_time=present), tell_time=tell_time)
        self._ticker = BackgroundScheduler(timezone=UTC)
        self._stopping = threading.Event()
        self._said_nothing_is_loaded = False

    def start(self) -> None:
        """Begin to tick."""
        for name, seconds, tick in (
            ("jobs", 20, self.run_due_jobs),
            ("catalogue", 5, self.follow_edits),
            ("plans", 1, self.solve_next),
            ("events", 1, self._relay.tick),
            ("holds", 30, self.expire_holds),
            ("absence calendars", 20, self.read_next_calendar),
            ("roads", 60, self.keep_roads),
        ):
            self._ticker.add_job(
                tick,
                "interval",
                seconds=seconds,
                id=name,
                next_run_time=datetime.now(UTC),  # the ticker lives by the real time
                coalesce=True,
                max_instances=1,
                misfire_grace_time=None,
            )
        self._ticker.start()

    def stop(self) -> None:
        """Stop ticking; a run that is being solved is given back for another clock to take."""
        self._stopping.set()
        self._relay.stop()
        self._ticker.shutdown(wait=True)

    def run_due_jobs(self) -> tuple[str, ...]:
        """Run every job whose latest slot nobody has taken; return their names."""
        now, zone = self._tell_time(), self._zone()
        if zone is None:
            return ()
        slots = {job.name: job.latest_slot(now, zone) for job in self._jobs}
        ran = []
        for job in self._jobs:
            slot = slots[job.name]
            if self._stopping.is_set() or now - slot > _CATCH_UP:
                continue
            if job.after is not None and not self._has_ended(job.after, slots[job.after]):
                continue  # a later tick looks again
            if self._claim(job, slot, now):
                self._run(job, slot, now)
                ran.append(job.name)
        return tuple(ran)

    def follow_edits(self) -> str | None:
        """Bring due work up to date with the last edit of the catalogue, if nobody has; its id.

        However old it is: booked worksheets have its cautions from nobody else.
        """
        now = self._tell_time()
        with self._database.read() as session:
            edit = last_edit(session)
        if edit is None or self._zone() is None:
            return None
        job = Job(name=f"follow catalogue edit {edit.id}", run=_follow)
        if self._has_ended(job.name, edit.made_at) or not self._claim(job, edit.made_at, now):
            return None
        self._run(job, edit.made_at, now)
        return edit.id

    def expire_holds(self) -> int:
        """Write down which holds have run out; any number of clocks may do it at once."""
        return expire_holds(self._database, now=self._tell_time())

    def solve_next(self) -> str | None:
        """Solve the oldest plan that waits, if any; return its id."""
        plan_id = claim_plan(self._database, holder=self.holder, now=self._tell_time())
        if plan_id is None:
            return None
        try:
            solve_plan(
                self._database,
                plan_id,
                holder=self.holder,
                clock=self._tell_time,
                should_stop=self._stopping.is_set,
                threads=self._planning_threads,
                part_names=self._known.of(self._database).part_names,
            )
        except Exception:
            log.exception("plan %s failed", plan_id)
        return plan_id

    def read_next_calendar(self) -> str | None:
        """Fetch the technician's calendar that has waited longest, if any is due; return its id."""
        try:
            return read_next_calendar(self._database, now=self._tell_time())
        except Exception:  # its address may stand in a traceback: it is a secret
            log.error("reading a technician's calendar failed")
            return None

    def keep_roads(self) -> int:
        """Ask the road service for what is missing or old, for a while; return the pairs asked."""
        try:
            return keep_roads(
                self._database,
                self._roads,
                holder=self.holder,
                clock=self._tell_time,
                should_stop=self._stopping.is_set,
            )
        except Exception:
            log.exception("keeping the ways by road failed")
            return 0

    def _zone(self) -> str | None:
        """Return the zone of the company; None, said once, while there is none."""
        try:
            with self._database.read() as session:
                return company_zone(session)
        except Absent:
            if not self._said_nothing_is_loaded:
                log.warning("no company is loaded yet: nightly jobs wait for `steamround seed`")
                self._said_nothing_is_loaded = True
            return None

    def _has_ended(self, job: str, slot: datetime) -> bool:
        with self._database.read() as session:
            row = session.get(ClockClaimRow, (job, slot))
        return row is not None and row.finished_at is not None

    def _claim(self, job: Job, slot: datetime, now: datetime) -> bool:
        """Take a slot: by inserting its row, or by taking over one whose holder has died."""
        try:
            with self._database.write() as session:
                row = session.get(ClockClaimRow, (job.name, slot))
                if row is None:
                    session.add(
                        ClockClaimRow(
                            job=job.name,
                            slot=slot,
                            holder=self.holder,
                            claimed_at=now,
                            lease_until=now + _LEASE,
                        )
                    )
                    return True
                taken_over = session.exec(
                    update(ClockClaimRow)
                    .where(
                        col(ClockClaimRow.job) == job.name,
                        col(ClockClaimRow.slot) == slot,
                        col(ClockClaimRow.finished_at).is_(None),
                        col(ClockClaimRow.lease_until) < now,
                    )
                    .values(holder=self.holder, claimed_at=now, lease_until=now + _LEASE)
                )
                return taken_over.rowcount == 1
        except (Conflict, IntegrityError):
            return False  # another clock was faster

    def _run(self, job: Job, slot: datetime, now: datetime) -> None:
        failure = None
        try:
            job.run(self._database, self._known.of(self._database), now)
        except Exception as error:  # one bad night must not stop the clock
            log.exception("job %s failed", job.name)
            failure = f"{type(error).__name__}: {error}"[:2000]
        with self._database.write() as session:
            session.exec(
                update(ClockClaimRow)
                .where(
                    col(ClockClaimRow.job) == job.name,
                    col(ClockClaimRow.slot) == slot,
                    col(ClockClaimRow.holder) == self.holder,
                )
                .values(finished_at=self._tell_time(), failure=failure)
            )
