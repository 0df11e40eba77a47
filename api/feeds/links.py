"""Feed links: the secret in them, how it is stored and kept out of logs."""

import hashlib
import re
import secrets
import unicodedata

SECRET_PREFIX = "srf_"
"""Marks a feed secret, so that a leaked one can be recognised by a scanner or a log filter."""

_SECRET_OCTETS = 32  # 256 bits
_SECRET = re.compile(rf"{SECRET_PREFIX}[A-Za-z0-9_-]{{43}}")
_IN_PATH = re.compile(r"(?i)((?:/|%2f)feeds(?:/|%2f))[^/\s?#\"'%]+")
_ANYWHERE = re.compile(rf"{SECRET_PREFIX}[A-Za-z0-9_-]+")
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
    """Return ``text`` (a path, an address, a log line) with every feed secret made unreadable."""
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
