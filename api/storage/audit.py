"""The trail of who did what, and events for the world, written with the change itself."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from api.storage.events import checked_payload
from api.storage.ids import new_id
from api.storage.tables import AuditRow, OutboxRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Who asks for a change: a key's name, a clock job, the command line."""

    actor: str
    request_id: str = ""


def record(
    session: Session,
    origin: Origin,
    *,
    now: datetime,
    verb: str,
    subject: str,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
) -> None:
    """Add a line to the trail. ``subject`` is a kind and an id, "appointment/ap_…"."""
    session.add(
        AuditRow(
            id=new_id("au"),
            at=now,
            actor=origin.actor,
            verb=verb,
            subject=subject,
            before=before,
            after=after,
            request_id=origin.request_id,
        )
    )


def announce(
    session: Session, *, now: datetime, topic: str, client: str | None, payload: dict[str, Any]
) -> None:
    """Put an event into the outbox, to be sent once this transaction stands.

    Topics and payloads are those of ``api.storage.events``.
    """
    session.add(
        OutboxRow(
            id=new_id("ev"),
            topic=topic,
            client_id=client,
            payload=checked_payload(topic, payload),
            created_at=now,
        )
    )
