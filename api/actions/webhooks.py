"""What a client's program says of the endpoints at which it hears of events."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, col, func, select

from api.dialling import AddressRefused, is_public, spelled_out
from api.outbox.sending import endpoint_target
from api.outbox.signing import mint_secret
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.deliveries import delivery_of, requeue
from api.storage.ids import new_id
from api.storage.scope import Scope, one
from api.storage.tables import ClientRow, DeliveryRow, OutboxRow, WebhookEndpointRow
from scheduler.errors import Absent, Conflict

MOST_ENDPOINTS: Final = 10
OLD_SECRET_SIGNS_FOR: Final = timedelta(hours=24)


def check_url(url: str, *, loopback: bool) -> None:
    """Refuse what can be told from the address alone; each attempt looks where it leads.

    Raises
    ------
    AddressRefused
        When it is no https address of a host that may be on the public internet.
    """
    target = endpoint_target(url, loopback=loopback)
    if not target.loopback and not all(map(is_public, spelled_out(target.host))):
        raise AddressRefused("the host is not on the public internet")


def create_endpoint(
    database: Database,
    client: str,
    *,
    url: str,
    topics: list[str],
    loopback: bool,
    now: datetime,
    origin: Origin,
) -> WebhookEndpointRow:
    """Return a new endpoint of a client, with its secret.

    Raises
    ------
    AddressRefused
        When the address is none that is called.
    Conflict
        When the client has as many as one client may have.
    """
    check_url(url, loopback=loopback)
    with database.write() as session:
        session.exec(select(ClientRow).where(ClientRow.id == client).with_for_update()).one()
        of_client = select(func.count()).where(WebhookEndpointRow.client_id == client)
        if session.exec(of_client).one() >= MOST_ENDPOINTS:
            raise Conflict(f"a client may have {MOST_ENDPOINTS} endpoints: delete one first")
        row = WebhookEndpointRow(
            id=new_id("we"),
            client_id=client,
            url=url,
            topics=sorted(set(topics)),
            secret=mint_secret(),
            created_at=now,
        )
        session.add(row)
        _record(session, row, origin, now, "create")
        return row


def change_endpoint(
    database: Database,
    endpoint_id: str,
    scope: Scope,
    *,
    url: str,
    topics: list[str],
    enabled: bool,
    loopback: bool,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> WebhookEndpointRow:
    """Replace an endpoint's address and topics; switch it off or on.

    While it is off, nothing is sent, no event is kept for it, and what waited goes on waiting.

    Raises
    ------
    AddressRefused, Absent, StaleVersion
    """
    with _recorded(
        database, endpoint_id, scope, "change", now=now, origin=origin, if_version=if_version
    ) as (_, row):
        check_url(url, loopback=loopback)
        row.url, row.topics = url, sorted(set(topics))
        if enabled:
            row.disabled_at = row.disabled_because = None
        elif row.disabled_at is None:
            row.disabled_at, row.disabled_because = now, "switched off"
    return row


def rotate_secret(
    database: Database,
    endpoint_id: str,
    scope: Scope,
    *,
    now: datetime,
    origin: Origin,
) -> WebhookEndpointRow:
    """Give an endpoint a new secret; for a day the old one signs beside it.

    Raises
    ------
    Absent
    """
    with _recorded(database, endpoint_id, scope, "rotate", now=now, origin=origin) as (_, row):
        row.previous_secret, row.secret = row.secret, mint_secret()
        row.previous_until = now + OLD_SECRET_SIGNS_FOR
    return row


def remove_endpoint(
    database: Database,
    endpoint_id: str,
    scope: Scope,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> None:
    """Delete an endpoint and what was sent to it.

    Raises
    ------
    Absent, StaleVersion
    """
    with _recorded(
        database, endpoint_id, scope, "remove", now=now, origin=origin, if_version=if_version
    ) as (session, row):
        for delivery in session.exec(
            select(DeliveryRow).where(DeliveryRow.endpoint_id == endpoint_id)
        ):
            session.delete(delivery)
        session.flush()
        session.delete(row)


def replay_delivery(
    database: Database,
    endpoint_id: str,
    delivery_id: str,
    scope: Scope,
    *,
    now: datetime,
    origin: Origin,
) -> DeliveryRow:
    """Send an event once more, with all its attempts before it.

    Raises
    ------
    Absent
    Conflict
        When the endpoint is disabled.
    """
    with _recorded(database, endpoint_id, scope, "replay", now=now, origin=origin) as (
        session,
        endpoint,
    ):
        _expect_enabled(endpoint)
        row = session.get(DeliveryRow, delivery_id)
        if row is None or row.endpoint_id != endpoint.id:
            raise Absent("webhook delivery", delivery_id)
        requeue(row, now=now)
    return row


def replay_since(
    database: Database,
    endpoint_id: str,
    scope: Scope,
    *,
    since: datetime,
    now: datetime,
    origin: Origin,
) -> int:
    """Send everything an endpoint wants to know that happened since, also what it missed.

    Returns
    -------
    How many events.

    Raises
    ------
    Absent
    Conflict
        When the endpoint is disabled.
    """
    with _recorded(database, endpoint_id, scope, "replay", now=now, origin=origin) as (
        session,
        endpoint,
    ):
        _expect_enabled(endpoint)
        events = session.exec(
            select(OutboxRow)
            .where(OutboxRow.client_id == endpoint.client_id, OutboxRow.created_at >= since)
            .where(col(OutboxRow.topic).in_(endpoint.topics))
            .where(col(OutboxRow.made_out_at).is_not(None))
        ).all()
        made_out = {
            row.event_id: row
            for row in session.exec(
                select(DeliveryRow).where(
                    DeliveryRow.endpoint_id == endpoint_id,
                    col(DeliveryRow.event_id).in_([event.id for event in events]),
                )
            )
        }
        for event in events:
            row = made_out.get(event.id) or delivery_of(event, endpoint, now=now)
            requeue(row, now=now)
            session.add(row)
    return len(events)


@contextmanager
def _recorded(
    database: Database,
    endpoint_id: str,
    scope: Scope,
    verb: str,
    *,
    now: datetime,
    origin: Origin,
    if_version: int | None = None,
) -> Iterator[tuple[Session, WebhookEndpointRow]]:
    """Give an endpoint to whoever changes it, in one transaction; what was done is recorded.

    Raises
    ------
    Absent, StaleVersion
    """
    with database.write() as session:
        row = one(session, WebhookEndpointRow, endpoint_id, scope)
        row.expect_version(if_version)
        yield session, row
        _record(session, row, origin, now, verb)


def _expect_enabled(endpoint: WebhookEndpointRow) -> None:
    if endpoint.disabled_at is not None:
        raise Conflict(f"endpoint {endpoint.id} is disabled: enable it first")


def _record(
    session: Session, row: WebhookEndpointRow, origin: Origin, now: datetime, verb: str
) -> None:
    record(
        session,
        origin,
        now=now,
        verb=verb,
        subject=f"webhook_endpoint/{row.id}",
        after={"url": row.url, "topics": row.topics, "enabled": row.disabled_at is None},
    )
