"""API keys, for administrators."""

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import col

from api.actions.keys import create_key, revoke_key
from api.auth import Role
from api.http.context import AdministratorsDeed, AdministratorsLook
from api.http.lists import ListOf, PageWanted
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Id, Instant, Name
from api.storage.tables import ApiKeyRow

router = APIRouter(prefix="/v1/api-keys", tags=["API keys"])


class NewKey(Given):
    """Who comes in, and what they may do."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "Quayside portal", "role": "portal", "client_id": "cl-01"}]
        }
    )

    name: Name
    role: Role
    client_id: Id | None = Field(default=None, description="For a portal key.")
    technician_id: Id | None = Field(default=None, description="For a technician's key.")
    expires_at: Instant | None = None


class Key(BaseModel):
    """A key, without the key."""

    id: str
    name: str
    role: Role
    client_id: str | None
    technician_id: str | None
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


class KeyWithSecret(Key):
    """A new key; it is shown this once and kept nowhere."""

    key: str = Field(examples=["srk_…"])


@router.get("", responses=documented())
def list_keys(look: AdministratorsLook, paging: PageWanted) -> ListOf[Key]:
    """List keys in order of id."""
    return look.page(ApiKeyRow, [col(ApiKeyRow.id)], paging, lambda row: from_row(Key, row))


@router.post("", status_code=201, responses=documented(400, 404, 413))
def add_key(body: NewKey, deed: AdministratorsDeed) -> KeyWithSecret:
    """Make a key."""
    row, key = create_key(
        deed.database,
        name=body.name,
        role=body.role,
        client=body.client_id,
        technician=body.technician_id,
        expires_at=body.expires_at,
        now=deed.now,
        origin=deed.origin,
    )
    return from_row(KeyWithSecret, row, key=key)


@router.post("/{key_id}/revoke", responses=documented(404, 409))
def revoke_api_key(key_id: str, deed: AdministratorsDeed) -> Key:
    """Withdraw a key, at once and everywhere."""
    return from_row(Key, revoke_key(deed.database, key_id, now=deed.now, origin=deed.origin))
