"""Who may come in: API keys, feed links and the calendar bytes they fetch."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import CheckConstraint, Index
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


class FeedKind(StrEnum):
    """What a calendar shows, and to whom."""

    TECHNICIAN = "technician"  # all a technician needs on the round
    BUSY = "busy"  # for whoever lives with a technician: when, but not where
    SITE = "site"  # for the café: who comes when, which machine is off
    COMPANY = "company"  # for the dispatcher: who is where


OF_TECHNICIAN = (FeedKind.TECHNICIAN, FeedKind.BUSY)
"""The kinds whose subject is a technician; that of the others is a site, or the company "1"."""


class FeedLinkRow(Versioned, table=True):
    """A secret calendar address of one person on one device."""

    __tablename__ = "feed_link"
    __table_args__ = (Index(None, "kind", "subject"),)

    id: str = Field(primary_key=True)
    kind: str  # a FeedKind
    subject: str
    device: str
    secret_hash: str = Field(unique=True)
    created_at: datetime
    revoked_at: datetime | None = None
    last_fetched_at: datetime | None = None
    last_fetched_by: str = ""


class FeedDocumentRow(SQLModel, table=True):
    """A calendar as bytes, written in the transaction that changed something it shows."""

    __tablename__ = "feed_document"

    kind: str = Field(primary_key=True)  # a FeedKind
    subject: str = Field(primary_key=True)
    name: str  # whose calendar it is, in words
    body: bytes
    body_gzip: bytes
    etag: str
    changed_at: datetime
    written_at: datetime  # last held against the appointments, changed or not


class WorksheetKeyRow(SQLModel, table=True):
    """What the worksheet addresses in one technician's calendar are derived from.

    It stands here in clear: whoever reads the database reads the worksheets anyway. The key in
    force is the one that has not been retired; the others tell a withdrawn address from one that
    never was.
    """

    __tablename__ = "worksheet_key"

    technician_id: str = Field(primary_key=True)
    number: int = Field(primary_key=True)
    secret: bytes
    created_at: datetime
    retired_at: datetime | None = None


class PublicAddressRow(SQLModel, table=True):
    """One row at most: the address under which the server was last told the world reaches it."""

    __tablename__ = "public_address"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: int = Field(primary_key=True)
    url: str
