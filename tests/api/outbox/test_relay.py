"""Events reach who asked for them, signed, in order, again when they must, and nobody else."""

import base64
import hashlib
import hmac
import itertools
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import httpx
import pytest
from sqlmodel import select

from api.outbox.relay import LEASE, Relay
from api.outbox.sending import Sender
from api.outbox.signing import mint_secret
from api.storage.database import Database
from api.storage.deliveries import claim, forget_before, make_out
from api.storage.tables import DeliveryRow, OutboxRow, WebhookEndpointRow
from tests.api.outbox.conftest import START, Hand, Receiver, RelayTo, happen, relay_on

SECOND = timedelta(seconds=1)


def deliveries(database: Database) -> list[DeliveryRow]:
    with database.read() as session:
        return list(session.exec(select(DeliveryRow).order_by(DeliveryRow.id)))


def only_delivery(database: Database) -> DeliveryRow:
    (row,) = deliveries(database)
    return row


def endpoint_a(database: Database, change: Callable[[WebhookEndpointRow], None]) -> None:
    with database.write() as session:
        row = session.get_one(WebhookEndpointRow, "we-a")
        change(row)
        session.add(row)


def signature(secret: str, request: httpx.Request) -> str:
    """The signature as the specification words it, worked out here and not by the program."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signed = (
        request.headers["webhook-id"].encode()
        + b"."
        + request.headers["webhook-timestamp"].encode()
        + b"."
        + request.read()
    )
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()


def test_an_event_goes_signed_to_the_endpoint_of_its_client_alone(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START)
    happen(database, START, client=None, visit="v-2")
    receiver = Receiver(204)

    relay_to(receiver).run_until_idle()

    (request,) = receiver.requests
    with database.read() as session:
        secret = session.get_one(WebhookEndpointRow, "we-a").secret
        event = session.exec(select(OutboxRow).where(OutboxRow.client_id == "c-a")).one()
    assert (request.method, request.headers["host"], request.url.path) == (
        "POST", "a.example", "/hook",
    )  # fmt: skip
    assert request.headers["webhook-id"] == event.id
    assert request.headers["webhook-timestamp"] == str(int(START.timestamp()))
    assert request.headers["webhook-signature"] == signature(secret, request)
    assert json.loads(request.read()) == {
        "id": event.id,
        "type": "appointment.planned",
        "version": 1,
        "timestamp": "2027-03-01T08:00:00Z",
        "data": {
            "appointment": event.payload["appointment"],
            "visit": "v-1",
            "site": "s-1",
            "state": "planned",
            "starts_at": "2027-03-01T08:00:00Z",
            "ends_at": "2027-03-01T09:00:00Z",
            "arrive_from": None,
            "arrive_until": None,
        },
    }
    row = only_delivery(database)
    assert (row.state, row.attempts, row.last_status, row.delivered_at) == (
        "delivered", 1, 204, START,
    )  # fmt: skip
    assert relay_to(receiver).run_until_idle() == 0


def test_both_secrets_sign_until_the_old_one_has_run_out(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    old, new = mint_secret(), mint_secret()

    def rotate(row: WebhookEndpointRow) -> None:
        row.secret, row.previous_secret, row.previous_until = new, old, START + 60 * SECOND

    endpoint_a(database, rotate)
    receiver = Receiver(200)
    for wait in (0, 59, 1):
        hand.turn(wait * SECOND)
        happen(database, hand.now)
        relay_to(receiver).run_until_idle()

    expected = [[signature(new, request), signature(old, request)] for request in receiver.requests]
    expected[2].pop()
    assert [each.headers["webhook-signature"].split() for each in receiver.requests] == expected


@pytest.mark.parametrize(
    "failure",
    [500, 302, 404, httpx.ReadTimeout("slow"), httpx.ConnectError("refused"), 503],
)
def test_a_failure_is_tried_again_ten_times_over_three_days_under_the_same_id(
    database: Database, hand: Hand, relay_to: RelayTo, failure: int | Exception
) -> None:
    happen(database, START)
    receiver = Receiver(failure)
    sent_at = []
    while True:
        relay_to(receiver).run_until_idle()
        sent_at.append(hand.now)
        row = only_delivery(database)
        if row.state != "pending":
            break
        hand.now = row.next_attempt_at - SECOND
        assert relay_to(receiver).run_until_idle() == 0
        hand.turn(SECOND)

    # the waits of the Standard Webhooks specification, each up to a tenth longer
    waits = [5, 300, 1800, 7200, 18000, 36000, 50400, 72000, 86400]
    between = [(b - a).total_seconds() for a, b in itertools.pairwise(sent_at)]
    assert len(between) == len(waits)
    assert all(wait <= real <= 1.1 * wait for wait, real in zip(waits, between, strict=True))
    assert any(real != wait for wait, real in zip(waits, between, strict=True))
    assert (row.state, row.attempts, len(row.log)) == ("given_up", 10, 10)
    assert len(set(receiver.ids)) == 1
    assert len({request.read() for request in receiver.requests}) == 1
    assert len({request.headers["webhook-signature"] for request in receiver.requests}) == 10


def test_what_the_receiver_says_is_logged_as_a_status_and_never_as_its_words(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START)
    receiver = Receiver(
        httpx.Response(500, text="secret of the inside"), httpx.ReadTimeout("slow"), 200
    )
    for _ in range(3):
        relay_to(receiver).run_until_idle()
        hand.now = only_delivery(database).next_attempt_at

    row = only_delivery(database)
    assert [(each["attempt"], each["status"], each["problem"]) for each in row.log] == [
        (1, 500, "the receiver answered 500"),
        (2, None, "no answer within 20 seconds"),
        (3, 200, ""),
    ]
    assert "inside" not in row.model_dump_json()


def test_a_receiver_that_is_gone_is_asked_no_more(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START)
    happen(database, START, visit="v-2")
    receiver = Receiver(410)

    relay_to(receiver).run_until_idle()
    hand.turn(timedelta(days=1))
    happen(database, hand.now, visit="v-3")
    relay_to(receiver).run_until_idle()

    assert len(receiver.requests) == 1
    assert sorted(row.state for row in deliveries(database)) == ["given_up", "pending"]
    with database.read() as session:
        endpoint = session.get_one(WebhookEndpointRow, "we-a")
        assert (endpoint.disabled_at, endpoint.disabled_because, endpoint.version) == (
            START,
            "the receiver answered 410 Gone",
            2,
        )

    def enable(row: WebhookEndpointRow) -> None:
        row.disabled_at = row.disabled_because = None

    endpoint_a(database, enable)
    receiver.script = [200]
    relay_to(receiver).run_until_idle()
    assert sorted(row.state for row in deliveries(database)) == ["delivered", "given_up"]


@pytest.mark.parametrize(
    ("retry_after", "least", "most"),
    [
        ("120", 120, 120),
        ("Mon, 01 Mar 2027 08:10:00 GMT", 600, 600),
        ("1", 5, 5.5),  # never sooner than the schedule has it
        ("Mon, 01 Mar 2021 08:10:00 GMT", 5, 5.5),
        ("999999999999999999999", 86400, 86400),
        ("soon", 5, 5.5),
    ],
)
def test_a_busy_receiver_says_when_to_come_back(
    database: Database, relay_to: RelayTo, retry_after: str, least: float, most: float
) -> None:
    happen(database, START)
    relay_to(Receiver(httpx.Response(429, headers={"Retry-After": retry_after}))).run_until_idle()
    wait = (only_delivery(database).next_attempt_at - START).total_seconds()
    assert least <= wait <= most


def test_what_was_sent_but_not_written_down_is_sent_again_under_the_same_id(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    class Killed(BaseException):
        pass

    happen(database, START)
    receiver = Receiver(200)

    class DiesOnceAfterSending(httpx.BaseTransport):
        def handle_request(self, request: httpx.Request) -> httpx.Response:
            receiver.transport.handle_request(request)
            raise Killed

    doomed = Relay(
        database,
        Sender(
            tell_time=hand,
            resolve=lambda host: ["93.184.215.14"],
            transport=DiesOnceAfterSending(),
        ),
        tell_time=hand,
    )
    with pytest.raises(Killed):
        doomed.run_until_idle()
    assert relay_to(receiver).run_until_idle() == 0  # somebody may still be at it

    hand.turn(LEASE + SECOND)
    relay_to(receiver).run_until_idle()

    assert len(receiver.ids) == 2
    assert len(set(receiver.ids)) == 1
    assert (only_delivery(database).state, only_delivery(database).attempts) == ("delivered", 2)


def test_who_comes_too_late_to_write_it_down_changes_nothing(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START)
    with database.write() as session:
        make_out(session, now=START)
        slow = claim(session, "we-a", now=START, lease=LEASE)
    assert slow is not None
    hand.turn(LEASE + SECOND)
    relay_to(Receiver(200)).run_until_idle()

    relay_to(Receiver(500)).deliver(slow)

    assert only_delivery(database).state == "delivered"


def test_events_of_one_visit_keep_their_order_and_hold_up_nothing_else(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START, visit="v-1", topic="appointment.planned")
    happen(database, START, visit="v-1", topic="appointment.cancelled")
    happen(database, START, visit="v-2", topic="appointment.planned")
    receiver = Receiver(500, 200)  # the very first attempt fails

    def sent() -> list[tuple[str, str]]:
        messages = [json.loads(request.read()) for request in receiver.requests]
        return [(each["data"]["visit"], each["type"].partition(".")[2]) for each in messages]

    relay_to(receiver).run_until_idle()
    assert sent() == [("v-1", "planned"), ("v-2", "planned")]
    hand.turn(6 * SECOND)
    relay_to(receiver).run_until_idle()
    assert sent()[2:] == [("v-1", "planned"), ("v-1", "cancelled")]


def test_endpoints_hear_of_what_they_asked_for_from_the_day_they_were_there(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    def want_cancellations(row: WebhookEndpointRow) -> None:
        row.topics = ["appointment.cancelled"]

    endpoint_a(database, want_cancellations)
    happen(database, START - SECOND, topic="appointment.cancelled")
    happen(database, START, topic="appointment.moved")
    happen(database, START, topic="appointment.cancelled", visit="v-2")
    receiver = Receiver(200)

    relay_to(receiver).run_until_idle()

    assert [json.loads(each.read())["data"]["visit"] for each in receiver.requests] == ["v-2"]
    with database.read() as session:
        assert set(session.exec(select(OutboxRow.made_out_at))) == {START}


def race(database: Database, hand: Hand, relays: int, events: int) -> list[str]:
    """Let several relays loose on the same events; return the ids they sent."""
    for number in range(events):
        happen(database, hand.now, client=f"c-{'ab'[number % 2]}", visit=f"v-{number % 7}")
    receiver = Receiver(200)

    def run(_: int) -> None:
        relay_on(database, receiver, hand).run_until_idle()

    with ThreadPoolExecutor(relays) as threads:
        list(threads.map(run, range(relays)))
    relay_on(database, receiver, hand).run_until_idle()  # what the others left to each other
    return receiver.ids


def test_relays_never_claim_the_same_delivery(either_database: Database, hand: Hand) -> None:
    sent = race(either_database, hand, relays=4, events=40)
    assert (len(sent), len(set(sent))) == (40, 40)


def test_old_events_are_forgotten_with_their_deliveries(
    database: Database, hand: Hand, relay_to: RelayTo
) -> None:
    happen(database, START)
    relay_to(Receiver(200)).run_until_idle()
    happen(database, START + SECOND)
    relay_to(Receiver(200)).run_until_idle()
    happen(database, START)  # not made out yet: kept, however old
    with database.write() as session:
        assert forget_before(session, START + SECOND) == 1
    with database.read() as session:
        assert len(session.exec(select(OutboxRow)).all()) == 2
    assert len(deliveries(database)) == 1


def test_messages_stay_far_below_what_receivers_take(database: Database, relay_to: RelayTo) -> None:
    happen(database, START, visit="v" * 64)
    receiver = Receiver(200)
    relay_to(receiver).run_until_idle()
    assert len(receiver.requests[0].read()) < 20_000
