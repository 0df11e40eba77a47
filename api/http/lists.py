"""Lists a page at a time: an opaque cursor, and the next page in a Link header (RFC 8288)."""

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Generic, TypeVar

from fastapi import Depends, Query, Request, Response
from pydantic import BaseModel, Field, TypeAdapter
from sqlmodel import Session
from sqlmodel.sql.expression import SelectOfScalar

from api.storage.paging import page_of
from scheduler.errors import InvalidInput

Item = TypeVar("Item")
Row = TypeVar("Row")


class ListOf(BaseModel, Generic[Item]):
    """One page of a list."""

    items: list[Item]
    next: str | None = Field(
        default=None, description="The cursor of the next page; null on the last one."
    )


@dataclass(frozen=True, slots=True)
class Paging:
    """Which page is wanted."""

    cursor: str | None
    limit: int


def _paging(
    cursor: Annotated[
        str | None, Query(max_length=500, description="`next` of the page before.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=100, description="Rows on a page.")] = 50,
) -> Paging:
    return Paging(cursor, limit)


PageWanted = Annotated[Paging, Depends(_paging)]


def list_page(
    request: Request,
    response: Response,
    session: Session,
    statement: SelectOfScalar[Row],
    order: Sequence[Any],
    paging: Paging,
    shown: Callable[[Row], Item],
) -> ListOf[Item]:
    """Return a page of rows as the wire shows them, and send its Link header.

    ``order`` is as in ``api.storage.paging.page_of``.
    """
    after = None if paging.cursor is None else _position(paging.cursor, order)
    page = page_of(session, statement, order, after=after, limit=paging.limit)
    following = None if page.last is None else _cursor(page.last)
    if following is not None:
        address = request.url.include_query_params(cursor=following)
        response.headers["Link"] = f'<{address.path}?{address.query}>; rel="next"'
    return ListOf(items=[shown(row) for row in page.rows], next=following)


def _cursor(position: Sequence[Any]) -> str:
    text = TypeAdapter(tuple[Any, ...]).dump_json(tuple(position))
    return base64.urlsafe_b64encode(text).decode().rstrip("=")


def _position(cursor: str, order: Sequence[Any]) -> tuple[Any, ...]:
    """Return the position a cursor stands for, each value of its column's type."""
    columns = (column.class_.model_fields[column.key] for column in order)
    shape: Any = tuple[tuple(field.annotation for field in columns)]  # type: ignore[misc]
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        position: tuple[Any, ...] = TypeAdapter(shape).validate_json(text)
    except ValueError as error:
        raise InvalidInput("cursor must be `next` of a page of this very list") from error
    return position
