"""Who may come in: API keys, feed links and the calendar bytes they fetch."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class ApiKeyRow(Versioned, table=True):
    """Only the SHA-256 of a key is kept. A portal key is bound to one client."""

    __tablename__ = "api_key"

    id: str = Field(primary_key=True)
    name: str
    role: str  # dispatcher, technician, portal or administrator
    client_id: str | None = Field(default=None, foreign_key="client.id")
    technician_id: str | None = Field(default=None, foreign_key="technician.id")
    secret_hash: str = Field(unique=True)
    created_at: datetime
    expires_at: datetime | None = None
    revoked_at: datetime | None = None


class FeedLinkRow(Versioned, table=True):
    """A secret calendar address of one person on one device."""

    __tablename__ = "feed_link"

    id: str = Field(primary_key=True)
    technician_id: str = Field(foreign_key="technician.id", index=True)
    device: str
    secret_hash: str = Field(unique=True)
    created_at: datetime
    revoked_at: datetime | None = None
    last_fetched_at: datetime | None = None
    last_fetched_by: str = ""


class FeedDocumentRow(SQLModel, table=True):
    """The calendar of one technician as bytes, written in the transaction that changed it."""

    __tablename__ = "feed_document"

    technician_id: str = Field(primary_key=True, foreign_key="technician.id")
    body: bytes
    body_gzip: bytes
    etag: str
    changed_at: datetime
