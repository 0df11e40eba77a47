"""Webhooks: where programs of clients want to hear of events, and what was sent there."""

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from sqlmodel import col

from api.actions.webhooks import (
    change_endpoint,
    create_endpoint,
    remove_endpoint,
    replay_delivery,
    replay_since,
    rotate_secret,
)
from api.http.conditions import IfMatch
from api.http.context import Deed, OfficeOrPortalDeed, OfficeOrPortalLook, PortalDeed
from api.http.idempotency import IdempotencyKey, once
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, Kept, equals, from_row
from api.storage.column_types import Instant
from api.storage.events import TOPICS
from api.storage.tables import DeliveryRow, WebhookEndpointRow

router = APIRouter(prefix="/v1/webhook-endpoints", tags=["webhooks"])

State = Literal["pending", "delivered", "given_up"]


def _known(topic: str) -> str:
    if topic not in TOPICS:
        raise ValueError(f"unknown topic {topic!r}: known are {', '.join(TOPICS)}")
    return topic


TopicName = Annotated[str, AfterValidator(_known), Field(json_schema_extra={"enum": list(TOPICS)})]
Url = Annotated[
    str,
    Field(
        max_length=500,
        description="https on port 443 or 8443, at a host on the public internet.",
    ),
]


class NewEndpoint(Given):
    """Where a program wants to hear of what."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "url": "https://portal.example.com/steamround",
                    "topics": ["appointment.promised", "appointment.moved"],
                }
            ]
        }
    )

    url: Url
    topics: list[TopicName] = Field(
        default_factory=lambda: list(TOPICS),
        min_length=1,
        max_length=100,
        description="All there are when left out.",
    )


class EndpointIn(Given):
    """An endpoint as it shall be."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "url": "https://portal.example.com/steamround",
                    "topics": ["appointment.promised"],
                    "enabled": True,
                }
            ]
        }
    )

    url: Url
    topics: list[TopicName] = Field(min_length=1, max_length=100)
    enabled: bool


class Since(Given):
    """From when on."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"since": "2027-03-24T09:15:00Z"}]})

    since: Instant


class Endpoint(Kept):
    """An address at which a program hears of events, without its secret."""

    client_id: str
    url: str
    topics: list[str]
    created_at: datetime
    disabled_at: datetime | None = Field(description="Nothing is sent since then.")
    disabled_because: str | None
    previous_until: datetime | None = Field(
        description="Until then the secret before this one signs too."
    )


class EndpointWithSecret(Endpoint):
    """An endpoint with its new secret, which is shown this once."""

    secret: str = Field(examples=["whsec_…"])


class Attempt(BaseModel):
    """One attempt to hand over a message."""

    attempt: int
    at: datetime
    status: int | None = Field(description="What the receiver answered; null when it did not.")
    problem: str


class Delivery(BaseModel):
    """An event on its way to an endpoint."""

    id: str
    event_id: str = Field(description="The `webhook-id` of the message.")
    topic: str
    created_at: datetime
    state: State
    attempts: int
    next_attempt_at: datetime | None = Field(description="Null unless it is pending.")
    delivered_at: datetime | None
    last_status: int | None
    log: list[Attempt] = Field(description="The latest attempts, the oldest first.")


class Replayed(BaseModel):
    """What is sent again."""

    events: int


@router.get("", responses=documented())
def list_webhook_endpoints(look: OfficeOrPortalLook, paging: PageWanted) -> ListOf[Endpoint]:
    """List endpoints in order of id."""
    return look.page(WebhookEndpointRow, [col(WebhookEndpointRow.id)], paging, _shown)


@router.post("", status_code=201, responses=documented(400, 409, 413))
def add_webhook_endpoint(
    body: NewEndpoint, deed: PortalDeed, key: IdempotencyKey = None
) -> EndpointWithSecret:
    """Name an endpoint; the reply holds the secret its messages are signed with."""
    assert deed.who.client is not None, "a portal key is bound to a client"
    client = deed.who.client

    def create(deed: Deed) -> EndpointWithSecret:
        row = create_endpoint(
            deed.database,
            client,
            url=body.url,
            topics=body.topics,
            loopback=_loopback(deed),
            now=deed.now,
            origin=deed.origin,
        )
        return from_row(EndpointWithSecret, deed.added(row, f"/v1/webhook-endpoints/{row.id}"))

    return once(deed, key, body, EndpointWithSecret, create, status=201)


@router.get("/{endpoint_id}", responses=documented(404))
def get_webhook_endpoint(endpoint_id: str, look: OfficeOrPortalLook) -> Endpoint:
    """Return one endpoint."""
    return _shown(look.one(WebhookEndpointRow, endpoint_id))


@router.put("/{endpoint_id}", responses=documented(400, 404, 412, 413, 428))
def replace_webhook_endpoint(
    endpoint_id: str, body: EndpointIn, deed: OfficeOrPortalDeed, version: IfMatch
) -> Endpoint:
    """Change an endpoint, or switch it off or on. While it is off it misses what happens."""
    row = change_endpoint(
        deed.database,
        endpoint_id,
        deed.who.scope,
        url=body.url,
        topics=body.topics,
        enabled=body.enabled,
        loopback=_loopback(deed),
        if_version=version,
        now=deed.now,
        origin=deed.origin,
    )
    return _shown(deed.changed(row))


@router.delete("/{endpoint_id}", status_code=204, responses=documented(404, 412, 428))
def remove_webhook_endpoint(
    endpoint_id: str, deed: OfficeOrPortalDeed, version: IfMatch
) -> Response:
    """Delete an endpoint and the log of what was sent to it."""
    remove_endpoint(
        deed.database,
        endpoint_id,
        deed.who.scope,
        if_version=version,
        now=deed.now,
        origin=deed.origin,
    )
    return Response(status_code=204)


@router.post("/{endpoint_id}/rotate-secret", responses=documented(404))
def rotate_webhook_secret(endpoint_id: str, deed: PortalDeed) -> EndpointWithSecret:
    """Make a new secret. For 24 hours messages are signed with the old one too."""
    row = rotate_secret(
        deed.database, endpoint_id, deed.who.scope, now=deed.now, origin=deed.origin
    )
    return from_row(EndpointWithSecret, deed.changed(row))


@router.get("/{endpoint_id}/deliveries", responses=documented(404))
def list_webhook_deliveries(
    endpoint_id: str,
    look: OfficeOrPortalLook,
    paging: PageWanted,
    state: Annotated[State | None, Query(description="Only in this state.")] = None,
) -> ListOf[Delivery]:
    """List what was and is to be sent to an endpoint in the last 30 days, the oldest first."""
    look.row(WebhookEndpointRow, endpoint_id)
    return look.page(
        DeliveryRow,
        [col(DeliveryRow.position), col(DeliveryRow.id)],
        paging,
        _delivery,
        col(DeliveryRow.endpoint_id) == endpoint_id,
        equals(col(DeliveryRow.state), state),
    )


@router.post(
    "/{endpoint_id}/deliveries/{delivery_id}/replay",
    status_code=202,
    responses=documented(404, 409),
)
def replay_webhook_delivery(
    endpoint_id: str, delivery_id: str, deed: OfficeOrPortalDeed
) -> Delivery:
    """Send an event once more, under the same `webhook-id`."""
    row = replay_delivery(
        deed.database,
        endpoint_id,
        delivery_id,
        deed.who.scope,
        now=deed.now,
        origin=deed.origin,
    )
    return _delivery(row)


@router.post("/{endpoint_id}/replay", status_code=202, responses=documented(400, 404, 409, 413))
def replay_webhook_events(endpoint_id: str, body: Since, deed: OfficeOrPortalDeed) -> Replayed:
    """Send every event since an instant once more, also those the endpoint has missed."""
    events = replay_since(
        deed.database,
        endpoint_id,
        deed.who.scope,
        since=body.since,
        now=deed.now,
        origin=deed.origin,
    )
    return Replayed(events=events)


def _loopback(deed: Deed) -> bool:
    loopback: bool = deed.request.app.state.webhooks_to_loopback
    return loopback


def _shown(row: WebhookEndpointRow) -> Endpoint:
    return from_row(Endpoint, row)


def _delivery(row: DeliveryRow) -> Delivery:
    due = row.next_attempt_at if row.state == "pending" else None
    return from_row(Delivery, row, next_attempt_at=due)
