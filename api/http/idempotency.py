"""Idempotency-Key: a request that is sent again is not done again, its reply is repeated.

The key stands in the same transaction as what was done, so a lost reply never means a second
effect. A request that failed has stored nothing and may be tried again under its key.
"""

import hashlib
import json
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Depends, Header
from pydantic import BaseModel

from api.http.context import Deed
from api.storage.joined import JoinedDatabase
from api.storage.tables import IdempotencyRow
from scheduler.errors import InvalidInput, SteamroundError

Shown = TypeVar("Shown", bound=BaseModel)

HEADER = "Idempotency-Key"
_LONGEST_KEY = 200
_REPEATED_HEADERS = ("location", "etag")

IdempotencyKey = Annotated[
    str | None,
    Header(
        alias=HEADER,
        max_length=_LONGEST_KEY,
        description="Chosen by you, new for every request: send it again with the same request "
        "after a lost reply, and nothing is done twice. Kept for 48 hours.",
        examples=["4f6c1a52-9a1f-4c3e-b1d7-6f0f0a7a2f11"],
    ),
]


class KeyMissing(SteamroundError):
    """What would take somebody's time twice if it were sent twice has to come with a key."""

    def __init__(self) -> None:
        super().__init__(f"send {HEADER}: a value of your own, new for every request")


def _required(key: IdempotencyKey = None) -> str:
    if not (key or "").strip().strip('"'):
        raise KeyMissing
    assert key is not None, "an empty key was refused"
    return key


RequiredKey = Annotated[str, Depends(_required)]
"""The key of a request that may not come without one: 400 when it is missing."""


class KeyReused(InvalidInput):
    """The same key with another request: whoever sends it has mixed something up."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(f"{HEADER} {key!r} was used for another request: take a new key")


def once(
    deed: Deed,
    key: str | None,
    body: BaseModel,
    model: type[Shown],
    do: Callable[[Deed], Shown],
    *,
    status: int,
) -> Shown:
    """Do what a request asks for, or repeat the reply it was given before.

    Parameters
    ----------
    key : as it was sent; None when the request may be done as often as it comes.
    model : what the reply is read back as.
    do : does it, with a deed whose database joins the transaction of the key.
    status : the status of a reply to something done.

    Raises
    ------
    KeyReused
        When the key came with another request before.
    """
    key = (key or "").strip().strip('"')
    if not key:
        return do(deed)
    operation = f"{deed.request.method} {deed.request.url.path}"
    text = json.dumps(body.model_dump(mode="json"), sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()
    with deed.database.write() as session:
        given = session.get(IdempotencyRow, (deed.who.key, operation, key))
        if given is not None:
            if given.body_hash != digest:
                raise KeyReused(key)
            deed.response.headers.update(given.headers)
            deed.response.headers["Idempotency-Replayed"] = "true"
            return model.model_validate(given.reply)
        shown = do(deed.joining(JoinedDatabase(deed.database, session)))
        session.add(
            IdempotencyRow(
                principal=deed.who.key,
                operation=operation,
                key=key,
                body_hash=digest,
                status=status,
                reply=shown.model_dump(mode="json"),
                headers={
                    name: deed.response.headers[name]
                    for name in _REPEATED_HEADERS
                    if name in deed.response.headers
                },
                created_at=deed.now,
            )
        )
        return shown
