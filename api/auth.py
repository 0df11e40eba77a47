"""Who is asking, and which rows are theirs to see.

A key is 256 random bits behind a prefix that scanners recognise. Only its SHA-256 is kept: what is
random needs no salt and no slow hash.
"""

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlmodel import Session, select

from api.storage.audit import Origin
from api.storage.scope import Scope
from api.storage.tables import ApiKeyRow
from scheduler.errors import SteamroundError

KEY_PREFIX = "srk_"
_KEY = re.compile(rf"{KEY_PREFIX}[A-Za-z0-9_-]{{43}}")


class Role(StrEnum):
    """What the holder of a key does."""

    DISPATCHER = "dispatcher"
    TECHNICIAN = "technician"
    PORTAL = "portal"  # a program of one client
    ADMINISTRATOR = "administrator"


class NotAuthenticated(SteamroundError):
    """No key, or one that is not known, has expired or was withdrawn; which one is not said."""

    def __init__(self) -> None:
        super().__init__("send a valid API key: Authorization: Bearer srk_…")


class NotAllowed(SteamroundError):
    """The key is good, but its role may not do this."""

    def __init__(self, role: Role, allowed: frozenset[Role]) -> None:
        self.role = role
        self.allowed = allowed
        super().__init__(f"a {role} key may not do this: use one of {', '.join(sorted(allowed))}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Principal:
    """The holder of a key.

    ``client`` is set for a portal and ``technician`` for a technician: they see what is theirs.
    """

    key: str
    name: str
    role: Role
    client: str | None = None
    technician: str | None = None

    @property
    def scope(self) -> Scope:
        """Return what this principal may see."""
        return Scope(client=self.client, technician=self.technician)

    def origin(self, request_id: str) -> Origin:
        """Return how this principal stands in the audit trail."""
        return Origin(actor=f"{self.role}/{self.name}", request_id=request_id)


def mint_key() -> str:
    """Return a new key. Show it once, store its hash."""
    return KEY_PREFIX + secrets.token_urlsafe(32)


def key_hash(key: str) -> str:
    """Return the SHA-256 of a key in hexadecimal: what is stored, and looked up by."""
    return hashlib.sha256(key.encode()).hexdigest()


def principal_of(session: Session, key: str, *, now: datetime) -> Principal:
    """Return the holder of a key.

    Raises
    ------
    NotAuthenticated
        When nobody holds it now.
    """
    if _KEY.fullmatch(key) is None:
        raise NotAuthenticated
    digest = key_hash(key)
    row = session.exec(select(ApiKeyRow).where(ApiKeyRow.secret_hash == digest)).first()
    if (
        row is None
        or not hmac.compare_digest(row.secret_hash, digest)
        or row.revoked_at is not None
        or (row.expires_at is not None and row.expires_at <= now)
    ):
        raise NotAuthenticated
    return Principal(
        key=row.id,
        name=row.name,
        role=Role(row.role),
        client=row.client_id,
        technician=row.technician_id,
    )
