"""Each complaint is provoked by one change to a calendar that gives no cause for any."""

import gzip
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import count
from typing import Any

import httpx
import pytest

from api.feeds.checking import Complaint, Weight, complaints_about
from api.feeds.checking_delivery import complaints_about_address
from api.feeds.delivery import feed_reply, joined_fields, revoked_reply, store_form
from api.feeds.events import render_calendar
from scheduler.errors import UnreadableCalendar
from tests.api.feeds.test_feed_events import BERLIN, DAY_START, feed_event

GOOD = render_calendar(
    "Inga Voss",
    [
        feed_event(urgent=True, description="Äquatorstraße, " * 20),
        feed_event(uid="a2@steamround.example", zone="Africa/Casablanca"),
    ],
    BERLIN,
    day_start=DAY_START,
)
ADDRESS = "https://plan.example.org/feeds/srf_canary/inga-voss.ics"
FEED = store_form(GOOD, now=datetime(2026, 10, 2, tzinfo=UTC))


def told(complaints: list[Complaint]) -> list[tuple[Weight, str]]:
    return [(each.weight, f"{each.where} {each.sentence}".strip()) for each in complaints]


def test_a_calendar_of_our_own_gives_no_cause() -> None:
    assert complaints_about(GOOD) == []


@pytest.mark.parametrize(
    ("good", "bad", "weight", "word"),
    [
        ("BEGIN:VCALENDAR", "\ufeffBEGIN:VCALENDAR", Weight.WRONG, "byte order mark"),
        ("VERSION:2.0\r\n", "VERSION:2.0\n", Weight.WRONG, "1 lines do not end with CRLF"),
        ("VERSION:2.0\r\n", "", Weight.WRONG, "VERSION must stand exactly once"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nMETHOD:PUBLISH\r\n", Weight.RISKY, "METHOD"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nUID:1\r\n", Weight.WRONG, "itself has a UID"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nX-WR-TIMEZONE:UTC\r\n", Weight.RISKY, "X-WR-TIME"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nSOURCE:https://x/\r\n", Weight.RISKY, "SOURCE"),
        ("VERSION:2.0\r\n", "VERSION:2.0\r\nno property\r\n", Weight.WRONG, "is no property"),
        (";VALUE=DURATION", "", Weight.WRONG, "REFRESH-INTERVAL needs VALUE"),
        ("REFRESH-INTERVAL;", "X-OTHER;", Weight.NOTE, "no REFRESH-INTERVAL"),
        ("X-WR-CALNAME", "X-OTHER", Weight.NOTE, "no X-WR-CALNAME"),
        ("DTSTART;TZID=Europe/Berlin:", "DTSTART:", Weight.WRONG, "DTSTART floats"),
        ("DTEND;TZID=Europe/Berlin:", "DTEND;TZID=Mars:", Weight.WRONG, "no VTIMEZONE describes"),
        ("TZID:Europe/Berlin", "TZID:Berlin", Weight.RISKY, "not a name of the IANA"),
        ("DTEND;TZID=Europe/Berlin:20", "DTEND;TZID=Europe/Berlin:19", Weight.WRONG, "ends before"),
        ("UID:a2@", "UID:a1@", Weight.WRONG, "stands 2 times"),
        ("UID:a2@steamround.example\r\n", "", Weight.WRONG, "UID must stand exactly once"),
        ("DTSTAMP:", "X-STAMP:", Weight.WRONG, "DTSTAMP must stand exactly once"),
        ("SUMMARY:", "X-SUMMARY:", Weight.RISKY, "no SUMMARY"),
        ("TRIGGER:", "X-TRIGGER:", Weight.WRONG, "a reminder without TRIGGER"),
        ("END:VCALENDAR\r\n", "", Weight.WRONG, "inside a VCALENDAR: it was cut off"),
        ("END:VCALENDAR\r\n", "END:VCALENDAR", Weight.RISKY, "last line has no end"),
        ("SUMMARY:Café", "SUMMARY:C\x07af", Weight.WRONG, "SUMMARY has control characters"),
        ("SUMMARY:", "SUMMARY:" + 81 * "x", Weight.NOTE, "more than 80 characters"),
        ("SUMMARY:", "SUMMARY:" + 81 * "x", Weight.RISKY, "longer than 75 octets"),
    ],
)  # fmt: skip
def test_what_is_bad_is_said(good: str, bad: str, weight: Weight, word: str) -> None:
    assert good in GOOD.decode()

    complaints = told(complaints_about(GOOD.decode().replace(good, bad, 1).encode()))

    assert [said for said, sentence in complaints if word in sentence] == [weight]


def test_folding_inside_a_character_is_noticed() -> None:
    before, after = GOOD.split("Ä".encode(), 1)
    split = before + "Ä".encode()[:1] + b"\r\n " + "Ä".encode()[1:] + after

    assert any("2 lines are no UTF-8" in sentence for _, sentence in told(complaints_about(split)))


def test_dates_in_one_list_are_noticed() -> None:
    # Morocco has no yearly rule: its zone is written date by date
    one = next(line for line in GOOD.decode().split("\r\n") if line.startswith("RDATE"))
    listed = GOOD.decode().replace(one, f"{one},{one.partition(':')[2]}", 1).encode()

    assert any("several dates in one RDATE" in said for _, said in told(complaints_about(listed)))


@pytest.mark.parametrize("octets", [b"", b"\r\n", b"<html></html>", b"BEGIN:VCALENDAR"])
def test_what_is_no_calendar_is_called_so(octets: bytes) -> None:
    assert Weight.WRONG in {each.weight for each in complaints_about(octets)}


def asking(change: Callable[[httpx.Request, httpx.Response], httpx.Response]) -> httpx.Client:
    """Return a client whose every request is answered as a feed is, then changed."""

    def answer(request: httpx.Request) -> httpx.Response:
        reply = feed_reply(
            FEED,
            file_name="inga-voss.ics",
            method="HEAD" if request.method == "HEAD" else "GET",
            headers=joined_fields(request.headers.items()),
        )
        return change(
            request, httpx.Response(reply.status, headers=reply.headers, content=reply.body)
        )

    return httpx.Client(transport=httpx.MockTransport(answer))


def test_our_own_way_of_handing_over_gives_no_cause() -> None:
    with asking(lambda _, response: response) as client:
        assert told(complaints_about_address(ADDRESS, client)) == []
        assert told(complaints_about_address(ADDRESS.replace("https", "webcal"), client)) == []
        (open_way,) = complaints_about_address(ADDRESS.replace("https", "http"), client)
    assert open_way.sentence.startswith("it is not fetched by https")


def with_header(name: str, value: str | None) -> Any:
    def change(_: httpx.Request, response: httpx.Response) -> httpx.Response:
        response.headers.pop(name, None)
        if value is not None:
            response.headers[name] = value
        return response

    return change


def always_full(_: httpx.Request, response: httpx.Response) -> httpx.Response:
    if response.status_code == 304:
        return httpx.Response(200, content=GOOD, headers={"ETag": FEED.etag})
    return response


def without_head(request: httpx.Request, response: httpx.Response) -> httpx.Response:
    return httpx.Response(405) if request.method == "HEAD" else response


def one_tag(_: httpx.Request, response: httpx.Response) -> httpx.Response:
    if "content-encoding" in response.headers:
        response.headers["etag"] = FEED.etag
    return response


def restless() -> Any:
    number = count()

    def change(_: httpx.Request, response: httpx.Response) -> httpx.Response:
        if response.headers.get("content-encoding") == "gzip":
            return httpx.Response(200, content=gzip.compress(GOOD), headers=response.headers)
        stamp = f"DTSTAMP:20261002T0930{next(number):02d}Z".encode()
        return httpx.Response(200, content=GOOD.replace(b"DTSTAMP:20261002T093015Z", stamp))

    return change


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (with_header("content-type", "text/plain"), "content type is text/plain instead"),
        (with_header("content-type", "text/calendar"), "does not say charset"),
        (with_header("content-disposition", "attachment"), "attachment makes"),
        (with_header("cache-control", "private, no-store"), "no-store forbids"),
        (with_header("cache-control", "max-age=900"), "does not say no-cache"),
        (with_header("cache-control", "no-cache"), "does not say private"),
        (with_header("etag", None), "there is no ETag"),
        (with_header("last-modified", None), "no Last-Modified"),
        (with_header("vary", None), "Vary does not name"),
        (always_full, "If-None-Match is answered by 200 instead of 304"),
        (without_head, "HEAD is answered by 405"),
        (one_tag, "one strong ETag"),
        (restless(), "fetched twice in a row it is not the same"),
    ],
)
def test_a_bad_way_of_handing_over_is_said(change: Any, word: str) -> None:
    with asking(change) as client:
        complaints = told(complaints_about_address(ADDRESS, client))

    assert sum(word in sentence for _, sentence in complaints) == 1


def test_a_refusal_is_explained_without_the_address() -> None:
    reply = revoked_reply("GET")
    gone = httpx.MockTransport(lambda _: httpx.Response(410, content=reply.body))
    with (
        httpx.Client(transport=gone) as client,
        pytest.raises(UnreadableCalendar, match="withdrawn; programs stop asking") as refusal,
    ):
        complaints_about_address(ADDRESS, client)
    assert "canary" not in str(refusal.value)


def test_length_of_a_summary_is_that_of_what_is_read() -> None:
    """A comma is written with a backslash before it, which nobody sees."""
    just_fits = feed_event(summary="," * 80)
    calendar = render_calendar("Inga Voss", [just_fits], BERLIN, day_start=DAY_START)

    assert complaints_about(calendar) == []
