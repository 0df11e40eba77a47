"""What every request passes first: a name in the logs, a limit to its size, safe headers."""

import logging
import re
import time
from collections.abc import MutableMapping
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.feeds.links import masked
from api.http.problems import problem_response
from api.http.request_limit import Allowance
from api.storage.ids import new_id

log = logging.getLogger("steamround.requests")

MAX_BODY_BYTES = 1_048_576
_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")


class Edge:
    """Names each request, limits its body, logs it without secrets."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        given = headers.get("x-request-id", "")
        request_id = given if _REQUEST_ID.fullmatch(given) else new_id("rq")
        scope.setdefault("state", {})["request_id"] = request_id
        began = time.perf_counter()

        async def send_marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                _mark(message, request_id, scope["state"].get("allowance"))
                log.info(
                    "%s %s %s %d ms %s",
                    scope["method"],
                    masked(scope["path"]),
                    message["status"],
                    round((time.perf_counter() - began) * 1000),
                    request_id,
                )
            await send(message)

        length = headers.get("content-length", "0")
        if length.isdigit() and int(length) > MAX_BODY_BYTES:
            response = problem_response(Request(scope), 413, "body-too-large", _too_large().detail)
            await response(scope, receive, send_marked)
            return
        if "\0" in scope["path"] or b"%00" in scope["query_string"]:
            detail = "leave the character NUL (%00) out of the address"  # no database keeps it
            response = problem_response(Request(scope), 422, "invalid-input", detail)
            await response(scope, receive, send_marked)
            return
        await self._app(scope, _counted(receive), send_marked)


def _mark(message: MutableMapping[str, Any], request_id: str, allowance: Allowance | None) -> None:
    headers = MutableHeaders(scope=message)
    if allowance is not None:
        headers.update(allowance.headers())
    headers["X-Request-Id"] = request_id
    headers.setdefault("X-Content-Type-Options", "nosniff")
    headers.setdefault("Cache-Control", "private, no-cache")


def _counted(receive: Receive) -> Receive:
    """Return ``receive`` that stops once the body is too large, whatever was announced."""
    taken = 0

    async def receive_counted() -> Message:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > MAX_BODY_BYTES:
                raise _too_large()
        return message

    return receive_counted


def _too_large() -> HTTPException:
    return HTTPException(413, f"a body may have {MAX_BODY_BYTES} bytes at most")
