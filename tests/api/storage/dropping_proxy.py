"""A proxy before PostgreSQL that loses what it should not: the reply to a COMMIT."""

import random
import socket
import threading
from contextlib import suppress
from pathlib import Path
from types import TracebackType


class DroppingProxy:
    """Stands before PostgreSQL on a socket of its own and loses some replies to COMMIT.

    ``url`` leads to the server, ``through`` to it by way of the proxy.
    """

    def __init__(self, url: str, folder: Path, share: float) -> None:
        where = url.partition("host=")[2].partition("&")[0]
        (self._server,) = Path(where).glob(".s.PGSQL.*[0-9]")
        between = folder / "proxy"
        between.mkdir()
        self.through = url.replace(where, str(between))
        self.dropped = 0
        self._share, self._rng = share, random.Random(5)
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(between / self._server.name))
        self._listener.listen(200)
        self._threads: list[threading.Thread] = []
        self._begin(self._accept)

    def __enter__(self) -> "DroppingProxy":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()

    def _begin(self, task: object, *arguments: object) -> None:
        assert callable(task)
        thread = threading.Thread(target=task, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        with self._listener:
            while True:
                try:
                    client, _ = self._listener.accept()
                except OSError:
                    return  # it was shut down
                self._begin(self._join, client)

    def _join(self, client: socket.socket) -> None:
        with client, socket.socket(socket.AF_UNIX) as server:
            server.connect(str(self._server))
            losing = threading.Event()
            out = threading.Thread(target=self._pump, args=(client, server, True, losing))
            out.start()
            self._pump(server, client, False, losing)
            out.join()

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
