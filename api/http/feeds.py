"""The calendars themselves: no key, the address is the secret.

Whoever asks the same again gets the same answer at the door, before routing, logging and the rest,
as long as the database has not been written to; the route makes the answers the door looks for.
"""

import logging
from typing import Any, Literal, NamedTuple

from fastapi import APIRouter, FastAPI, Request, Response
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.types import Message, Receive, Scope, Send

from api.feeds.delivery import Reply, absent_reply, feed_reply, joined_fields, revoked_reply
from api.feeds.links import is_secret_shaped, secret_hash
from api.feeds.shelf import FeedShelf
from api.http.context import Database, Now, present
from api.storage.feed_fetches import remember_fetch

log = logging.getLogger("steamround.feeds")

router = APIRouter(tags=["feeds"])

Method = Literal["GET", "HEAD"]

_DECIDING = frozenset({b"accept-encoding", b"if-none-match", b"if-modified-since"})


class _Messages(NamedTuple):
    """An answer as the server takes it."""

    start: Message
    body: Message


@router.head("/feeds/{secret}/{name}.ics", response_class=Response, include_in_schema=False)
@router.get(
    "/feeds/{secret}/{name}.ics",
    response_class=Response,
    responses={
        200: {"description": "The calendar", "content": {"text/calendar": {}}},
        304: {"description": "The reader has this calendar already"},
        404: {"description": "There is no such calendar", "content": {"text/plain": {}}},
        410: {"description": "The address was withdrawn", "content": {"text/plain": {}}},
    },
)
def read_feed(secret: str, name: str, request: Request, database: Database, now: Now) -> Response:
    """Return a calendar (RFC 5545), 304 to a reader who has it already."""
    method: Method = "HEAD" if request.method == "HEAD" else "GET"
    shelf = _shelf(request.app)
    feed = shelf.look_up(secret_hash(secret)) if is_secret_shaped(secret) else None
    if feed is None:
        return _response(absent_reply(method))
    if feed.calendar is None:
        return _response(revoked_reply(method))
    reply = feed_reply(
        feed.calendar,
        file_name=feed.file_name,
        method=method,
        headers=joined_fields(request.headers.items()),
    )
    shelf.keep(_asked(request.scope), _messages(reply), feed)
    response = _response(reply)
    if feed.is_to_be_noted(now):
        reader = request.headers.get("user-agent", "")
        response.background = BackgroundTask(
            remember_fetch, database, feed.link_id, now=now, reader=reader
        )
    return response


class WithFeedDoor(FastAPI):
    """An application that hands over the answers at hand before anything else looks at a request.

    Not a middleware: those come behind the framework's own, which cost more than the answer.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"].startswith("/feeds/"):
            answer = await _at_hand(self, scope)
            if answer is not None:
                log.debug("%s of a calendar at hand", scope["method"])
                await send(answer.start)
                await send(answer.body)
                return
        await super().__call__(scope, receive, send)


async def _at_hand(app: FastAPI, scope: Scope) -> _Messages | None:
    shelf, asked = _shelf(app), _asked(scope)
    if not shelf.has(asked):
        return None
    database = shelf.database
    # a file says at once whether it was written to; a server is asked beside the event loop
    mark = (
        database.change_mark()
        if database.tells_changes_at_once
        else await run_in_threadpool(database.change_mark)
    )
    now = app.dependency_overrides.get(present, app.state.tell_time)()  # as routes are given it
    return shelf.answer(asked, mark, now)


def _asked(scope: Scope) -> tuple[Any, ...]:
    """All of a request that decides what is answered."""
    deciding = [field for field in scope["headers"] if field[0] in _DECIDING]
    return scope["method"], scope["path"], *map(tuple, deciding)


def _shelf(app: FastAPI) -> FeedShelf[_Messages]:
    """Return the shelf of the application's database, made when first wanted."""
    shelf: FeedShelf[_Messages] | None = getattr(app.state, "feed_shelf", None)
    if shelf is None or shelf.database is not app.state.database:
        shelf = app.state.feed_shelf = FeedShelf(app.state.database)
    return shelf


def _response(reply: Reply) -> Response:
    response = Response(content=reply.body, status_code=reply.status)
    del response.headers["content-length"]  # the reply says it itself, for HEAD too
    for name, value in reply.headers:
        response.headers[name] = value
    return response


def _messages(reply: Reply) -> _Messages:
    headers = [(name.lower().encode(), value.encode("latin-1")) for name, value in reply.headers]
    return _Messages(
        start={"type": "http.response.start", "status": reply.status, "headers": headers},
        body={"type": "http.response.body", "body": reply.body},
    )
