"""Programs of clients that want to hear of events, and what was sent to them."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class WebhookEndpointRow(Versioned, table=True):
    """An address of one client. Messages are signed, so the secret itself has to be kept.

    While ``previous_until`` has not come, both secrets sign.
    """

    __tablename__ = "webhook_endpoint"

    id: str = Field(primary_key=True)
    client_id: str = Field(foreign_key="client.id", index=True)
    url: str
    topics: list[str] = Field(sa_type=JSON)
    secret: str
    previous_secret: str | None = None
    previous_until: datetime | None = None
    created_at: datetime
    disabled_at: datetime | None = None
    disabled_because: str | None = None


class DeliveryRow(SQLModel, table=True):
    """One event on its way to one endpoint.

    ``state`` is pending, delivered or given_up. Whoever sends it holds it by
    ``token`` until ``lease_until``.
    ``position`` and ``subject`` are the event's: what concerns one visit goes out in order.
    """

    __tablename__ = "webhook_delivery"
    __table_args__ = (
        UniqueConstraint("endpoint_id", "event_id"),
        Index(None, "endpoint_id", "state", "position"),
        Index(None, "endpoint_id", "subject", "position"),
    )

    id: str = Field(primary_key=True)
    endpoint_id: str = Field(foreign_key="webhook_endpoint.id")
    event_id: str = Field(foreign_key="outbox.id", index=True)
    topic: str
    position: int
    subject: str
    created_at: datetime
    state: str = "pending"
    attempts: int = 0
    next_attempt_at: datetime
    token: str | None = Field(default=None, index=True)
    lease_until: datetime | None = None
    delivered_at: datetime | None = None
    last_status: int | None = None
    log: list[dict[str, Any]] = Field(default_factory=list, sa_type=JSON)  # the latest attempts
