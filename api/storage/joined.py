"""A database whose writes join a transaction that is open already."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlmodel import Session

from api.storage.database import Database


class JoinedDatabase(Database):
    """Give the one session of an open transaction to everybody who wants to read or write.

    Whoever opened the transaction commits it: an action that would be a transaction of its own
    becomes part of a larger one.
    """

    def __init__(self, whole: Database, session: Session) -> None:
        self.__dict__.update(whole.__dict__)  # the same engines and the same dialect
        self._session = session

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give the session of the open transaction, which sees its own changes."""
        yield self._session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give the session of the open transaction; what was changed is sent, not committed."""
        yield self._session
        self._session.flush()
