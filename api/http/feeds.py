"""The calendars themselves: no key, the address is the secret.

A calendar that was asked for before is handed over at the door, before routing, logging and the
rest; the route fetches all others and puts them on the shelf the door looks at.
"""

import logging
import re
from datetime import datetime
from functools import lru_cache
from typing import Literal

from fastapi import APIRouter, Request, Response
from starlette.background import BackgroundTask
from starlette.types import ASGIApp, Receive, Scope, Send

from api.feeds.delivery import Reply, absent_reply, feed_reply, joined_fields, revoked_reply
from api.feeds.links import is_secret_shaped, secret_hash
from api.feeds.shelf import FeedShelf
from api.http.context import Database, Now, present
from api.storage.feed_fetches import remember_fetch

log = logging.getLogger("steamround.feeds")

router = APIRouter(tags=["feeds"])

Method = Literal["GET", "HEAD"]

_PATH = re.compile(r"/feeds/(srf_[A-Za-z0-9_-]{43})/[^/]+\.ics")
_DECIDING = frozenset({b"accept-encoding", b"if-none-match", b"if-modified-since"})


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
    feed = None
    if is_secret_shaped(secret):
        feed = _shelf(request.scope).look_up(secret_hash(secret))
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
    response = _response(reply)
    if feed.is_to_be_noted(now):
        reader = request.headers.get("user-agent", "")
        response.background = BackgroundTask(
            remember_fetch, database, feed.link_id, now=now, reader=reader
        )
    return response


class FeedDoor:
    """Hands over the calendars that are at hand and lets every other request pass."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        reply = _at_hand(scope) if scope["type"] == "http" else None
        if reply is None:
            await self._app(scope, receive, send)
            return
        log.debug("%s of a calendar at hand: %d", scope["method"], reply.status)
        headers = _raw(reply.headers)
        await send({"type": "http.response.start", "status": reply.status, "headers": headers})
        await send({"type": "http.response.body", "body": reply.body})


def _at_hand(scope: Scope) -> Reply | None:
    match = _PATH.fullmatch(scope["path"])
    if match is None or scope["method"] not in ("GET", "HEAD"):
        return None
    feed = _shelf(scope).at_hand(secret_hash(match[1]))
    if feed is None or feed.calendar is None or feed.is_to_be_noted(_now(scope)):
        return None
    fields = [
        (name.decode("latin-1"), value.decode("latin-1"))
        for name, value in scope["headers"]
        if name in _DECIDING
    ]
    return feed_reply(
        feed.calendar,
        file_name=feed.file_name,
        method=scope["method"],
        headers=joined_fields(fields),
    )


def _shelf(scope: Scope) -> FeedShelf:
    """Return the shelf of the application's database, made when first wanted."""
    state = scope["app"].state
    shelf: FeedShelf | None = getattr(state, "feed_shelf", None)
    if shelf is None or shelf.database is not state.database:
        shelf = state.feed_shelf = FeedShelf(state.database)
    return shelf


def _now(scope: Scope) -> datetime:
    """Return the time as routes are given it."""
    app = scope["app"]
    tell: datetime = app.dependency_overrides.get(present, app.state.tell_time)()
    return tell


def _response(reply: Reply) -> Response:
    response = Response(content=reply.body, status_code=reply.status)
    del response.headers["content-length"]  # the reply says it itself, for HEAD too
    for name, value in reply.headers:
        response.headers[name] = value
    return response


@lru_cache(maxsize=1024)
def _raw(headers: tuple[tuple[str, str], ...]) -> tuple[tuple[bytes, bytes], ...]:
    return tuple((name.lower().encode(), value.encode("latin-1")) for name, value in headers)
