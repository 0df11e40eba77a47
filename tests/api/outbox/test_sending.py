"""Where messages are sent, and that nobody can keep the sender waiting."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import httpx
import pytest

from api.outbox.retrying import Answer
from api.outbox.sending import Sender
from api.outbox.signing import mint_secret
from api.storage.deliveries import Claim
from tests.api.outbox.conftest import PUBLIC, START, Receiver


def message_to(url: str) -> Claim:
    return Claim(
        token="tk", delivery="dl", endpoint="we", event="ev", attempt=1, url=url,
        secrets=(mint_secret(),), body=b"{}",
    )  # fmt: skip


@pytest.mark.parametrize(
    "url",
    [
        "https://127.0.0.1/",
        "https://2130706433/",
        "https://0x7f.1/",
        "https://[::ffff:127.0.0.1]/",
        "https://169.254.169.254/latest/meta-data",
        "https://localhost/",
        "http://localhost/",
        "http://hook.example/",
        "https://hook.example:25/",
    ],
)
def test_nothing_is_sent_into_our_own_network(url: str) -> None:
    receiver = Receiver(200)
    answer = Sender(tell_time=lambda: START, transport=receiver.transport).send(message_to(url))
    assert (answer.status, receiver.requests) == (None, [])
    assert answer.problem != ""


def test_a_name_that_leads_inside_since_it_was_checked_is_refused() -> None:
    answers = [[PUBLIC], ["127.0.0.1"], [PUBLIC, "10.0.0.1"]]
    receiver = Receiver(200)
    sender = Sender(
        tell_time=lambda: START, resolve=lambda host: answers.pop(0), transport=receiver.transport
    )

    sent = [sender.send(message_to("https://hook.example/")) for _ in range(3)]

    refused = Answer(status=None, problem="the host is not on the public internet")
    assert sent == [Answer(status=200), refused, refused]
    assert [request.url.host for request in receiver.requests] == [PUBLIC]


def test_a_redirect_is_not_followed() -> None:
    there = httpx.Response(307, headers={"Location": "https://hook.example/elsewhere"})
    receiver = Receiver(there)
    sender = Sender(
        tell_time=lambda: START, resolve=lambda host: [PUBLIC], transport=receiver.transport
    )

    assert sender.send(message_to("https://hook.example/")).status == 307
    assert len(receiver.requests) == 1


@contextmanager
def listening(*pieces: bytes, pause: float) -> Iterator[str]:
    """A receiver on a real line that answers in pieces, with a pause after each."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            line, _ = server.accept()
            with line:
                line.recv(65536)
                for piece in pieces:
                    try:
                        line.sendall(piece)
                    except OSError:
                        return  # hung up on
                    time.sleep(pause)

        thread = threading.Thread(target=answer)
        thread.start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}/hook"
        thread.join()


def test_a_message_goes_over_a_real_line() -> None:
    busy = b"HTTP/1.1 429 Too Many Requests\r\nRetry-After: 7\r\nContent-Length: 0\r\n\r\n"
    with listening(busy, pause=0) as url:
        answer = Sender(tell_time=lambda: START, loopback=True).send(message_to(url))
    assert answer == Answer(status=429, retry_after=timedelta(seconds=7))


@pytest.mark.parametrize("pieces", [(b"", b""), (b"HTTP/1.1 200 OK\r\n", *[b"X: y\r\n"] * 12)])
def test_a_receiver_that_dawdles_is_cut_off(pieces: tuple[bytes, ...]) -> None:
    """The second one says something every 0.1 s, so that no single step takes too long."""
    with listening(*pieces, pause=0.1 if len(pieces) > 2 else 0.6) as url:
        answer = Sender(tell_time=lambda: START, loopback=True, seconds=0.4).send(message_to(url))
    assert answer == Answer(status=None, problem="no answer within 0.4 seconds")


def test_a_receiver_that_is_not_there_is_said_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"http://127.0.0.1:{server.getsockname()[1]}/"
    answer = Sender(tell_time=lambda: START, loopback=True).send(message_to(url))
    assert answer == Answer(status=None, problem="the receiver did not answer: ConnectError")
