"""Conditional requests to the letter: RFC 9110 sections 8.8, 12.5.3, 13.1 and 13.2."""

import gzip
import hashlib
from datetime import UTC, datetime, timedelta
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.feeds.delivery import (
    Reply,
    StoredFeed,
    absent_reply,
    feed_reply,
    is_unchanged,
    joined_fields,
    prefers_gzip,
    revoked_reply,
    store_form,
)
from scheduler.errors import InvalidInput

BODY = b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n" * 9
NOW = datetime(1994, 11, 6, 8, 49, 37, 250_000, tzinfo=UTC)
FEED = store_form(BODY, now=NOW)
DIGEST = hashlib.sha256(BODY).hexdigest()

DESCRIPTION = (
    ("Last-Modified", "Sun, 06 Nov 1994 08:49:37 GMT"),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Robots-Tag", "noindex, nofollow"),
)


def validators(etag: str) -> tuple[tuple[str, str], ...]:
    return (
        ("ETag", etag),
        ("Cache-Control", "private, no-cache"),
        ("Vary", "Accept-Encoding"),
    )


def ask(method: Literal["GET", "HEAD"] = "GET", **headers: str) -> Reply:
    return feed_reply(
        FEED,
        file_name="joerg-uenal.ics",
        method=method,
        headers={name.replace("_", "-"): value for name, value in headers.items()},
    )


def test_plain_request_gets_the_calendar() -> None:
    assert ask() == Reply(
        status=200,
        headers=(
            ("Content-Type", "text/calendar; charset=utf-8"),
            ("Content-Disposition", 'inline; filename="joerg-uenal.ics"'),
            ("Content-Length", "288"),  # 9 × 32 octets
            *validators(f'"{DIGEST}"'),
            *DESCRIPTION,
        ),
        body=BODY,
    )


def test_request_that_takes_gzip_gets_it_under_a_tag_of_its_own() -> None:
    reply = ask(accept_encoding="gzip, deflate, br")

    assert reply == Reply(
        status=200,
        headers=(
            ("Content-Type", "text/calendar; charset=utf-8"),
            ("Content-Disposition", 'inline; filename="joerg-uenal.ics"'),
            ("Content-Length", str(len(reply.body))),
            ("Content-Encoding", "gzip"),
            *validators(f'"{DIGEST}-gz"'),
            *DESCRIPTION,
        ),
        body=FEED.gzip_body,
    )
    assert gzip.decompress(reply.body) == BODY


@pytest.mark.parametrize("encoding", ["gzip", "identity"])
def test_head_gives_the_headers_of_get(encoding: str) -> None:
    get, head = ask(accept_encoding=encoding), ask("HEAD", accept_encoding=encoding)

    assert head == Reply(status=200, headers=get.headers, body=b"")


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_304_repeats_the_validators_and_nothing_of_the_content(
    method: Literal["GET", "HEAD"],
) -> None:
    reply = ask(method, if_none_match=f'"{DIGEST}-gz"', accept_encoding="gzip")

    assert reply == Reply(status=304, headers=validators(f'"{DIGEST}-gz"'), body=b"")


def test_tag_of_the_other_encoding_is_not_the_selected_one() -> None:
    assert ask(if_none_match=f'"{DIGEST}-gz"').status == 200
    assert ask(if_none_match=f'"{DIGEST}"', accept_encoding="gzip").status == 200


@pytest.mark.parametrize(
    ("if_none_match", "unchanged"),
    [
        ('"xyzzy"', True),
        ('W/"xyzzy"', True),  # weak comparison, section 8.8.3.2
        ("*", True),
        (" * ", True),
        ('"r2d2", "xyzzy", "c3p0"', True),
        ('W/"r2d2",W/"xyzzy"', True),
        ('"comma,inside", "xyzzy"', True),
        (', "xyzzy" ,, "r2d2",', True),  # empty elements, section 5.6.1.2
        ('"r2d2"', False),
        ('"r2d2, xyzzy"', False),
        ('w/"xyzzy"', False),  # the W is case-sensitive
        ("xyzzy", False),
        ('"xyzzy', False),
        ('"xyzzy" "r2d2"', False),
        ('"XYZZY"', False),
        ("", False),
    ],
)
def test_if_none_match_compares_tags(if_none_match: str, unchanged: bool) -> None:
    assert is_unchanged(if_none_match, None, etag='"xyzzy"', modified=NOW) is unchanged


def test_fields_of_one_name_are_joined() -> None:
    assert joined_fields(
        [("If-None-Match", '"a"'), ("Accept-Encoding", "gzip"), ("if-none-match", 'W/"b"')]
    ) == {"if-none-match": '"a", W/"b"', "accept-encoding": "gzip"}


@pytest.mark.parametrize(
    ("if_modified_since", "unchanged"),
    [
        # Section 5.6.7: the three forms of one date that a recipient must accept.
        ("Sun, 06 Nov 1994 08:49:37 GMT", True),
        ("Sunday, 06-Nov-94 08:49:37 GMT", True),
        ("Sun Nov  6 08:49:37 1994", True),
        ("Sun, 06 Nov 1994 08:49:36 GMT", False),
        ("Mon, 07 Nov 1994 00:00:00 GMT", True),
        ("yesterday", False),
        ("", False),
        ("Sun, 99 Nov 1994 08:49:37 GMT", False),
    ],
)
def test_if_modified_since_compares_seconds(if_modified_since: str, unchanged: bool) -> None:
    modified = NOW.replace(microsecond=0)

    assert is_unchanged(None, if_modified_since, etag='"x"', modified=modified) is unchanged


@pytest.mark.parametrize(("tag", "unchanged"), [('"old"', False), ('"x"', True)])
def test_if_none_match_decides_whatever_if_modified_since_says(tag: str, unchanged: bool) -> None:
    # Section 13.2.2, steps 3 and 4.
    for date in ("Sun, 06 Nov 2044 08:49:37 GMT", "Sun, 06 Nov 1980 08:49:37 GMT"):
        assert is_unchanged(tag, date, etag='"x"', modified=NOW) is unchanged


@given(st.text(), st.text())
def test_any_header_gets_an_answer(tags: str, date: str) -> None:
    assert is_unchanged(tags, None, etag='"x"', modified=NOW) in (True, False)
    assert is_unchanged(None, date, etag='"x"', modified=NOW) in (True, False)
    assert prefers_gzip(tags) in (True, False)


@pytest.mark.parametrize(
    ("accept_encoding", "zipped"),
    [
        (None, False),
        ("", False),
        ("gzip", True),
        ("GZip", True),
        ("x-gzip", True),  # section 8.4.1.3: the same coding
        ("deflate, gzip;q=1.0, *;q=0.5", True),
        ("gzip;q=0", False),
        ("gzip;q=0.000, identity", False),
        ("gzip; q=0.001", True),
        ("*", True),
        ("*;q=0", False),
        ("identity;q=0, gzip", True),
        ("identity;q=1, gzip;q=0.5", False),
        ("identity;q=0.5, gzip;q=0.5", True),
        ("gzip;q=0, *", False),
        ("br, deflate", False),
        ("gzip;q=2", False),
    ],
)
def test_gzip_is_sent_where_it_is_welcome(accept_encoding: str | None, zipped: bool) -> None:
    assert prefers_gzip(accept_encoding) is zipped


def test_header_that_rules_out_everything_still_gets_the_calendar() -> None:
    assert ask(accept_encoding="*;q=0").body == BODY


def test_unknown_address_is_404_and_withdrawn_link_410() -> None:
    assert absent_reply("GET") == Reply(
        status=404,
        headers=(
            ("Content-Type", "text/plain; charset=utf-8"),
            ("Content-Length", "27"),
            ("Cache-Control", "private, no-cache"),
            *DESCRIPTION[1:],
        ),
        body=b"There is no such calendar.\n",
    )
    assert revoked_reply("GET").status == 410
    assert revoked_reply("HEAD") == Reply(
        status=410, headers=revoked_reply("GET").headers, body=b""
    )


def test_same_calendar_keeps_its_tag_and_date() -> None:
    assert store_form(BODY, now=NOW + timedelta(days=1), previous=FEED) is FEED


def test_two_changes_within_one_second_have_two_dates() -> None:
    second = store_form(BODY + b"1", now=NOW, previous=FEED)
    third = store_form(BODY + b"2", now=NOW, previous=second)

    assert [feed.modified.second for feed in (FEED, second, third)] == [37, 38, 39]


def test_stored_form_does_not_depend_on_when_it_is_made() -> None:
    later = store_form(BODY, now=NOW + timedelta(hours=1))

    assert (later.etag, later.gzip_body) == (FEED.etag, FEED.gzip_body)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"body": b""}, "body must not be empty: that would wipe the reader's calendar"),
        ({"etag": 'W/"x"'}, 'etag must be strong and in quotation marks, got W/"x"'),
        ({"modified": NOW}, f"modified must be UTC in whole seconds, got {NOW}"),
    ],
)
def test_stored_feed_refuses_what_may_not_be_sent(change: dict[str, object], message: str) -> None:
    values: dict[str, object] = {
        "body": BODY,
        "gzip_body": FEED.gzip_body,
        "etag": '"x"',
        "modified": FEED.modified,
        **change,
    }
    with pytest.raises(InvalidInput) as refusal:
        StoredFeed(**values)  # type: ignore[arg-type]
    assert str(refusal.value) == message
