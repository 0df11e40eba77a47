"""How a finished calendar is handed over: conditional requests, encodings and headers.

The decision is a pure function of the stored bytes and the request's headers (RFC 9110 sections
8.8, 12.5.3, 13.1 and 13.2). A route only carries the outcome.
"""

import gzip
import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime, parsedate_to_datetime
from functools import lru_cache
from typing import Literal

from scheduler.errors import InvalidInput

CONTENT_TYPE = "text/calendar; charset=utf-8"

_GZIP_LEVEL = 4
"""Of 9: higher ones take several times as long, in the transaction that changes an appointment."""

_STRONG_TAG = re.compile(r'"[\x21\x23-\x7e]+"')
_ENTITY_TAG = re.compile(r'(?:W/)?("[\x21\x23-\x7e\x80-\xff]*")')
_ENTITY_TAGS = re.compile(
    rf"[\t ,]*{_ENTITY_TAG.pattern}(?:[\t ]*,[\t ,]*{_ENTITY_TAG.pattern})*[\t ,]*"
)
_CODING = re.compile(
    r"([!#$%&'*+.^_`|~0-9A-Za-z-]+)(?:[\t ]*;[\t ]*[qQ]=(0(?:\.\d{0,3})?|1(?:\.0{0,3})?))?"
)
_PROTECTION = (
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),  # the address is the secret
    ("X-Robots-Tag", "noindex, nofollow"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFeed:
    """A calendar as it stands ready to be sent.

    Attributes
    ----------
    body, gzip_body
        The calendar, and the same compressed.
    etag
        Strong validator of ``body``, in its quotation marks.
    modified
        UTC, whole seconds: when ``body`` last changed.
    """

    body: bytes
    gzip_body: bytes
    etag: str
    modified: datetime

    def __post_init__(self) -> None:
        if not self.body:
            raise InvalidInput("body must not be empty: that would wipe the reader's calendar")
        if not _STRONG_TAG.fullmatch(self.etag):
            raise InvalidInput(f"etag must be strong and in quotation marks, got {self.etag}")
        if self.modified.utcoffset() != timedelta(0) or self.modified.microsecond:
            raise InvalidInput(f"modified must be UTC in whole seconds, got {self.modified}")

    @property
    def gzip_etag(self) -> str:
        """Strong validator of ``gzip_body``: other bytes, so another tag."""
        return f'{self.etag[:-1]}-gz"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What goes back: status, headers in order, body (empty for HEAD and 304)."""

    status: int
    headers: tuple[tuple[str, str], ...]
    body: bytes


def store_form(body: bytes, *, now: datetime, previous: StoredFeed | None = None) -> StoredFeed:
    """Return ``body`` as it is kept; ``previous`` itself when the calendar has not changed.

    ``modified`` is ``now`` cut to the second, but always later than that of ``previous``: dates
    in HTTP have no fractions, and two changes within one second must not look like one.
    """
    if previous is not None and previous.body == body:
        return previous
    modified = now.astimezone(UTC).replace(microsecond=0)
    if previous is not None:
        modified = max(modified, previous.modified + timedelta(seconds=1))
    digest = hashlib.sha256(body).hexdigest()
    return StoredFeed(
        body=body,
        gzip_body=gzip.compress(body, _GZIP_LEVEL, mtime=0),
        etag=f'"{digest}"',
        modified=modified,
    )


def joined_fields(fields: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return header fields by lower-case name, those of one name joined by a comma.

    RFC 9110 section 5.3: a client may send If-None-Match in several lines.
    """
    joined: dict[str, str] = {}
    for name, value in fields:
        key = name.lower()
        joined[key] = f"{joined[key]}, {value}" if key in joined else value
    return joined


def feed_reply(
    feed: StoredFeed,
    *,
    file_name: str,
    method: Literal["GET", "HEAD"],
    headers: Mapping[str, str],
) -> Reply:
    """Answer a request for a feed that exists.

    Parameters
    ----------
    file_name
        ASCII, such as ``joerg-uenal.ics``.
    headers
        The request's, from `joined_fields`.

    Returns
    -------
    Reply
        200, or 304 without a body. HEAD gives the headers of GET.
    """
    zipped = prefers_gzip(headers.get("accept-encoding"))
    body = feed.gzip_body if zipped else feed.body
    etag = feed.gzip_etag if zipped else feed.etag
    if is_unchanged(
        headers.get("if-none-match"),
        headers.get("if-modified-since"),
        etag=etag,
        modified=feed.modified,
    ):
        return Reply(status=304, headers=_validators(etag), body=b"")
    content = (
        ("Content-Type", CONTENT_TYPE),
        ("Content-Disposition", f'inline; filename="{file_name}"'),
        ("Content-Length", str(len(body))),
        *((("Content-Encoding", "gzip"),) if zipped else ()),
    )
    described = (*content, *_validators(etag), *_description(feed.modified))
    return Reply(status=200, headers=described, body=b"" if method == "HEAD" else body)


def absent_reply(method: Literal["GET", "HEAD"]) -> Reply:
    """Answer for an address that never was: 404. Calendar programs keep what they have."""
    return _refusal(404, "There is no such calendar.\n", method)


def revoked_reply(method: Literal["GET", "HEAD"]) -> Reply:
    """Answer for a link that was withdrawn: 410. Calendar programs stop asking."""
    return _refusal(410, "This calendar link has been withdrawn. Ask for a new one.\n", method)


def is_unchanged(
    if_none_match: str | None, if_modified_since: str | None, *, etag: str, modified: datetime
) -> bool:
    """Whether the requester already holds this representation (RFC 9110 section 13.2.2).

    If-None-Match, where present, decides alone; tags compare weakly. A header that cannot be read
    counts as "not the same", so that the answer is the calendar.
    """
    if if_none_match is not None:
        if if_none_match.strip(" \t") == "*":
            return True
        if _ENTITY_TAGS.fullmatch(if_none_match) is None:
            return False
        return etag in _ENTITY_TAG.findall(if_none_match)
    if if_modified_since is None:
        return False
    try:
        since = parsedate_to_datetime(if_modified_since)
    except ValueError:
        return False
    if since.tzinfo is None:  # the two older forms of an HTTP date carry no zone and mean GMT
        since = since.replace(tzinfo=UTC)
    return modified <= since


@lru_cache(maxsize=256)
def prefers_gzip(accept_encoding: str | None) -> bool:
    """Whether gzip is acceptable and not less welcome than no coding (RFC 9110 section 12.5.3).

    When the header rules out both, the plain calendar is sent: a refusal would cost a calendar
    program its good copy.
    """
    if accept_encoding is None:
        return False
    weights: dict[str, float] = {}
    for part in accept_encoding.split(","):
        if match := _CODING.fullmatch(part.strip(" \t")):
            weights[match[1].lower()] = float(match[2]) if match[2] else 1.0
    anything_else = weights.get("*", 0.0)
    gzip_weight = weights.get("gzip", weights.get("x-gzip", anything_else))
    # Plain bytes are always acceptable, but only as a fallback unless they are named.
    identity_weight = weights.get("identity", 0.0)
    return gzip_weight > 0 and gzip_weight >= identity_weight


def _validators(etag: str) -> tuple[tuple[str, str], ...]:
    """What 200 and 304 both carry, and all that 304 should (RFC 9110 section 15.4.5)."""
    return (
        ("ETag", etag),
        ("Cache-Control", "private, no-cache"),
        ("Vary", "Accept-Encoding"),
    )


@lru_cache(maxsize=1024)
def _description(modified: datetime) -> tuple[tuple[str, str], ...]:
    return (("Last-Modified", format_datetime(modified, usegmt=True)), *_PROTECTION)


def _refusal(status: int, sentence: str, method: Literal["GET", "HEAD"]) -> Reply:
    body = sentence.encode()
    headers = (
        ("Content-Type", "text/plain; charset=utf-8"),
        ("Content-Length", str(len(body))),
        ("Cache-Control", "private, no-cache"),
        *_PROTECTION,
    )
    return Reply(status=status, headers=headers, body=b"" if method == "HEAD" else body)
