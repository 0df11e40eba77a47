"""Signing messages as the Standard Webhooks specification 1.0.0 has it.

The signature is ``v1,`` and the base64 of HMAC-SHA256 over ``id.timestamp.body``. While a secret is
being replaced, the signatures by the old and the new one stand side by side.
"""

import base64
import hashlib
import hmac
import secrets as randomness
from collections.abc import Mapping, Sequence
from datetime import datetime

SECRET_PREFIX = "whsec_"
_SECRET_OCTETS = 32  # the specification asks for 24 to 64


def mint_secret() -> str:
    """Return a new secret."""
    return SECRET_PREFIX + base64.b64encode(randomness.token_bytes(_SECRET_OCTETS)).decode()


def signed_headers(
    event: str, body: bytes, secrets: Sequence[str], *, at: datetime
) -> Mapping[str, str]:
    """Return the headers by which a receiver knows a message for ours, and a repetition for one."""
    stamp = str(int(at.timestamp()))
    return {
        "webhook-id": event,
        "webhook-timestamp": stamp,
        "webhook-signature": " ".join(_signature(event, stamp, body, each) for each in secrets),
    }


def _signature(event: str, stamp: str, body: bytes, secret: str) -> str:
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    signed = b".".join((event.encode(), stamp.encode(), body))
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
