"""Everything that is true of PostgreSQL only: connections and the guards.

The overlap guard is an exclusion constraint checked at commit, so appointments may change places
within one transaction. It is made of ranges alone, hence needs no extension: a technician's id
becomes the range that holds only its 64-bit hash.

Such a constraint alone makes writers that meet deadlock, each waiting for the other's row. So
whoever touches a technician's appointments takes that technician's lock until the commit, and the
next one waits; who touches everybody's (a plan is published) takes the calendar's, alone. A lock
per technician and day would let no more through that matters, and days end at another minute in
every zone.

Two technicians at one site at once are refused at commit too. "Another technician" is no condition
a constraint of ranges can hold, so a deferred trigger looks, under the lock of the site. It looks
at appointments that get another time only: where two met before there was this guard, either can
still be begun or called off.
"""

import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, text
from sqlalchemy.engine import make_url

from api.storage.append_only import APPEND_ONLY
from scheduler.errors import Overlap

GUARD_TABLES: frozenset[str] = frozenset()
OVERLAP_CONSTRAINT = "ex_appointment_overlap"

_TECHNICIAN = "hashtextextended(technician_id, 0)::numeric"
_LIVE = "('planned', 'promised', 'under_way')"
_ANOTHER_TIME = f"""(
    (OLD.visit_id, OLD.technician_id, OLD.starts_at, OLD.ends_at, OLD.state IN {_LIVE})
    IS DISTINCT FROM
    (NEW.visit_id, NEW.technician_id, NEW.starts_at, NEW.ends_at, NEW.state IN {_LIVE})
)"""
_MEETING_CONSTRAINT = "ex_appointment_meeting"
_HAS_CALENDAR = "steamround.has_calendar"
_MIGRATION_LOCK = 0x73746D72  # any two numbers no other program takes in this database
_CALENDAR_LOCK = 0x73746D73

GUARDS = (
    f"""DO $$ BEGIN
        IF NOT EXISTS (SELECT FROM pg_constraint WHERE conname = '{OVERLAP_CONSTRAINT}'
                       AND conrelid = 'appointment'::regclass) THEN
            ALTER TABLE appointment ADD CONSTRAINT {OVERLAP_CONSTRAINT} EXCLUDE USING gist (
                numrange({_TECHNICIAN}, {_TECHNICIAN}, '[]') WITH &&,
                tstzrange(starts_at, ends_at, '[)') WITH &&
            ) WHERE (state IN ('planned', 'promised', 'under_way'))
            DEFERRABLE INITIALLY DEFERRED;
        END IF;
    END $$""",
    f"""CREATE OR REPLACE FUNCTION take_lock(name text) RETURNS void LANGUAGE plpgsql AS $$
    BEGIN
        IF current_setting('{_HAS_CALENDAR}', true) = 'yes' THEN
            RETURN;  -- nobody else is there, and so many locks would fill the server's table
        END IF;
        PERFORM pg_advisory_xact_lock_shared({_CALENDAR_LOCK});
        PERFORM pg_advisory_xact_lock(hashtextextended(name, 0));
    END $$""",
    """CREATE OR REPLACE FUNCTION take_technicians_locks() RETURNS trigger LANGUAGE plpgsql AS $$
    DECLARE
        before text := CASE WHEN TG_OP = 'INSERT' THEN NEW.technician_id ELSE OLD.technician_id END;
        after text := CASE WHEN TG_OP = 'DELETE' THEN OLD.technician_id ELSE NEW.technician_id END;
    BEGIN
        PERFORM take_lock('technician/' || least(before, after));
        PERFORM take_lock('technician/' || greatest(before, after));
        RETURN CASE WHEN TG_OP = 'DELETE' THEN OLD ELSE NEW END;
    END $$""",
    """CREATE OR REPLACE TRIGGER one_at_a_time BEFORE INSERT OR UPDATE OR DELETE ON appointment
    FOR EACH ROW EXECUTE FUNCTION take_technicians_locks()""",
    """CREATE OR REPLACE FUNCTION take_sites_lock() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        PERFORM take_lock('site/' || site_id) FROM visit WHERE id = NEW.visit_id;
        RETURN NEW;
    END $$""",
    f"""CREATE OR REPLACE FUNCTION refuse_meeting() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        PERFORM FROM appointment AS ours
        JOIN visit AS here ON here.id = ours.visit_id
        JOIN visit AS there ON there.site_id = here.site_id
        JOIN appointment AS other ON other.visit_id = there.id
        WHERE ours.id = NEW.id AND ours.state IN {_LIVE} AND other.state IN {_LIVE}
          AND other.technician_id <> ours.technician_id
          AND other.starts_at < ours.ends_at AND ours.starts_at < other.ends_at;
        IF FOUND THEN
            RAISE EXCEPTION USING MESSAGE = 'two technicians at one site at once: ' || NEW.id,
                ERRCODE = 'exclusion_violation', CONSTRAINT = '{_MEETING_CONSTRAINT}';
        END IF;
        RETURN NULL;
    END $$""",
    # fires after one_at_a_time, by the alphabet: technicians are locked before sites
    """CREATE OR REPLACE TRIGGER one_technician_at_a_site
    BEFORE INSERT ON appointment
    FOR EACH ROW EXECUTE FUNCTION take_sites_lock()""",
    f"""CREATE OR REPLACE TRIGGER one_technician_at_a_site_still
    BEFORE UPDATE ON appointment
    FOR EACH ROW WHEN {_ANOTHER_TIME} EXECUTE FUNCTION take_sites_lock()""",
    "DROP TRIGGER IF EXISTS nobody_meets ON appointment",
    """CREATE CONSTRAINT TRIGGER nobody_meets
    AFTER INSERT ON appointment DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW EXECUTE FUNCTION refuse_meeting()""",
    "DROP TRIGGER IF EXISTS nobody_meets_still ON appointment",
    f"""CREATE CONSTRAINT TRIGGER nobody_meets_still
    AFTER UPDATE ON appointment DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW WHEN {_ANOTHER_TIME} EXECUTE FUNCTION refuse_meeting()""",
    """CREATE OR REPLACE FUNCTION refuse_any_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        RAISE EXCEPTION USING MESSAGE = TG_TABLE_NAME || ' rows are never changed or deleted',
            ERRCODE = 'integrity_constraint_violation';
    END $$""",
    *(
        statement
        for table in APPEND_ONLY
        for statement in (
            f"""CREATE OR REPLACE TRIGGER {table}_stays_as_written
            BEFORE UPDATE OR DELETE ON {table}
            FOR EACH ROW EXECUTE FUNCTION refuse_any_change()""",
            f"""CREATE OR REPLACE TRIGGER {table}_is_kept BEFORE TRUNCATE ON {table}
            FOR EACH STATEMENT EXECUTE FUNCTION refuse_any_change()""",
        )
    ),
    "DROP FUNCTION IF EXISTS refuse_audit_change()",  # what this was called before
)


def write_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine that waits at most ``patience_seconds`` for a lock."""
    return create_engine(
        url,
        pool_pre_ping=True,
        pool_size=10,
        max_overflow=20,
        connect_args={"options": f"-c lock_timeout={int(patience_seconds * 1000)}"},
    )


def read_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine whose transactions see one state and refuse to write."""
    return write_engine(url, patience_seconds).execution_options(
        isolation_level="REPEATABLE READ", postgresql_readonly=True
    )


def migration_engine(url: str, patience_seconds: float) -> Engine:
    """Return an engine for migrations; nothing about them is special here."""
    return write_engine(url, patience_seconds)


def lock_for_migration(connection: Connection) -> None:
    """Let one process migrate at a time; the others wait and then find nothing to do."""
    connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _MIGRATION_LOCK})


def take_locks(connection: Connection, names: Iterable[str]) -> None:
    """Keep others out of what is named until the commit; in one order, so that nobody deadlocks."""
    for name in sorted(set(names)):
        connection.execute(text("SELECT take_lock(:name)"), {"name": name})


def take_calendar(connection: Connection) -> None:
    """Keep everybody else out of all appointments until the commit."""
    connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _CALENDAR_LOCK})
    connection.execute(text("SELECT set_config(:name, 'yes', true)"), {"name": _HAS_CALENDAR})


def lift_guards(connection: Connection) -> None:
    """Do nothing: here triggers do not hinder a migration."""


def install_guards(connection: Connection) -> None:
    """Create the guards that are not there yet."""
    for statement in GUARDS:
        connection.exec_driver_sql(statement)


def check_references(connection: Connection) -> list[str]:
    """Return nothing: foreign keys stay on during a migration."""
    return []


def overlaps(connection: Connection) -> tuple[Overlap, ...]:
    """Return nothing: the constraint speaks at commit."""
    return ()


def meets(connection: Connection) -> bool:
    """Return no: the trigger speaks at commit."""
    return False


def is_double_booking(error: BaseException) -> bool:
    """Whether the database refused a commit because of the overlap constraint."""
    return _broken_constraint(error) == OVERLAP_CONSTRAINT


def is_meeting(error: BaseException) -> bool:
    """Whether the database refused a commit that sent two technicians to one site at once."""
    return _broken_constraint(error) == _MEETING_CONSTRAINT


def _broken_constraint(error: BaseException) -> str | None:
    name: str | None = getattr(getattr(error, "diag", None), "constraint_name", None)
    return name


def is_busy(error: BaseException) -> bool:
    """Whether another transaction was in the way, or the server is away or full.

    See https://www.postgresql.org/docs/current/errcodes-appendix.html; who never reached a server
    has no code.
    """
    state = getattr(error, "sqlstate", None)
    return state is None or state == "55P03" or state[:2] in ("08", "40", "53", "57")


def transaction_mark(connection: Connection) -> str | None:
    """Return the number of the transaction, None when it has written nothing."""
    mark: str | None = connection.scalar(text("SELECT pg_current_xact_id_if_assigned()::text"))
    return mark


def became_of(connection: Connection, mark: str) -> str:
    """Return "committed", "aborted" or "in progress"."""
    status = connection.scalar(text("SELECT pg_xact_status(CAST(:mark AS xid8))"), {"mark": mark})
    return str(status)


def turns(url: str, patience_seconds: float) -> Callable[[], AbstractContextManager[None]]:
    """Let everybody in at once: the server queues who waits for a lock."""
    return nullcontext


class ChangeMark:
    """A snapshot names the transactions it sees: while it reads the same, so does every table.

    See https://www.postgresql.org/docs/current/functions-info.html, pg_current_snapshot. A commit
    of anybody in any database of the server changes it, so it may change without need, never
    fail to. The connection is this one's own; the server is asked each time.
    """

    at_once = False

    def __init__(self, url: str) -> None:
        parsed = make_url(url)
        # the driver is installed where PostgreSQL is used, and only there
        self._driver: Any = parsed.get_dialect().import_dbapi()
        plain = parsed.set(drivername="postgresql")
        self._address = plain.render_as_string(hide_password=False)
        self._lock = threading.Lock()
        self._connection: Any = None

    def read(self) -> str | None:
        """Return the snapshot; None when the server cannot be asked."""
        with self._lock:
            try:
                if self._connection is None:
                    self._connection = self._driver.connect(
                        self._address, autocommit=True, connect_timeout=5, prepare_threshold=None
                    )
                found = self._connection.execute("SELECT pg_current_snapshot()::text").fetchone()
            except self._driver.Error:
                self._close()
                return None
            return str(found[0])

    def close(self) -> None:
        """Close the connection; the next reading opens another."""
        with self._lock:
            self._close()

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def change_mark(url: str) -> ChangeMark:
    """Return the mark that tells whether anything has been committed."""
    return ChangeMark(url)
