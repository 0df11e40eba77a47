"""Reading on somebody's behalf: one record or a page of them, of those that are theirs to see."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from fastapi import Request, Response
from sqlalchemy.orm import defer
from sqlmodel import Session, SQLModel, select

from api.auth import Principal
from api.http.conditions import show
from api.http.lists import ListOf, Paging, list_page
from api.storage.scope import one
from api.storage.tables.versioned import Versioned

Row = TypeVar("Row", bound=SQLModel)
VersionedRow = TypeVar("VersionedRow", bound=Versioned)
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Look:
    """One request that reads, in one state of the database."""

    request: Request
    response: Response
    session: Session
    who: Principal

    def row(self, table: type[Row], row_id: str) -> Row:
        """Return a row, or raise Absent when there is none or it is not theirs."""
        return one(self.session, table, row_id, self.who.scope)

    def one(self, table: type[VersionedRow], row_id: str) -> VersionedRow:
        """Return a row and send its ETag; a reader who holds that version gets 304 instead."""
        row = self.row(table, row_id)
        show(self.request, self.response, row)
        return row

    def page(
        self,
        table: type[Row],
        order: Sequence[Any],
        paging: Paging,
        shown: Callable[[Row], Item],
        *conditions: Any,
        without: Sequence[Any] = (),
    ) -> ListOf[Item]:
        """Return a page of the rows that are theirs and meet the conditions (None: any).

        ``without`` names large columns that are not shown.
        """
        wanted = [condition for condition in conditions if condition is not None]
        statement = (
            select(table)
            .where(*self.who.scope.restrictions(table), *wanted)
            .options(*(defer(column) for column in without))
        )
        return list_page(self.request, self.response, self.session, statement, order, paging, shown)
