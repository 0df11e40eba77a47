"""API keys: made, shown once, withdrawn."""

from datetime import datetime

from api.auth import Role, key_hash, mint_key
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.tables import ApiKeyRow, ClientRow, TechnicianRow
from scheduler.errors import Absent, Conflict, InvalidInput


def create_key(
    database: Database,
    *,
    name: str,
    role: Role,
    client: str | None = None,
    technician: str | None = None,
    expires_at: datetime | None = None,
    now: datetime,
    origin: Origin,
) -> tuple[ApiKeyRow, str]:
    """Return a new key's row, and the key itself, which is never shown again.

    Raises
    ------
    InvalidInput
        When a portal key names no client or a technician's no technician, or others name one, or
        the key has no name.
    Absent
        When there is no such client or technician.
    """
    if (role is Role.PORTAL) != (client is not None):
        raise InvalidInput("a portal key, and no other, is bound to a client: name the client")
    if (role is Role.TECHNICIAN) != (technician is not None):
        raise InvalidInput("a technician key, and no other, is bound to a technician: name them")
    if expires_at is not None and expires_at <= now:
        raise InvalidInput(f"expires_at must not have gone by, got {expires_at.isoformat()}")
    if not name.strip():
        raise InvalidInput("say in its name who or what uses the key: the list of keys shows it")
    key = mint_key()
    with database.write() as session:
        if client is not None and session.get(ClientRow, client) is None:
            raise Absent("client", client)
        if technician is not None and session.get(TechnicianRow, technician) is None:
            raise Absent("technician", technician)
        row = ApiKeyRow(
            id=new_id("key"),
            name=name,
            role=role.value,
            client_id=client,
            technician_id=technician,
            secret_hash=key_hash(key),
            created_at=now,
            expires_at=expires_at,
        )
        session.add(row)
        record(
            session,
            origin,
            now=now,
            verb="create",
            subject=f"api_key/{row.id}",
            after={"name": name, "role": role.value, "client": client, "technician": technician},
        )
        return row, key


def revoke_key(database: Database, key_id: str, *, now: datetime, origin: Origin) -> ApiKeyRow:
    """Withdraw a key: from now on nobody comes in with it.

    Raises
    ------
    Absent, Conflict
        There is no such key, or it has been withdrawn already.
    """
    with database.write() as session:
        row = session.get(ApiKeyRow, key_id)
        if row is None:
            raise Absent("api key", key_id)
        if row.revoked_at is not None:
            raise Conflict(f"key {key_id} was withdrawn on {row.revoked_at:%Y-%m-%d}")
        row.revoked_at = now
        record(session, origin, now=now, verb="revoke", subject=f"api_key/{row.id}")
        return row
