"""Fetching a calendar from an address somebody typed in, by the rules of ``api.dialling``.

A redirect starts again from the first rule. The whole errand runs in a child process that can be
killed (`api.feeds.fetching_child`); it must not run inside a request.
"""

import os
import subprocess
import sys
import zlib
from collections.abc import Iterator
from urllib.parse import urljoin

import httpx

from api.dialling import (
    AddressRefused,
    HostUnknown,
    Resolver,
    Target,
    checked_address,
    pinned_request,
    target_of,
)
from scheduler.errors import UnreadableCalendar

MOST_OCTETS = 1024 * 1024
MOST_REDIRECTS = 3
MOST_SECONDS = 10.0

_HEADERS = {
    "Accept": "text/calendar",
    "Accept-Encoding": "gzip",
    "User-Agent": "Steamround calendar reader",
}


def fetch_calendar(address: str, *, seconds: float = MOST_SECONDS) -> bytes:
    """Fetch the calendar at ``address`` in a child process.

    Keep the absences known so far when this fails.

    Raises
    ------
    UnreadableCalendar
        ``code`` and message say why; neither repeats the address, which may be a secret.
    """
    calendar_target(address)
    try:
        child = subprocess.run(
            [sys.executable, "-m", "api.feeds.fetching_child"],
            input=address.encode(),
            env=_environment_without_proxies(),
            capture_output=True,
            timeout=seconds,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise UnreadableCalendar(
            "took_too_long", f"the calendar did not arrive within {seconds:g} seconds"
        ) from None
    if child.returncode != 0:
        code, _, message = child.stderr.decode().strip().rpartition("\n")[2].partition(": ")
        raise UnreadableCalendar(code, message)
    return child.stdout


def calendar_target(address: str) -> Target:
    """Return where ``address`` leads, if it may be followed at all; webcal means https.

    Raises
    ------
    UnreadableCalendar
        As ``api.dialling.target_of`` refuses it.
    """
    scheme, colon, rest = address.partition(":")
    if scheme.lower() == "webcal":
        address = f"https{colon}{rest}"
    try:
        return target_of(address)
    except AddressRefused as refusal:
        raise UnreadableCalendar("address_refused", str(refusal)) from None


def fetched(address: str, *, resolve: Resolver, transport: httpx.BaseTransport) -> bytes:
    """Follow ``address`` and return the calendar there, decompressed.

    Raises
    ------
    UnreadableCalendar
    """
    for _ in range(1 + MOST_REDIRECTS):
        target = calendar_target(address)
        try:
            pinned = checked_address(target, resolve)
            response = transport.handle_request(
                pinned_request("GET", target, pinned, headers=_HEADERS, seconds=MOST_SECONDS)
            )
            try:
                if not response.has_redirect_location:
                    return _calendar_in(response)
                here = f"https://{target.host_header}{target.path}"
                address = urljoin(here, response.headers["location"])
            finally:
                response.close()
        except AddressRefused as refusal:
            raise UnreadableCalendar("address_refused", str(refusal)) from None
        except HostUnknown as unknown:
            raise UnreadableCalendar("no_answer", str(unknown)) from None
        except httpx.HTTPError as error:
            kind = type(error).__name__
            raise UnreadableCalendar("no_answer", f"the host did not answer: {kind}") from None
    raise UnreadableCalendar("too_many_redirects", f"more than {MOST_REDIRECTS} redirects")


def _calendar_in(response: httpx.Response) -> bytes:
    if response.status_code != 200:
        raise UnreadableCalendar("no_answer", f"the host answered {response.status_code}")
    coding = response.headers.get("content-encoding", "identity").lower()
    if coding not in ("identity", "gzip", "x-gzip"):
        raise UnreadableCalendar("not_a_calendar", "the calendar is in an unknown encoding")
    body = _limited(response.iter_raw(), zipped=coding != "identity")
    kind = response.headers.get("content-type", "").partition(";")[0].strip().lower()
    begins = body.removeprefix(b"\xef\xbb\xbf").lstrip()[:15].upper()
    if kind != "text/calendar" and begins != b"BEGIN:VCALENDAR":
        raise UnreadableCalendar("not_a_calendar", "there is no calendar at the address")
    return body


def _limited(chunks: Iterator[bytes], *, zipped: bool) -> bytes:
    """The body, given up as soon as it is too large, before or after decompression."""
    unzip = zlib.decompressobj(wbits=zlib.MAX_WBITS + 16)
    body, received = bytearray(), 0
    try:
        for chunk in chunks:
            received += len(chunk)
            room = MOST_OCTETS + 1 - len(body)
            body += unzip.decompress(chunk, room) if zipped else chunk
            if max(received, len(body)) > MOST_OCTETS:
                raise UnreadableCalendar(
                    "too_large", f"a calendar may have {MOST_OCTETS} octets at most"
                )
    except zlib.error:
        raise UnreadableCalendar("not_a_calendar", "the compressed calendar is damaged") from None
    if zipped and not unzip.eof:
        raise UnreadableCalendar("broken_off", "the compressed calendar breaks off")
    return bytes(body)


def _environment_without_proxies() -> dict[str, str]:
    wanted = ("PYTHONPATH", "LD_LIBRARY_PATH", "SYSTEMROOT", "SSL_CERT_FILE", "SSL_CERT_DIR")
    return {name: os.environ[name] for name in wanted if name in os.environ}
