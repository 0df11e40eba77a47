"""The backup taken while the database is in use holds everything that was committed."""

import os
import subprocess
from pathlib import Path

from sqlmodel import select

from api.storage.database import Database
from api.storage.tables import ClientRow

DEPLOY = Path(__file__).parents[1] / "deploy"


def run(script: str, argument: Path, data_folder: Path) -> str:
    done = subprocess.run(
        ["bash", str(DEPLOY / script), str(argument)],
        env={"PATH": os.environ["PATH"], "STEAMROUND_DATA_FOLDER": str(data_folder)},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def test_a_backup_under_writes_restores_to_what_was_committed(tmp_path: Path) -> None:
    live = tmp_path / "live"
    database = Database(f"sqlite:///{live / 'steamround.sqlite'}")
    database.create_or_upgrade()
    with database.write() as session:
        session.add_all(ClientRow(id=f"cl-{n}", name=f"Client {n}") for n in range(200))
    with database.write() as session:  # not committed while the backup runs: not part of it
        session.add(ClientRow(id="cl-late", name="Late"))
        session.flush()
        backup = Path(run("backup.sh", tmp_path / "backups", live).strip())
    database.close()

    elsewhere = tmp_path / "elsewhere"
    assert list(backup.parent.iterdir()) == [backup]
    run("restore.sh", backup, elsewhere)

    restored = Database(f"sqlite:///{elsewhere / 'steamround.sqlite'}")
    restored.create_or_upgrade()
    with restored.read() as session:
        ids = set(session.exec(select(ClientRow.id)))
    restored.close()
    assert ids == {f"cl-{n}" for n in range(200)}


def test_restoring_keeps_the_database_that_was_there(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    database = Database(f"sqlite:///{folder / 'steamround.sqlite'}")
    database.create_or_upgrade()
    database.close()
    backup = Path(run("backup.sh", tmp_path / "backups", folder).strip())

    said = run("restore.sh", backup, folder)

    kept = list(folder.glob("steamround.sqlite.replaced-*"))
    assert said.startswith("kept the old database as ")
    assert len([path for path in kept if path.suffix != ".sqlite-wal"]) >= 1
