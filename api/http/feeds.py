"""The calendars themselves: no key, the address is the secret."""

from typing import Literal

from fastapi import APIRouter, BackgroundTasks, Request, Response

from api.actions.calendars import stored_feed
from api.feeds.delivery import Reply, absent_reply, feed_reply, joined_fields, revoked_reply
from api.feeds.links import file_stem, is_same_secret, is_secret_shaped, secret_hash
from api.http.context import Database, Now
from api.storage.feed_fetches import feed_by_secret_hash, remember_fetch

router = APIRouter(tags=["feeds"])


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
def read_feed(
    secret: str,
    name: str,
    request: Request,
    database: Database,
    now: Now,
    afterwards: BackgroundTasks,
) -> Response:
    """Return a technician's calendar (RFC 5545), 304 to a reader who has it already."""
    reply = _response(_reply(secret, request, database, now, afterwards))
    reply.background = afterwards
    return reply


def _reply(
    secret: str, request: Request, database: Database, now: Now, afterwards: BackgroundTasks
) -> Reply:
    method: Literal["GET", "HEAD"] = "HEAD" if request.method == "HEAD" else "GET"
    if not is_secret_shaped(secret):
        return absent_reply(method)
    with database.read() as session:
        found = feed_by_secret_hash(session, secret_hash(secret))
    if found is None or not is_same_secret(secret, found.link.secret_hash):
        return absent_reply(method)
    if found.link.revoked_at is not None:
        return revoked_reply(method)
    reader = request.headers.get("user-agent", "")
    afterwards.add_task(remember_fetch, database, found.link, now=now, reader=reader)
    return feed_reply(
        stored_feed(found.document),
        file_name=f"{file_stem(found.technician.name)}.ics",
        method=method,
        headers=joined_fields(request.headers.items()),
    )


def _response(reply: Reply) -> Response:
    response = Response(content=reply.body, status_code=reply.status)
    del response.headers["content-length"]  # the reply says it itself, for HEAD too
    for name, value in reply.headers:
        response.headers[name] = value
    return response
