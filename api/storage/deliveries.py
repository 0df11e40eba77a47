"""Events made out to endpoints, claimed by whoever sends them, settled by what came of it.

Any number of processes may do all of this at once. A claim is a conditional update and lasts as
long as its lease: when the sender dies, somebody else sends the same event again, under the same
id. What concerns one visit goes to an endpoint in the order it happened; an endpoint that fails on
one visit still hears of the others.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, delete, exists, func, or_, update
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from api.storage.events import message
from api.storage.ids import new_id
from api.storage.tables import DeliveryRow, OutboxRow, WebhookEndpointRow

_EVENTS_AT_ONCE = 200
_LOGGED_ATTEMPTS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A delivery that is ours to send until its lease is over.

    ``token`` tells this claim from every other one. ``attempt`` counts from 1. All of ``secrets``
    sign. ``body`` and ``event`` are the same in every attempt.
    """

    token: str
    delivery: str
    endpoint: str
    event: str
    attempt: int
    url: str
    secrets: tuple[str, ...]
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Settlement:
    """What became of an attempt.

    Attributes
    ----------
    state : delivered, pending or given_up.
    status : what the receiver answered, None when it did not.
    problem : why it is not delivered, in words; empty when it is.
    next_attempt_at : when pending.
    endpoint_gone : the receiver wants to hear no more: its endpoint is disabled.
    """

    state: str
    status: int | None
    problem: str = ""
    next_attempt_at: datetime | None = None
    endpoint_gone: bool = False


def events_wait(session: Session) -> bool:
    """Whether there are events that are not made out."""
    return bool(session.exec(select(exists().where(col(OutboxRow.made_out_at).is_(None)))).one())


def make_out(session: Session, *, now: datetime) -> int:
    """Make deliveries of the oldest events that have none yet; return how many events.

    An event goes to the endpoints of its client that want its topic, were there when it happened
    and are not disabled. Two processes wait for each other here, so that no event of a visit is
    made out before an earlier one.
    """
    events = session.exec(
        select(OutboxRow)
        .where(col(OutboxRow.made_out_at).is_(None))
        .order_by(col(OutboxRow.position))
        .limit(_EVENTS_AT_ONCE)
        .with_for_update()  # SQLite has no such thing and needs none: it has one writer
    ).all()
    clients = {event.client_id for event in events if event.client_id is not None}
    endpoints = session.exec(
        select(WebhookEndpointRow).where(
            col(WebhookEndpointRow.client_id).in_(clients),
            col(WebhookEndpointRow.disabled_at).is_(None),
        )
    ).all()
    for event in events:
        event.made_out_at = now
        session.add(event)
        for endpoint in endpoints:
            if wants(endpoint, event):
                session.add(delivery_of(event, endpoint, now=now))
    return len(events)


def wants(endpoint: WebhookEndpointRow, event: OutboxRow) -> bool:
    """Whether an event is one an endpoint asked for."""
    return (
        endpoint.client_id == event.client_id
        and event.topic in endpoint.topics
        and endpoint.created_at <= event.created_at
    )


def delivery_of(event: OutboxRow, endpoint: WebhookEndpointRow, *, now: datetime) -> DeliveryRow:
    """Return a new delivery, due at once."""
    assert event.position is not None, "the event is stored"
    return DeliveryRow(
        id=new_id("dl"),
        endpoint_id=endpoint.id,
        event_id=event.id,
        topic=event.topic,
        position=event.position,
        subject=event.payload["visit"] or event.payload["machine"],
        created_at=now,
        next_attempt_at=now,
    )


def endpoints_waiting(session: Session, *, now: datetime, limit: int) -> tuple[str, ...]:
    """Return endpoints, in no order, to which something may be sent and nothing is on its way."""
    endpoint = col(WebhookEndpointRow.id)
    in_flight = exists().where(
        col(DeliveryRow.endpoint_id) == endpoint,
        col(DeliveryRow.state) == "pending",
        col(DeliveryRow.lease_until) >= now,
    )
    found = session.exec(
        select(WebhookEndpointRow.id)
        .where(col(WebhookEndpointRow.disabled_at).is_(None))
        .where(exists().where(col(DeliveryRow.endpoint_id) == endpoint, *_due(now)))
        .where(~in_flight)
        .order_by(func.random())  # no endpoint is always the last
        .limit(limit)
    )
    return tuple(found)


def claim(session: Session, endpoint: str, *, now: datetime, lease: timedelta) -> Claim | None:
    """Claim the first delivery that is due at an endpoint; None when there is none, or it is off.

    Two processes may see the same one; the update tells who has it, the other tries again.
    """
    enabled = exists().where(
        col(WebhookEndpointRow.id) == endpoint, col(WebhookEndpointRow.disabled_at).is_(None)
    )
    first_due = (
        select(DeliveryRow.id)
        .where(DeliveryRow.endpoint_id == endpoint, enabled, *_due(now))
        .order_by(col(DeliveryRow.position))
        .limit(1)
    )
    while (delivery := session.exec(first_due).first()) is not None:
        token = new_id("tk")
        taken = session.exec(
            update(DeliveryRow)
            .where(col(DeliveryRow.id) == delivery, *_free(now))
            .values(token=token, lease_until=now + lease, attempts=col(DeliveryRow.attempts) + 1)
        )
        if taken.rowcount == 1:
            return _claimed(session, token, now)
    return None


def _claimed(session: Session, token: str, now: datetime) -> Claim:
    delivery, event, endpoint = session.exec(
        select(DeliveryRow, OutboxRow, WebhookEndpointRow)
        .join(OutboxRow, col(OutboxRow.id) == col(DeliveryRow.event_id))
        .join(WebhookEndpointRow, col(WebhookEndpointRow.id) == col(DeliveryRow.endpoint_id))
        .where(DeliveryRow.token == token)
    ).one()
    secrets = [endpoint.secret]
    if endpoint.previous_secret and endpoint.previous_until and now < endpoint.previous_until:
        secrets.append(endpoint.previous_secret)
    return Claim(
        token=token,
        delivery=delivery.id,
        endpoint=endpoint.id,
        event=event.id,
        attempt=delivery.attempts,
        url=endpoint.url,
        secrets=tuple(secrets),
        body=message(event.id, event.topic, event.created_at, event.payload),
    )


def _free(now: datetime) -> tuple[ColumnElement[bool], ...]:
    """Return when a delivery waits and nobody holds it."""
    lease_until = col(DeliveryRow.lease_until)
    return (
        col(DeliveryRow.state) == "pending",
        col(DeliveryRow.next_attempt_at) <= now,
        or_(lease_until.is_(None), lease_until < now),
    )


def _due(now: datetime) -> tuple[ColumnElement[bool], ...]:
    """Return when a delivery may be sent: it is free, and nothing earlier of its visit waits."""
    earlier = aliased(DeliveryRow)
    held_up = exists().where(
        col(earlier.endpoint_id) == col(DeliveryRow.endpoint_id),
        col(earlier.subject) == col(DeliveryRow.subject),
        col(earlier.position) < col(DeliveryRow.position),
        col(earlier.state) == "pending",
    )
    return *_free(now), ~held_up


def settle(session: Session, claimed: Claim, settlement: Settlement, *, now: datetime) -> bool:
    """Write down what became of a claim; False, and nothing written, when it is ours no more."""
    row = session.exec(
        select(DeliveryRow).where(DeliveryRow.token == claimed.token).with_for_update()
    ).first()
    if row is None:
        return False
    row.state, row.last_status = settlement.state, settlement.status
    row.token = row.lease_until = None
    row.next_attempt_at = settlement.next_attempt_at or row.next_attempt_at
    row.delivered_at = now if settlement.state == "delivered" else None
    attempt = {
        "attempt": claimed.attempt,
        "at": now.isoformat(),
        "status": settlement.status,
        "problem": settlement.problem,
    }
    row.log = [*row.log, attempt][-_LOGGED_ATTEMPTS:]
    session.add(row)
    if settlement.endpoint_gone:
        endpoint = session.get_one(WebhookEndpointRow, claimed.endpoint)
        if endpoint.disabled_at is None:
            endpoint.disabled_at, endpoint.disabled_because = now, "the receiver answered 410 Gone"
            session.add(endpoint)
    return True


def forget_before(session: Session, instant: datetime) -> int:
    """Delete events older than an instant, and what was sent of them; return how many events."""
    old = select(OutboxRow.id).where(
        OutboxRow.created_at < instant, col(OutboxRow.made_out_at).is_not(None)
    )
    session.exec(delete(DeliveryRow).where(col(DeliveryRow.event_id).in_(old)))
    return session.exec(delete(OutboxRow).where(col(OutboxRow.id).in_(old))).rowcount


def requeue(row: DeliveryRow, *, now: datetime) -> None:
    """Make a delivery due again at once, with all its attempts before it."""
    row.state, row.attempts, row.next_attempt_at = "pending", 0, now
    row.token = row.lease_until = row.delivered_at = None
