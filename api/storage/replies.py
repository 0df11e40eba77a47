"""Replies kept for requests that may be sent again, and for how long."""

from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlmodel import col

from api.storage.database import Database
from api.storage.tables import IdempotencyRow

KEPT_FOR = timedelta(hours=48)


def forget_old_replies(database: Database, *, now: datetime) -> None:
    """Forget the replies nobody will ask for again."""
    with database.write() as session:
        session.exec(delete(IdempotencyRow).where(col(IdempotencyRow.created_at) < now - KEPT_FOR))
