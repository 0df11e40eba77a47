"""ETag, If-Match and If-None-Match (RFC 9110, section 13) on records with a version."""

import re
from typing import Annotated

from fastapi import Depends, Header, Request, Response

from api.storage.tables.versioned import Versioned
from scheduler.errors import SteamroundError

_VERSION_TAG = re.compile(r'"v(\d+)"')
_NO_VERSION = 0
_ANY_TAG = re.compile(r'(?:W/)?("[^"]*")')


class PreconditionRequired(SteamroundError):
    """A change that does not say which version it changes."""

    def __init__(self) -> None:
        super().__init__("send If-Match with the ETag of the version you are changing")


class NotModified(Exception):
    """The caller has this version already: not an error, but no body either."""

    def __init__(self, etag: str) -> None:
        self.etag = etag


def etag_of(version: int) -> str:
    """Return the strong entity tag of a version."""
    return f'"v{version}"'


def show(request: Request, response: Response, row: Versioned) -> None:
    """Send the ETag of a row; raise ``NotModified`` when the caller holds that version."""
    show_tag(request, response, etag_of(row.version))


def show_tag(request: Request, response: Response, etag: str) -> None:
    """Send an entity tag; raise ``NotModified`` when a reader holds it already."""
    held = request.headers.get("if-none-match")
    if (
        request.method in ("GET", "HEAD")
        and held is not None
        and (held.strip() == "*" or etag in _ANY_TAG.findall(held))
    ):
        raise NotModified(etag)
    response.headers["ETag"] = etag


def _expected_version(
    if_match: Annotated[
        str | None,
        Header(
            description="The ETag of the version that is being changed.",
            examples=['"v3"'],
            json_schema_extra={"pattern": '^"v[0-9]+"$', "x-required": True},
        ),
    ] = None,
) -> int:
    if if_match is None:
        raise PreconditionRequired
    match = _VERSION_TAG.fullmatch(if_match.strip())
    # a tag nobody was given is no version's; the body is judged before the precondition
    return int(match[1]) if match is not None else _NO_VERSION


IfMatch = Annotated[int, Depends(_expected_version)]
"""The version a change is meant for: 428 without the header, 412 when it is not the current one."""
