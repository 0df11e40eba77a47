"""What the processes leave for each other: claims, replies to repeat, events to send, an audit."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON
from sqlmodel import Field, SQLModel


class ClockClaimRow(SQLModel, table=True):
    """One run of one clock job for one slot. Whoever inserts the row has the run."""

    __tablename__ = "clock_claim"

    job: str = Field(primary_key=True)
    slot: datetime = Field(primary_key=True)
    holder: str
    claimed_at: datetime
    lease_until: datetime
    finished_at: datetime | None = None
    failure: str | None = None


class IdempotencyRow(SQLModel, table=True):
    """The reply once given to a key, repeated to whoever asks the same again."""

    __tablename__ = "idempotency"

    principal: str = Field(primary_key=True)
    operation: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    body_hash: str
    status: int
    reply: dict[str, Any] = Field(sa_type=JSON)
    headers: dict[str, str] = Field(default_factory=dict, sa_type=JSON)
    created_at: datetime


class OutboxRow(SQLModel, table=True):
    """An event to tell the world about, written in the transaction that caused it.

    ``position`` orders what concerns one visit: the next change of a visit begins after the last
    one was committed. Between visits it may be committed out of order, so nobody may remember how
    far they have read; ``made_out_at`` says of each event whether its deliveries are made out.
    """

    __tablename__ = "outbox"

    position: int | None = Field(default=None, primary_key=True)
    id: str = Field(unique=True)
    topic: str
    client_id: str | None = Field(default=None, index=True)
    payload: dict[str, Any] = Field(sa_type=JSON)
    created_at: datetime = Field(index=True)
    made_out_at: datetime | None = Field(default=None, index=True)


class AuditRow(SQLModel, table=True):
    """Who did what to what. The database refuses to change or delete these rows."""

    __tablename__ = "audit"

    id: str = Field(primary_key=True)
    at: datetime
    actor: str
    verb: str
    subject: str  # "appointment/ap_…"
    before: dict[str, Any] | None = Field(default=None, sa_type=JSON)
    after: dict[str, Any] | None = Field(default=None, sa_type=JSON)
    request_id: str = ""
