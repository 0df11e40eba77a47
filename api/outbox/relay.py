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
from api.storage.deliveries import (
    Claim,
    claim,
    endpoints_waiting,
    events_wait,
    make_out,
    settle,
)

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
    ) -> None:
        self._database, self._sender, self._tell_time = database, sender, tell_time
        self._free = Semaphore(_THREADS)
        self._threads = ThreadPoolExecutor(_THREADS, thread_name_prefix="relay")
        self._stopped = False

    def tick(self) -> None:
        """Begin to send what is due, as far as threads are free, and do not wait for it."""
        for endpoint in self._endpoints():
            if self._stopped or not self._free.acquire(blocking=False):
                return
            self._threads.submit(self._work, endpoint)

    def run_until_idle(self) -> int:
        """Send everything that is due now, one after the other; return how many messages."""
        sent = 0
        while endpoints := self._endpoints():
            sent += sum(map(self._send_all_to, endpoints))
        return sent

    def deliver(self, claimed: Claim) -> None:
        """Send one message and write down what became of it."""
        answer = self._sender.send(claimed)
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

    def _endpoints(self) -> tuple[str, ...]:
        """Make out all events that are not, and return endpoints to which something is due."""
        now = self._tell_time()
        with self._database.read() as session:
            waiting = events_wait(session)
        while waiting:
            with self._database.write() as session:
                waiting = make_out(session, now=now) > 0
        with self._database.read() as session:
            return endpoints_waiting(session, now=now, limit=_THREADS)

    def _work(self, endpoint: str) -> None:
        """Do a thread's work, and free it."""
        try:
            self._send_all_to(endpoint)
        except Exception:  # the lease ends and somebody tries again
            log.exception("a delivery to endpoint %s failed", endpoint)
        finally:
            self._free.release()

    def _send_all_to(self, endpoint: str) -> int:
        """Send what is due to one endpoint, one after the other; return how many messages."""
        sent = 0
        while not self._stopped and (due := self._claim(endpoint)) is not None:
            self.deliver(due)
            sent += 1
        return sent

    def _claim(self, endpoint: str) -> Claim | None:
        with self._database.write() as session:
            return claim(session, endpoint, now=self._tell_time(), lease=LEASE)
