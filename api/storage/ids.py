"""Ids nobody can guess or read anything from."""

import secrets

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"  # without i, l, o, u: read out over the telephone
_LETTERS = 20  # 100 random bits


def new_id(kind: str) -> str:
    """Return a new id such as ``ap_7k0x…``; ``kind`` is two or three letters, for people only."""
    return f"{kind}_{''.join(secrets.choice(_ALPHABET) for _ in range(_LETTERS))}"
