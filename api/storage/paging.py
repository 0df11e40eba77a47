"""Lists a page at a time, each row exactly once while rows come and go."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import literal, tuple_
from sqlmodel import Session
from sqlmodel.sql.expression import SelectOfScalar

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class Page(Generic[Row]):
    """Some rows in order; ``last`` is the position of the last one, None when none come after."""

    rows: tuple[Row, ...]
    last: tuple[Any, ...] | None


def page_of(
    session: Session,
    statement: SelectOfScalar[Row],
    order: Sequence[Any],
    *,
    after: Sequence[Any] | None,
    limit: int,
) -> Page[Row]:
    """Return up to ``limit`` rows that come after a position.

    Parameters
    ----------
    order : columns, none of them nullable; the last one is unique, so no two rows share a position.
    after : the ``last`` of the page before, None for the first page.
    """
    statement = statement.order_by(*order).limit(limit + 1)
    if after is not None:
        position = [literal(value, column.type) for value, column in zip(after, order, strict=True)]
        statement = statement.where(tuple_(*order) > tuple_(*position))
    rows = session.exec(statement).all()
    page = tuple(rows[:limit])
    last = None
    if len(rows) > limit:
        last = tuple(getattr(page[-1], column.key) for column in order)
    return Page(rows=page, last=last)
