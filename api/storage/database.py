"""The database: one transaction per ``read()`` or ``write()``, on SQLite and on PostgreSQL."""

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Final, Protocol

from sqlalchemy import Connection, Engine
from sqlalchemy.engine import make_url
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.orm.exc import StaleDataError
from sqlmodel import Session

from api.storage import postgresql, sqlite
from api.storage.migrations import schema
from api.storage.touched import watch
from scheduler.errors import (
    Busy,
    Conflict,
    DoubleBooking,
    InvalidInput,
    Overlap,
    SiteTaken,
    StaleVersion,
)

_PATIENCE_SECONDS: Final = 20.0
_QUESTIONS_AFTER_A_LOST_REPLY: Final = 50
_SECONDS_BETWEEN_QUESTIONS: Final = 0.1


Mark = int | str


class ChangeMark(Protocol):
    """Something that reads otherwise as soon as anybody has written anything.

    ``at_once``: whether that takes microseconds and nobody is asked. None: it cannot be read now.
    """

    at_once: bool

    def read(self) -> Mark | None: ...
    def close(self) -> None: ...


class Dialect(Protocol):
    """What differs between the databases; ``sqlite`` and ``postgresql`` are the two there are."""

    def write_engine(self, url: str, patience_seconds: float) -> Engine: ...
    def read_engine(self, url: str, patience_seconds: float) -> Engine: ...
    def migration_engine(self, url: str, patience_seconds: float) -> Engine: ...
    def lock_for_migration(self, connection: Connection) -> None: ...
    def lift_guards(self, connection: Connection) -> None: ...
    def install_guards(self, connection: Connection) -> None: ...
    def take_locks(self, connection: Connection, names: Iterable[str]) -> None: ...
    def take_calendar(self, connection: Connection) -> None: ...
    def check_references(self, connection: Connection) -> list[str]: ...
    def overlaps(self, connection: Connection) -> tuple[Overlap, ...]: ...
    def meets(self, connection: Connection) -> bool: ...
    def is_double_booking(self, error: BaseException) -> bool: ...
    def is_meeting(self, error: BaseException) -> bool: ...
    def is_busy(self, error: BaseException) -> bool: ...
    def transaction_mark(self, connection: Connection) -> str | None: ...
    def became_of(self, connection: Connection, mark: str) -> str: ...
    def turns(
        self, url: str, patience_seconds: float
    ) -> Callable[[], AbstractContextManager[None]]: ...
    def change_mark(self, url: str) -> ChangeMark: ...


class Database:
    """Sessions on one database.

    ``write()`` commits when its block ends and rolls back when the block raises; nothing else
    commits. Rows stay readable after the commit.

    Appointments of one technician may overlap while a transaction runs, never at its commit; nor
    may those of two technicians at one site be put at one time.
    """

    def __init__(self, url: str, *, patience_seconds: float = _PATIENCE_SECONDS) -> None:
        parsed = make_url(url)
        if parsed.get_backend_name() == "sqlite":
            if parsed.database in (None, "", ":memory:"):
                raise InvalidInput("an SQLite database needs a file: sqlite:////folder/name.sqlite")
            Path(str(parsed.database)).parent.mkdir(parents=True, exist_ok=True)
            self._dialect: Dialect = sqlite
        else:
            self._dialect = postgresql
        self._url = url
        self._patience_seconds = patience_seconds
        self._write_engine = self._dialect.write_engine(url, patience_seconds)
        self._read_engine = self._dialect.read_engine(url, patience_seconds)
        self._change_mark: ChangeMark = self._dialect.change_mark(url)
        self._turn = self._dialect.turns(url, patience_seconds)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session that sees one state of the database and cannot change it.

        Raises
        ------
        Busy
            When the database has no time for it, or is away.
        """
        with self._busy_told(), Session(self._read_engine, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give a session whose changes are stored together when the block ends, or not at all.

        Raises
        ------
        DoubleBooking
            When two live appointments of one technician would overlap.
        SiteTaken
            When two technicians would be at one site at once.
        StaleVersion
            When a changed row was changed by someone else since it was read.
        Conflict
            When a reference points nowhere or something unique is there already.
        Busy
            When others were in the way for too long, or the database is away.
        """
        with (
            self._busy_told(),
            self._turn(),
            Session(self._write_engine, expire_on_commit=False) as session,
        ):
            watch(session)
            try:
                yield session
                session.flush()
                if found := self._dialect.overlaps(session.connection()):
                    raise DoubleBooking(found)
                if self._dialect.meets(session.connection()):
                    raise SiteTaken
                self._commit(session)
            except StaleDataError as error:
                raise StaleVersion(
                    "the record was changed by someone else meanwhile: read it again"
                ) from error
            except IntegrityError as error:
                if self._dialect.is_double_booking(error.orig or error):
                    raise DoubleBooking(()) from error
                if self._dialect.is_meeting(error.orig or error):
                    raise SiteTaken from error
                raise Conflict(f"the database refused the change: {error.orig}") from error

    def _commit(self, session: Session) -> None:
        """Commit. Should the reply get lost, ask on another connection what became of it."""
        mark = self._dialect.transaction_mark(session.connection())
        session.expunge_all()  # a commit whose reply is lost looks undone to the rows
        try:
            session.commit()
        except OperationalError as error:
            if not error.connection_invalidated:
                raise
            if mark is not None and not self._was_made(mark):  # without a mark nothing was written
                raise

    def _was_made(self, mark: str) -> bool:
        for _ in range(_QUESTIONS_AFTER_A_LOST_REPLY):
            with self._write_engine.connect() as connection:
                became = self._dialect.became_of(connection, mark)
            if became != "in progress":
                return became == "committed"
            time.sleep(_SECONDS_BETWEEN_QUESTIONS)
        return False

    @contextmanager
    def _busy_told(self) -> Iterator[None]:
        try:
            yield
        except PoolTimeout as error:
            raise Busy from error
        except OperationalError as error:
            if error.connection_invalidated or self._dialect.is_busy(error.orig or error):
                raise Busy from error
            raise

    def lock(
        self, session: Session, *, technicians: Iterable[str] = (), clients: Iterable[str] = ()
    ) -> None:
        """Keep other writers away from some technicians' time and clients' holds until the commit.

        Take all locks of a transaction at once, then look at what they guard: rows read before are
        read anew.
        """
        names = [f"technician/{each}" for each in technicians]
        names += [f"client/{each}" for each in clients]
        session.flush()
        self._dialect.take_locks(session.connection(), names)
        session.expire_all()

    def lock_sites(self, session: Session, sites: Iterable[str]) -> None:
        """Keep others from sending anybody to some sites until the commit; after ``lock``."""
        session.flush()
        self._dialect.take_locks(session.connection(), [f"site/{each}" for each in sites])
        session.expire_all()

    def lock_calendar(self, session: Session) -> None:
        """Keep other writers away from every technician's time until the commit; see ``lock``."""
        session.flush()
        self._dialect.take_calendar(session.connection())
        session.expire_all()

    def create_or_upgrade(self) -> None:
        """Bring the tables to the present form, from nothing or from any earlier form."""
        engine = self._dialect.migration_engine(self._url, self._patience_seconds)
        try:
            with engine.begin() as connection:
                self._dialect.lock_for_migration(connection)
                self._dialect.lift_guards(connection)
                schema.upgrade(connection)
                self._dialect.install_guards(connection)
                if lost := self._dialect.check_references(connection):
                    raise Conflict("the upgrade would lose references: " + "; ".join(lost))
        finally:
            engine.dispose()

    def is_current(self) -> bool:
        """Whether the tables have the form this program expects."""
        with self._read_engine.connect() as connection:
            return schema.is_current(connection)

    def change_mark(self) -> Mark | None:
        """Return what is another one as soon as anybody has written anything.

        As long as it reads the same, every query gives the same. None while the database cannot
        be reached. It costs microseconds on SQLite and one short question on PostgreSQL.
        """
        return self._change_mark.read()

    @property
    def tells_changes_at_once(self) -> bool:
        """Whether ``change_mark`` may be read where nothing may wait."""
        return self._change_mark.at_once

    def close(self) -> None:
        """Close every connection."""
        self._change_mark.close()
        self._read_engine.dispose()
        self._write_engine.dispose()
