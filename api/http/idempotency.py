"""Idempotency-Key: a request that is sent again is not done again, its reply is repeated.

The key stands in the same transaction as what was done, so a lost reply never means a second
effect. A request that failed has stored nothing and may be tried again under its key.
"""

import hashlib
import json
import re
from collections.abc import Callable
from typing import Annotated, Any, NamedTuple, TypeVar

from fastapi import Depends, Header
from pydantic import BaseModel
from sqlmodel import Session

from api.http.context import Deed
from api.storage.joined import JoinedDatabase
from api.storage.tables import IdempotencyRow
from scheduler.errors import InvalidInput, SteamroundError

Shown = TypeVar("Shown", bound=BaseModel)

HEADER = "Idempotency-Key"
_LONGEST_KEY = 200
_KEY = r"^[!-~]*[A-Za-z0-9][!-~]*$"
_REPEATED_HEADERS = ("location", "etag")


def _header(**more: bool) -> Any:
    return Header(
        alias=HEADER,
        max_length=_LONGEST_KEY,
        description="Chosen by you, new for every request: send it again with the same request "
        "after a lost reply, and nothing is done twice. Kept for 48 hours.",
        examples=["4f6c1a52-9a1f-4c3e-b1d7-6f0f0a7a2f11"],
        json_schema_extra={"pattern": _KEY, **more},
    )


IdempotencyKey = Annotated[str | None, _header()]


class KeyMissing(SteamroundError):
    """What would take somebody's time twice if it were sent twice has to come with a key.

    One that is blank or cannot be told from others protects from nothing and is no key.
    """

    def __init__(self) -> None:
        super().__init__(
            f"send {HEADER}: a value of your own, new for every request, with a letter or digit "
            "and without spaces"
        )


def _required(key: Annotated[str | None, _header(**{"x-required": True})] = None) -> str:
    if key is None:
        raise KeyMissing
    return key


RequiredKey = Annotated[str, Depends(_required)]
"""The key of a request that may not come without one: 400 when it is missing."""


class KeyReused(InvalidInput):
    """The same key with another request: whoever sends it has mixed something up."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(f"{HEADER} {key!r} was used for another request: take a new key")


def repeated(deed: Deed, key: str, body: BaseModel, model: type[Shown]) -> Shown | None:
    """Return the reply a request was given before, None when it is new; nobody is kept waiting.

    For routes that work something out before they begin to write; see ``once``.
    """
    with deed.database.read() as session:
        return _reply(session, deed, _Asked.of(deed, key, body), model)


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
    KeyMissing
        When the header is there and holds no key.
    """
    if key is None:
        return do(deed)
    asked = _Asked.of(deed, key, body)
    with deed.database.write() as session:
        if (given := _reply(session, deed, asked, model)) is not None:
            return given
        shown = do(deed.joining(JoinedDatabase(deed.database, session)))
        session.add(
            IdempotencyRow(
                principal=deed.who.key,
                operation=asked.operation,
                key=asked.key,
                body_hash=asked.digest,
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


class _Asked(NamedTuple):
    """What a key was sent with."""

    operation: str
    key: str
    digest: str

    @classmethod
    def of(cls, deed: Deed, key: str, body: BaseModel) -> "_Asked":
        if re.fullmatch(_KEY, key) is None:
            raise KeyMissing
        text = json.dumps(body.model_dump(mode="json"), sort_keys=True)
        return cls(
            operation=f"{deed.request.method} {deed.request.url.path}",
            key=key.strip('"'),
            digest=hashlib.sha256(text.encode()).hexdigest(),
        )


def _reply(session: Session, deed: Deed, asked: _Asked, model: type[Shown]) -> Shown | None:
    given = session.get(IdempotencyRow, (deed.who.key, asked.operation, asked.key))
    if given is None:
        return None
    if given.body_hash != asked.digest:
        raise KeyReused(asked.key)
    deed.response.headers.update(given.headers)
    deed.response.headers["Idempotency-Replayed"] = "true"
    return model.model_validate(given.reply)
