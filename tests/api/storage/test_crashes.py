"""A writer that is killed loses nothing it had finished and leaves nothing half done."""

import signal
import subprocess
import sys
from pathlib import Path

from sqlmodel import select

from api.storage.database import Database
from api.storage.tables import ClientRow

WRITER = """
import sys
from api.storage.database import Database
from api.storage.tables import ClientRow

database = Database(sys.argv[1])
for number in range(100_000):
    with database.write() as session:
        session.add(ClientRow(id=f"{number:06}-first", name="one half"))
        session.flush()
        session.add(ClientRow(id=f"{number:06}-second", name="the other"))
    print(number, flush=True)
"""

FINISHED = 40


def test_a_killed_writer_loses_nothing_and_leaves_no_half(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'steamround.sqlite'}"
    database = Database(url)
    database.create_or_upgrade()
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, url], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        told = 0
        for line in writer.stdout:
            told = int(line) + 1
            if told == FINISHED:
                break
        writer.send_signal(signal.SIGKILL)
        told += len(writer.stdout.readlines())  # what it had said before it died

    with database.read() as session:
        ids = session.exec(select(ClientRow.id).order_by(ClientRow.id)).all()
    pairs = len(ids) // 2
    expected = [f"{number:06}-{half}" for number in range(pairs) for half in ("first", "second")]
    assert ids == expected
    assert pairs in (told, told + 1)  # the last one may have been stored but not told
    with database.write() as session:  # and the next writer finds the door open
        session.add(ClientRow(id="x", name="after the crash"))
    database.close()
