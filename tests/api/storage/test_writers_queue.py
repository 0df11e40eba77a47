"""Writers take turns in the order they came, and nobody waits for ever."""

import subprocess
import sys
import threading
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from api.storage.database import Database
from api.storage.writers_queue import WritersQueue
from scheduler.errors import Busy

_HOLDS_IT = """
import sys
from pathlib import Path
from api.storage.writers_queue import WritersQueue
with WritersQueue(Path(sys.argv[1]), 1).turn():
    print("mine", flush=True)
    sys.stdin.read()
"""


def test_threads_are_let_in_as_they_came(tmp_path: Path) -> None:
    queue = WritersQueue(tmp_path / "x.sqlite", 5)
    came: list[int] = []

    def write(number: int) -> None:
        with queue.turn():
            came.append(number)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    with queue.turn():
        for number, thread in enumerate(threads, start=1):
            thread.start()
            while len(queue._waiting) < number:  # until it has queued up
                pass
    for thread in threads:
        thread.join()
    assert came == list(range(6))


def test_a_process_waits_for_another_and_not_for_a_dead_one(tmp_path: Path) -> None:
    file = tmp_path / "x.sqlite"
    other = subprocess.Popen(
        [sys.executable, "-c", _HOLDS_IT, str(file)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    assert other.stdout is not None
    assert other.stdout.readline() == b"mine\n"
    with pytest.raises(Busy), WritersQueue(file, 0.05).turn():
        raise AssertionError("the other has it")
    queue = WritersQueue(file, 5)
    entered = threading.Event()

    def write() -> None:
        with queue.turn():
            entered.set()

    waiting = threading.Thread(target=write)
    waiting.start()
    assert not entered.is_set()
    other.kill()
    waiting.join()
    assert entered.is_set()
    other.communicate()
    with WritersQueue(file, 0.05).turn():
        pass  # whoever gave up above took nothing with them


def test_who_loses_patience_leaves_the_queue(tmp_path: Path) -> None:
    queue = WritersQueue(tmp_path / "x.sqlite", 0.05)
    refused: list[bool] = []

    def write() -> None:
        try:
            with queue.turn():
                refused.append(False)
        except Busy:
            refused.append(True)

    with queue.turn():
        thread = threading.Thread(target=write)
        thread.start()
        thread.join()
    assert refused == [True]
    with queue.turn():
        pass


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_only_waiting_in_vain_is_busy(database: Database, database_url: str) -> None:
    impatient = Database(database_url, patience_seconds=0.05)
    with database.write(), pytest.raises(Busy), impatient.write():
        raise AssertionError("one writer at a time")
    with pytest.raises(OperationalError, match="no such table"), impatient.write() as session:
        session.connection().execute(text("DELETE FROM nothing_of_the_kind"))
    impatient.close()
