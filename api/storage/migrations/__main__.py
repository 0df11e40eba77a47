"""Draft the next migration on an empty database brought to the last one."""

import sys
import tempfile
from pathlib import Path

from api.storage import sqlite
from api.storage.migrations import schema


def main(subject: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        engine = sqlite.migration_engine(f"sqlite:///{Path(folder) / 'draft.sqlite'}", 5)
        with engine.begin() as connection:
            schema.upgrade(connection)
            print(schema.draft(connection, subject))
        engine.dispose()


if __name__ == "__main__":
    main(sys.argv[1])
