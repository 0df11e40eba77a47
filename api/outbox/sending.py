"""One attempt to hand a message to a receiver whose address somebody typed in."""

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from threading import Event, Timer
from typing import Any, Final

import httpx

from api.dialling import (
    AddressRefused,
    HostUnknown,
    Resolver,
    Target,
    checked_address,
    pinned_request,
    resolved,
    target_of,
)
from api.outbox.retrying import Answer
from api.outbox.signing import signed_headers
from api.storage.deliveries import Claim

PORTS: Final = frozenset({443, 8443})
MOST_SECONDS: Final = 20.0


def endpoint_target(url: str, *, loopback: bool) -> Target:
    """Return where an endpoint's address leads; ``loopback`` is as for ``Sender``.

    Raises
    ------
    AddressRefused
    """
    return target_of(url, ports=PORTS, loopback=loopback)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """How messages leave the house.

    Attributes
    ----------
    tell_time : the real instant, whatever day a demo plays on: receivers believe no message whose
        time is far from their own clock's.
    loopback : whether an endpoint may be plain http on this very machine.
    seconds : how long one attempt may take in all.
    """

    tell_time: Callable[[], datetime]
    loopback: bool = False
    seconds: float = MOST_SECONDS
    resolve: Resolver = resolved
    transport: httpx.BaseTransport = field(
        default_factory=lambda: httpx.HTTPTransport(trust_env=False)
    )

    def send(self, claim: Claim) -> Answer:
        """Send one message and return what the receiver made of it.

        Of the answer only the status and ``Retry-After`` are read, and no word of it is kept.
        """
        now = self.tell_time()
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "Steamround events",
            **signed_headers(claim.event, claim.body, claim.secrets, at=now),
        }
        try:
            target = endpoint_target(claim.url, loopback=self.loopback)
            address = checked_address(target, self.resolve)
        except (AddressRefused, HostUnknown) as refusal:
            return Answer(status=None, problem=str(refusal))
        request = pinned_request(
            "POST", target, address, headers=headers, seconds=self.seconds, content=claim.body
        )
        with _cut_off(request, self.seconds) as too_late:
            try:
                response = self.transport.handle_request(request)
                response.close()
            except httpx.HTTPError as error:
                if too_late.is_set() or isinstance(error, httpx.TimeoutException):
                    return Answer(status=None, problem=f"no answer within {self.seconds:g} seconds")
                kind = type(error).__name__
                return Answer(status=None, problem=f"the receiver did not answer: {kind}")
        asked = response.headers.get("retry-after", "")
        return Answer(status=response.status_code, retry_after=_retry_after(asked, now))


@contextmanager
def _cut_off(request: httpx.Request, seconds: float) -> Iterator[Event]:
    """Cut the line when a request takes longer than ``seconds`` in all.

    The transport's own limit is for each step, and a receiver that sends a byte now and then could
    keep us for ever. The line is a second handle on the connection: the first goes into TLS.
    """
    lines: list[socket.socket] = []
    too_late = Event()

    def cut() -> None:
        too_late.set()
        for line in lines:
            with suppress(OSError):  # the other side has hung up already
                line.shutdown(socket.SHUT_RDWR)

    def watch(step: str, about: dict[str, Any]) -> None:
        if step == "connection.connect_tcp.complete":
            lines.append(about["return_value"].get_extra_info("socket").dup())
            if too_late.is_set():
                cut()

    request.extensions["trace"] = watch
    timer = Timer(seconds, cut)
    timer.daemon = True
    timer.start()
    try:
        yield too_late
    finally:
        timer.cancel()
        for line in lines:
            line.close()


def _retry_after(text: str, now: datetime) -> timedelta | None:
    """Return how long a Retry-After asks to wait: seconds, or a date (RFC 9110 section 10.2.3)."""
    if text.isascii() and text.isdigit():
        return timedelta(seconds=min(int(text[:9]), 10**8))
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return None
    if until.tzinfo is None:
        until = until.replace(tzinfo=UTC)
    return max(until - now, timedelta())
