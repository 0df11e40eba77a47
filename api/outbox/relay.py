"""The relay: sends what the outbox holds, in any number of threads and processes at once.

Every event is sent at least once. Whoever dies between sending and writing that down leaves a
claim whose lease ends, and the event goes out again under the same id.
"""

import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from threading import Semaphore
from typing import Final

from api.outbox.retrying import settlement_of
from api.outbox.sending import MOST_SECONDS, Sender
from api.storage.database import Database
from api.storage.deliveries import Claim, anything_to_do, claim, make_out, settle

log = logging.getLogger("steamround.outbox")

_THREADS: Final = 16
LEASE: Final = timedelta(seconds=3 * MOST_SECONDS)
"""Longer than an attempt and writing it down can take."""


class Relay:
    """Sends messages from this process.

    One endpoint keeps one thread at a time, so a slow receiver delays nobody but itself.

    Parameters
    ----------
    tell_time : the present instant, UTC.
    """

    def __init__(
        self,
        database: Database,
        sender: Sender,
        *,
        tell_time: Callable[[], datetime],
        threads: int = _THREADS,
    ) -> None:
        self._database, self._sender, self._tell_time = database, sender, tell_time
        self._free = Semaphore(threads)
        self._threads = ThreadPoolExecutor(threads, thread_name_prefix="relay")
        self._stopped = False

    def tick(self) -> None:
        """Begin to send what is due, as far as threads are free, and do not wait for it."""
        if not self._prepare():
            return
        while not self._stopped and self._free.acquire(blocking=False):
            if (first := self._claim()) is None:
                self._free.release()
                return
            self._threads.submit(self._send_all_of, first)

    def run_until_idle(self) -> tuple[Claim, ...]:
        """Send everything that is due now, one after the other; return what was sent."""
        sent: list[Claim] = []
        while self._prepare() and (due := self._claim()) is not None:
            self.deliver(due)
            sent.append(due)
        return tuple(sent)

    def deliver(self, claimed: Claim) -> None:
        """Send one message and write down what became of it."""
        answer = self._sender.send(claimed, now=self._tell_time())
        now = self._tell_time()
        settlement = settlement_of(
            answer, delivery=claimed.delivery, attempt=claimed.attempt, now=now
        )
        with self._database.write() as session:
            if not settle(session, claimed, settlement, now=now):
                log.warning("delivery %s was taken over by another relay", claimed.delivery)

    def stop(self) -> None:
        """Take on nothing new; messages that are on their way are still settled."""
        self._stopped = True
        self._threads.shutdown(wait=False, cancel_futures=True)

    def _prepare(self) -> bool:
        """Make out events that are not; whether there is anything to send."""
        now = self._tell_time()
        with self._database.read() as session:
            if not anything_to_do(session, now):
                return False
        with self._database.write() as session:
            make_out(session, now=now)
        return True

    def _claim(self, endpoint: str | None = None) -> Claim | None:
        now = self._tell_time()
        with self._database.write() as session:
            return next(
                iter(claim(session, now=now, lease=LEASE, limit=1, endpoint=endpoint)), None
            )

    def _send_all_of(self, first: Claim) -> None:
        """Send what is due to one endpoint, so that it need not wait for the next tick."""
        due: Claim | None = first
        try:
            while due is not None:
                self.deliver(due)
                due = None if self._stopped else self._claim(due.endpoint)
        except Exception:  # the lease ends and somebody tries again
            log.exception("a delivery to endpoint %s failed", first.endpoint)
        finally:
            self._free.release()
