"""Fetching a calendar from an address somebody typed in, without becoming their errand boy.

Whoever gives the address may mean a machine inside our own network. So only https on its usual
port is followed, the name is resolved once, every address it has must be a public one, and the
connection goes to the address that was checked. Redirects start again from the first rule.
The whole errand runs in a child process that can be killed (`api.feeds.fetching_child`); it must
not run inside a request.
"""

import ipaddress
import os
import socket
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit

import httpx

from scheduler.errors import UnreadableCalendar

MOST_OCTETS = 1024 * 1024
MOST_REDIRECTS = 3
MOST_SECONDS = 10.0

_NAT64 = ipaddress.ip_network("64:ff9b::/96")
_LOCAL_NAT64 = ipaddress.ip_network("64:ff9b:1::/48")
_HEADERS = {
    "Accept": "text/calendar",
    "Accept-Encoding": "gzip",
    "User-Agent": "Steamround calendar reader",
}

Resolver = Callable[[str], list[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where to ask: a host name, and a path with its query."""

    host: str
    path: str


def fetch_calendar(address: str, *, seconds: float = MOST_SECONDS) -> bytes:
    """Fetch the calendar at ``address`` in a child process.

    Keep the absences known so far when this fails.

    Raises
    ------
    UnreadableCalendar
        ``code`` and message say why; neither repeats the address, which may be a secret.
    """
    target_of(address)
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


def target_of(address: str) -> Target:
    """Return where ``address`` leads, if it may be followed at all.

    Raises
    ------
    UnreadableCalendar
        Unless it is https (or webcal, which means https) on port 443 without a user name.
    """
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        raise _refused("the address cannot be read") from None
    if parts.scheme not in ("https", "webcal"):
        raise _refused("only https addresses are fetched")
    if port not in (None, 443):
        raise _refused("only the usual https port is used")
    if parts.username is not None or parts.password is not None:
        raise _refused("an address with a user name is not fetched")
    if not parts.hostname or not parts.hostname.isascii():
        raise _refused("the address names no host in ASCII")
    return Target(
        host=parts.hostname, path=(parts.path or "/") + (parts.query and f"?{parts.query}")
    )


def public_address(host: str, resolve: Resolver) -> str:
    """Return the first address of ``host``, provided that all of them are public.

    Raises
    ------
    UnreadableCalendar
        When it has none, or any that leads elsewhere than to the public internet.
    """
    try:
        addresses = resolve(host)
    except OSError:
        addresses = []
    if not addresses:
        raise UnreadableCalendar("no_answer", "the host of the calendar is not known")
    if not all(is_public(address) for address in addresses):
        raise _refused("the host of the calendar is not on the public internet")
    return addresses[0]


def is_public(address: str) -> bool:
    """Whether an IP address belongs to the public internet, also when it wraps another one."""
    ip = ipaddress.ip_address(address)
    if isinstance(ip, ipaddress.IPv6Address):
        wrapped = ip.ipv4_mapped or ip.sixtofour or (ip.teredo and ip.teredo[1])
        if ip in _NAT64:
            wrapped = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if wrapped:
            return is_public(str(wrapped))
        if ip in _LOCAL_NAT64:
            return False
    return ip.is_global and not (ip.is_multicast or ip.is_reserved or ip.is_unspecified)


def resolved(host: str) -> list[str]:
    """Return the addresses of ``host`` from the system's resolver, in its order."""
    found = socket.getaddrinfo(host, 443, type=socket.SOCK_STREAM)
    return [str(entry[4][0]) for entry in found]


def fetched(address: str, *, resolve: Resolver, transport: httpx.BaseTransport) -> bytes:
    """Follow ``address`` and return the calendar there, decompressed.

    Raises
    ------
    UnreadableCalendar
    """
    for _ in range(1 + MOST_REDIRECTS):
        target = target_of(address)
        # Straight to the transport: it knows no cookies, redirects, credentials or proxies.
        try:
            response = transport.handle_request(
                _request(target, public_address(target.host, resolve))
            )
            try:
                if not response.has_redirect_location:
                    return _calendar_in(response)
                here = f"https://{target.host}{target.path}"
                address = urljoin(here, response.headers["location"])
            finally:
                response.close()
        except httpx.HTTPError as error:
            kind = type(error).__name__
            raise UnreadableCalendar("no_answer", f"the host did not answer: {kind}") from None
    raise UnreadableCalendar("too_many_redirects", f"more than {MOST_REDIRECTS} redirects")


def _request(target: Target, address: str) -> httpx.Request:
    """Ask the host's checked ``address``, under the host's name in TLS and in HTTP."""
    literal = f"[{address}]" if ":" in address else address
    return httpx.Request(
        "GET",
        f"https://{literal}{target.path}",
        headers={**_HEADERS, "Host": target.host},
        extensions={
            "sni_hostname": target.host,
            "timeout": httpx.Timeout(MOST_SECONDS).as_dict(),
        },
    )


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


def _refused(message: str) -> UnreadableCalendar:
    return UnreadableCalendar("address_refused", message)


def _environment_without_proxies() -> dict[str, str]:
    wanted = ("PYTHONPATH", "LD_LIBRARY_PATH", "SYSTEMROOT", "SSL_CERT_FILE", "SSL_CERT_DIR")
    return {name: os.environ[name] for name in wanted if name in os.environ}
