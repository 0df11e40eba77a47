"""Writers of one SQLite file take turns in the order they came, threads and processes alike.

SQLite lets writers that meet try again at growing intervals: under load a newcomer is often
faster than somebody who has waited for seconds. So whoever wants to write queues up first: the
threads of a process behind each other, and the first of each process behind a lock on a file of
its own beside the database. The system gives that lock back when a process dies.
"""

import fcntl
import os
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from scheduler.errors import Busy


class WritersQueue:
    """The queue before one database file.

    Parameters
    ----------
    database_file : the lock lies beside it, its name ends in ``-turn``.
    patience_seconds : how long anybody waits.
    """

    def __init__(self, database_file: Path, patience_seconds: float) -> None:
        self._lock_file = database_file.with_name(database_file.name + "-turn")
        self._patience_seconds = patience_seconds
        self._guard = threading.Lock()
        self._taken = False
        self._waiting: deque[threading.Lock] = deque()

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Wait until everybody who came before is done.

        Raises
        ------
        Busy
            They take longer than anybody's patience.
        """
        give_up_at = time.monotonic() + self._patience_seconds
        self._pass_threads(give_up_at)
        try:
            descriptor = self._pass_processes(give_up_at)
            try:
                yield
            finally:
                os.close(descriptor)  # gives the lock back
        finally:
            self._let_next_thread_in()

    def _pass_threads(self, give_up_at: float) -> None:
        with self._guard:
            if not self._taken:
                self._taken = True
                return
            called = threading.Lock()
            called.acquire()
            self._waiting.append(called)
        if called.acquire(timeout=max(give_up_at - time.monotonic(), 0)):
            return
        with self._guard:
            if called in self._waiting:
                self._waiting.remove(called)
                raise Busy
        # called in the very last moment

    def _let_next_thread_in(self) -> None:
        with self._guard:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._taken = False

    def _pass_processes(self, give_up_at: float) -> int:
        """Return an open file with the lock on it."""
        descriptor = os.open(self._lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return self._wait_in_line(descriptor, give_up_at)
        return descriptor

    def _wait_in_line(self, descriptor: int, give_up_at: float) -> int:
        """Let a thread wait, since a lock on a file cannot be waited for only so long."""
        waited = _Waiting(descriptor)
        threading.Thread(target=waited.wait, name="waits for its turn", daemon=True).start()
        if not waited.over.wait(max(give_up_at - time.monotonic(), 0)) and waited.give_up():
            raise Busy
        return descriptor


class _Waiting:
    """One who stands in line; whoever sent them may have gone when it is their turn."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._guard = threading.Lock()
        self._given_up = False
        self.over = threading.Event()

    def wait(self) -> None:
        fcntl.flock(self._descriptor, fcntl.LOCK_EX)
        with self._guard:
            if self._given_up:
                os.close(self._descriptor)
            else:
                self.over.set()

    def give_up(self) -> bool:
        """Return whether that was in time; if not, it is their turn."""
        with self._guard:
            self._given_up = not self.over.is_set()
            return self._given_up
