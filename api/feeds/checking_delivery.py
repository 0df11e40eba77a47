"""What a calendar program would dislike about the way a calendar is handed over.

Four questions are put to the address: the calendar; the calendar again with the ETag of the first
answer; its headers alone; the calendar compressed.
"""

from collections.abc import Iterator

import httpx

from api.feeds.checking import Complaint, Weight, complaints_about
from scheduler.errors import UnreadableCalendar


def complaints_about_address(address: str, client: httpx.Client) -> list[Complaint]:
    """Ask an address and return what there is to dislike, the way it is handed over first.

    Parameters
    ----------
    client
        Must not follow redirects.

    Raises
    ------
    UnreadableCalendar
        Nobody answers, or not with a calendar. The message does not repeat the address.
    """
    scheme, _, rest = address.partition("://")
    url = f"https://{rest}" if scheme == "webcal" else address
    plain = {"Accept-Encoding": "identity"}
    try:
        full = client.get(url, headers=plain)
        if full.status_code != 200:
            raise UnreadableCalendar("no_answer", _refused(full.status_code))
        again = client.get(url, headers=plain)
        head = client.head(url, headers=plain)
        zipped = client.get(url, headers={"Accept-Encoding": "gzip"})
        tag = full.headers.get("etag")
        since = full.headers.get("last-modified")
        conditional = client.get(url, headers={**plain, "If-None-Match": tag}) if tag else None
        dated = client.get(url, headers={**plain, "If-Modified-Since": since}) if since else None
    except httpx.HTTPError as error:
        raise UnreadableCalendar("no_answer", f"nobody answers: {type(error).__name__}") from None
    except httpx.InvalidURL:
        raise UnreadableCalendar("address_refused", "the address cannot be read") from None
    return [
        *_of_first_answer(full, url),
        *_of_further_answers(full, again, head, zipped),
        *_of_conditions(full, conditional, dated),
        *complaints_about(full.content),
    ]


def _refused(status: int) -> str:
    meaning = {
        301: "it has moved: some programs do not follow",
        401: "it asks for a password: many programs cannot give one",
        404: "there is none; programs keep silently what they had",
        410: "it was withdrawn; programs stop asking",
    }
    return f"the address answers {status}: {meaning.get(status, 'programs stop for a while')}"


def _of_first_answer(full: httpx.Response, url: str) -> Iterator[Complaint]:
    if not url.startswith("https://"):
        yield _risky("it is not fetched by https: everybody on the way can read it")
    kind, _, parameters = full.headers.get("content-type", "").lower().partition(";")
    if kind.strip() != "text/calendar":
        yield _wrong(f"its content type is {kind or 'missing'} instead of text/calendar")
    elif "utf-8" not in parameters:
        yield _risky("its content type does not say charset=utf-8")
    if "attachment" in full.headers.get("content-disposition", ""):
        yield _risky("Content-Disposition: attachment makes some programs refuse it")
    caching = full.headers.get("cache-control", "")
    if "no-store" in caching:
        yield _risky("Cache-Control: no-store forbids asking whether it has changed")
    elif "no-cache" not in caching:
        yield _risky("Cache-Control does not say no-cache: an old calendar may be shown as new")
    if "private" not in caching and "no-store" not in caching:
        yield _risky("Cache-Control does not say private: a cache on the way may keep it")
    if "set-cookie" in full.headers:
        yield _note("a cookie is set, which calendar programs do not keep")


def _of_further_answers(
    full: httpx.Response, again: httpx.Response, head: httpx.Response, zipped: httpx.Response
) -> Iterator[Complaint]:
    if again.content != full.content:
        yield _wrong(
            "fetched twice in a row it is not the same: programs take every event for changed"
        )
    if head.status_code != 200:
        yield _risky(f"HEAD is answered by {head.status_code}; some programs ask so first")
    elif head.headers.get("etag") != full.headers.get("etag"):
        yield _risky("HEAD gives another ETag than GET")
    tag = full.headers.get("etag", "")
    if (
        zipped.headers.get("content-encoding") == "gzip"
        and zipped.headers.get("etag") == tag
        and tag.startswith('"')
    ):
        yield _risky("compressed and plain have one strong ETag (RFC 9110 section 8.8.3)")
    if (
        zipped.headers.get("content-encoding")
        and "accept-encoding" not in zipped.headers.get("vary", "").lower()
    ):
        yield _risky("Vary does not name Accept-Encoding: a cache may give out the wrong form")
    if zipped.content != again.content and again.content == full.content:
        yield _wrong("compressed it is another calendar")


def _of_conditions(
    full: httpx.Response, conditional: httpx.Response | None, dated: httpx.Response | None
) -> Iterator[Complaint]:
    if conditional is None:
        yield _risky("there is no ETag: every look fetches the whole calendar")
    elif conditional.status_code != 304:
        yield _risky(f"If-None-Match is answered by {conditional.status_code} instead of 304")
    elif conditional.headers.get("etag") != full.headers.get("etag"):
        yield _risky("304 does not repeat the ETag (RFC 9110 section 15.4.5)")
    if dated is None:
        yield _note("there is no Last-Modified for programs that ask by date")
    elif dated.status_code != 304:
        yield _note(f"If-Modified-Since is answered by {dated.status_code} instead of 304")


def _wrong(sentence: str) -> Complaint:
    return Complaint(weight=Weight.WRONG, where="", sentence=sentence)


def _risky(sentence: str) -> Complaint:
    return Complaint(weight=Weight.RISKY, where="", sentence=sentence)


def _note(sentence: str) -> Complaint:
    return Complaint(weight=Weight.NOTE, where="", sentence=sentence)
