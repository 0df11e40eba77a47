"""Everything that is true of SQLite only: connections, transactions and the guards.

Writers begin with ``BEGIN IMMEDIATE``: the driver's own transactions start too late, so that two
writers read the same free hour before either writes. Readers have connections of their own, see
one consistent state and cannot write.

SQLite has no exclusion constraint and no trigger that waits for the commit. Its foreign keys do
wait, so the overlap guard is built of one: triggers keep a row per overlapping pair in
``double_booking``, each row refers to a parent that never exists, and a commit with such a row
left is refused. While a transaction runs, appointments may overlap as they change places.

``site_meeting`` does the same for two technicians at one site, but only for appointments that get
another time: where two met before there was this guard, either can still be begun or called off.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from api.storage.append_only import APPEND_ONLY
from api.storage.writers_queue import WritersQueue
from scheduler.errors import Overlap

GUARD_TABLES = frozenset({"double_booking", "site_meeting", "never"})

_LIVE = "('planned', 'promised', 'under_way')"

_FORGET_PAIRS = """
    DELETE FROM double_booking WHERE first_id = OLD.id OR second_id = OLD.id;
"""
_REMEMBER_PAIRS = f"""
    INSERT INTO double_booking (first_id, second_id)
    SELECT min(NEW.id, other.id), max(NEW.id, other.id)
    FROM appointment AS other
    WHERE NEW.state IN {_LIVE} AND other.state IN {_LIVE}
      AND other.technician_id = NEW.technician_id AND other.id <> NEW.id
      AND other.starts_at < NEW.ends_at AND NEW.starts_at < other.ends_at;
"""

_FORGET_MEETINGS = _FORGET_PAIRS.replace("double_booking", "site_meeting")
_REMEMBER_MEETINGS = f"""
    INSERT INTO site_meeting (first_id, second_id)
    SELECT min(NEW.id, other.id), max(NEW.id, other.id)
    FROM visit AS here
    JOIN visit AS there ON there.site_id = here.site_id
    JOIN appointment AS other ON other.visit_id = there.id
    WHERE here.id = NEW.visit_id AND NEW.state IN {_LIVE} AND other.state IN {_LIVE}
      AND other.technician_id <> NEW.technician_id
      AND other.starts_at < NEW.ends_at AND NEW.starts_at < other.ends_at;
"""
_ANOTHER_TIME = f"""
    (OLD.id, OLD.visit_id, OLD.technician_id, OLD.starts_at, OLD.ends_at, OLD.state IN {_LIVE})
    <> (NEW.id, NEW.visit_id, NEW.technician_id, NEW.starts_at, NEW.ends_at, NEW.state IN {_LIVE})
"""

GUARDS = (
    "CREATE TABLE IF NOT EXISTS never (id INTEGER PRIMARY KEY)",
    """CREATE TABLE IF NOT EXISTS double_booking (
        first_id VARCHAR NOT NULL,
        second_id VARCHAR NOT NULL,
        refused INTEGER NOT NULL DEFAULT 1 REFERENCES never (id) DEFERRABLE INITIALLY DEFERRED,
        PRIMARY KEY (first_id, second_id)
    )""",
    """CREATE TABLE IF NOT EXISTS site_meeting (
        first_id VARCHAR NOT NULL,
        second_id VARCHAR NOT NULL,
        refused INTEGER NOT NULL DEFAULT 1 REFERENCES never (id) DEFERRABLE INITIALLY DEFERRED,
        PRIMARY KEY (first_id, second_id)
    )""",
    "DROP TRIGGER IF EXISTS appointment_added",
    f"CREATE TRIGGER appointment_added AFTER INSERT ON appointment BEGIN {_REMEMBER_PAIRS} END",
    "DROP TRIGGER IF EXISTS appointment_changed",
    "CREATE TRIGGER appointment_changed"
    " AFTER UPDATE OF id, technician_id, starts_at, ends_at, state ON appointment"
    f" BEGIN {_FORGET_PAIRS} {_REMEMBER_PAIRS} END",
    "DROP TRIGGER IF EXISTS appointment_removed",
    "CREATE TRIGGER appointment_removed AFTER DELETE ON appointment"
    f" BEGIN {_FORGET_PAIRS} {_FORGET_MEETINGS} END",
    "DROP TRIGGER IF EXISTS appointment_sent",
    f"CREATE TRIGGER appointment_sent AFTER INSERT ON appointment BEGIN {_REMEMBER_MEETINGS} END",
    "DROP TRIGGER IF EXISTS appointment_sent_anew",
    "CREATE TRIGGER appointment_sent_anew"
    " AFTER UPDATE OF id, visit_id, technician_id, starts_at, ends_at, state ON appointment"
    f" WHEN {_ANOTHER_TIME} BEGIN {_FORGET_MEETINGS} {_REMEMBER_MEETINGS} END",
    *(
        statement
        for table in APPEND_ONLY
        for statement in (
            f"DROP TRIGGER IF EXISTS {table}_stays_as_written",
            f"CREATE TRIGGER {table}_stays_as_written BEFORE UPDATE ON {table}"
            f" BEGIN SELECT RAISE(ABORT, '{table} rows are never changed'); END",
            f"DROP TRIGGER IF EXISTS {table}_is_kept",
            f"CREATE TRIGGER {table}_is_kept BEFORE DELETE ON {table}"
            f" BEGIN SELECT RAISE(ABORT, '{table} rows are never deleted'); END",
        )
    ),
)


def write_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine whose transactions hold the write lock from their first moment."""
    return _engine(url, "BEGIN IMMEDIATE", patience_seconds, "PRAGMA foreign_keys = ON")


def read_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine whose transactions see one state and refuse to write."""
    return _engine(url, "BEGIN", patience_seconds, "PRAGMA query_only = ON")


def migration_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine with foreign keys off: a rebuilt table would take its children along."""
    return _engine(
        url, "BEGIN IMMEDIATE", patience_seconds, "PRAGMA foreign_keys = OFF", pool=False
    )


def _engine(
    url: str, begin: str, patience_seconds: float, pragma: str, *, pool: bool = True
) -> Engine:
    options: dict[str, Any] = {"pool_size": 10, "max_overflow": 40} if pool else {}
    engine = create_engine(
        url,
        connect_args={"isolation_level": None, "timeout": patience_seconds},
        **(options or {"poolclass": NullPool}),
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _record: Any) -> None:
        for statement in ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL", pragma):
            connection.execute(statement)

    @event.listens_for(engine, "begin")
    def begin_transaction(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def lock_for_migration(connection: Connection) -> None:
    """Do nothing: ``BEGIN IMMEDIATE`` already keeps everybody else out."""


def take_locks(connection: Connection, names: Iterable[str]) -> None:
    """Do nothing: the transaction has been the only writer since it began."""


def take_calendar(connection: Connection) -> None:
    """Do nothing: the transaction has been the only writer since it began."""


def lift_guards(connection: Connection) -> None:
    """Take away what reads a table that a migration is about to build anew."""
    for trigger in ("appointment_sent", "appointment_sent_anew"):
        connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {trigger}")


def install_guards(connection: Connection) -> None:
    """Create the guards anew; a table rebuilt by a migration has lost its triggers."""
    for statement in GUARDS:
        connection.exec_driver_sql(statement)


def check_references(connection: Connection) -> list[str]:
    """Return a line per row whose foreign key points nowhere."""
    return [
        f"{table} row {row} refers to a missing {parent}"
        for table, row, parent, _ in connection.execute(text("PRAGMA foreign_key_check"))
    ]


def overlaps(connection: Connection) -> tuple[Overlap, ...]:
    """Return the double bookings the running transaction would leave behind."""
    pairs = connection.execute(
        text(
            "SELECT technician_id, first_id, second_id FROM double_booking"
            " JOIN appointment ON appointment.id = first_id ORDER BY first_id, second_id"
        )
    )
    return tuple(
        Overlap(technician=who, first=first, second=second) for who, first, second in pairs
    )


def meets(connection: Connection) -> bool:
    """Whether the running transaction would leave two technicians at one site at once."""
    found = connection.execute(text("SELECT 1 FROM site_meeting LIMIT 1"))
    return found.first() is not None


def is_double_booking(error: BaseException) -> bool:
    """Never: ``overlaps`` has already listed them before the commit."""
    return False


def is_meeting(error: BaseException) -> bool:
    """Never: ``meets`` has already found out before the commit."""
    return False


def is_busy(error: BaseException) -> bool:
    """Whether somebody else had the file locked: see https://www.sqlite.org/rescode.html."""
    primary = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def transaction_mark(connection: Connection) -> None:
    """Return nothing: between a file and its reader no reply gets lost."""


def became_of(connection: Connection, mark: str) -> str:
    """Never asked: there are no marks."""
    raise NotImplementedError


def turns(url: str, patience_seconds: float) -> Callable[[], AbstractContextManager[None]]:
    """Return what lets one writer in after the other."""
    return WritersQueue(Path(str(make_url(url).database)), patience_seconds).turn


class ChangeMark:
    """SQLite counts the commits of all others since a connection was opened; this one only reads.

    See https://www.sqlite.org/pragma.html#pragma_data_version.
    """

    at_once = True

    def __init__(self, url: str) -> None:
        self._file = str(make_url(url).database)
        self._lock = threading.Lock()
        self._connection: sqlite3.Connection | None = None

    def read(self) -> int | None:
        """Return the count, which by itself means nothing; None when the file cannot be read."""
        with self._lock:
            try:
                if self._connection is None:
                    self._connection = sqlite3.connect(
                        self._file, isolation_level=None, check_same_thread=False
                    )
                (count,) = self._connection.execute("PRAGMA data_version").fetchone()
            except sqlite3.Error:
                return None
            return int(count)

    def close(self) -> None:
        """Close the connection; the next reading opens another, which counts anew."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None


def change_mark(url: str) -> ChangeMark:
    """Return the mark that tells whether the file has been written to."""
    return ChangeMark(url)
