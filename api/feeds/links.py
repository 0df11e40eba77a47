"""Secret addresses, of calendars and of worksheets: made, stored, kept out of logs.

The address of a calendar holds a secret of its own, of which only the hash is kept. Those of the
worksheets named in a calendar are derived from one key, so that they stand in its bytes unchanged
and all end with the key.
"""

import base64
import hashlib
import hmac
import re
import secrets
import unicodedata

SECRET_PREFIX = "srf_"
"""Marks a feed secret, so that a leaked one can be recognised by a scanner or a log filter."""

WORKSHEET_PREFIX = "srw_"
"""The same for the secret of a worksheet's address."""

_SECRET_OCTETS = 32  # 256 bits
_SECRET = re.compile(rf"{SECRET_PREFIX}[A-Za-z0-9_-]{{43}}")
_IN_PATH = re.compile(r"(?i)((?:/|%2f)(?:feeds|w)(?:/|%2f))[^/\s?#\"'%]+")
_ANYWHERE = re.compile(rf"(?:{SECRET_PREFIX}|{WORKSHEET_PREFIX})[A-Za-z0-9_-]+")
_MASK = "***"

# Letters that do not come apart into a base letter and an accent.
_SPELLED_OUT = str.maketrans(
    {
        "ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "æ": "ae", "ø": "oe", "å": "aa",
        "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i",
    }
)  # fmt: skip


def mint_secret() -> str:
    """Return a new feed secret of 256 random bits, URL-safe. Show it once, store its hash."""
    return SECRET_PREFIX + secrets.token_urlsafe(_SECRET_OCTETS)


def is_secret_shaped(text: str) -> bool:
    """Whether ``text`` could have come from `mint_secret`; saves a look-up when it could not."""
    return _SECRET.fullmatch(text) is not None


def secret_hash(secret: str) -> str:
    """Return the SHA-256 of a secret in hexadecimal: what is stored, and looked up by.

    No salt and no slow hash: the secret is random, so there is nothing to guess. Whoever times
    look-ups by hash learns something of hashes, from which no secret follows.
    """
    return hashlib.sha256(secret.encode()).hexdigest()


def masked(text: str) -> str:
    """Return ``text`` (a path, an address, a log line) with every secret in it made unreadable."""
    return _ANYWHERE.sub(_MASK, _IN_PATH.sub(rf"\1{_MASK}", text))


def file_stem(name: str) -> str:
    """Return ``name`` as the last part of a feed's address: ASCII, lower case, hyphens.

    Some calendar programs title a new calendar by it. "Jörg Ünal" gives "joerg-uenal"; a name
    with no letter that has an ASCII spelling gives "calendar".
    """
    spelled = unicodedata.normalize("NFC", name).lower().translate(_SPELLED_OUT)
    plain = unicodedata.normalize("NFKD", spelled).encode("ascii", "ignore").decode()
    return "-".join(re.findall("[a-z0-9]+", plain)) or "calendar"


def feed_path(secret: str, name: str) -> str:
    """Return the path of a feed: ``/feeds/{secret}/{name}.ics``."""
    return f"/feeds/{secret}/{file_stem(name)}.ics"


def mint_worksheet_key() -> bytes:
    """Return a new key of 256 random bits for the worksheet addresses of one calendar."""
    return secrets.token_bytes(_SECRET_OCTETS)


def worksheet_path(key: bytes, appointment_id: str) -> str:
    """Return the path of an appointment's worksheet: ``/w/{secret}/{appointment}``."""
    return f"/w/{worksheet_secret(key, appointment_id)}/{appointment_id}"


def worksheet_secret(key: bytes, appointment_id: str) -> str:
    """Return what opens the worksheet of one appointment and no other: HMAC-SHA-256 (RFC 2104)."""
    digest = hmac.new(key, appointment_id.encode(), hashlib.sha256).digest()
    return WORKSHEET_PREFIX + base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
