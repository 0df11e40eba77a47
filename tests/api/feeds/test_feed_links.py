import re

import pytest

from api.feeds.links import (
    feed_path,
    file_stem,
    is_secret_shaped,
    masked,
    mint_secret,
    secret_hash,
)

SECRET = "srf_" + "Ab3-_" * 8 + "xyz"


def test_minted_secrets_are_256_bits_in_url_safe_letters_and_differ() -> None:
    secrets = {mint_secret() for _ in range(100)}

    assert len(secrets) == 100
    # 43 letters of 6 bits hold 32 octets.
    assert [s for s in secrets if not re.fullmatch(r"srf_[A-Za-z0-9_-]{43}", s)] == []
    assert all(is_secret_shaped(secret) for secret in secrets)


@pytest.mark.parametrize("text", ["", "srf_", SECRET[:-1], SECRET + "a", SECRET + "\n", "x" * 47])
def test_other_texts_are_not_secret_shaped(text: str) -> None:
    assert not is_secret_shaped(text)


def test_secret_hash_is_sha_256() -> None:
    # FIPS 180-2, appendix B.1: SHA-256 of "abc".
    assert secret_hash("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (f"GET /feeds/{SECRET}/inga.ics HTTP/1.1", "GET /feeds/***/inga.ics HTTP/1.1"),
        ("/feeds/mistyped-secret/inga.ics?x=1", "/feeds/***/inga.ics?x=1"),
        (f"/FEEDS%2F{SECRET}%2Finga.ics", "/FEEDS%2F***%2Finga.ics"),
        (f"webcal://host/feeds/{SECRET}", "webcal://host/feeds/***"),
        (f"no such link: {SECRET}", "no such link: ***"),
        ("/v1/feed-links/17", "/v1/feed-links/17"),
    ],
)
def test_masked_hides_every_secret_and_nothing_else(text: str, shown: str) -> None:
    assert masked(text) == shown


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("Jörg Ünal", "joerg-uenal"),
        ("Łukasz Øverå-Žižka", "lukasz-oeveraa-zizka"),
        ("O'Brien & Sons (2)", "o-brien-sons-2"),
        ("王芳", "calendar"),
        ("../../etc", "etc"),
    ],
)
def test_file_stem_is_plain(name: str, stem: str) -> None:
    assert file_stem(name) == stem


def test_feed_path_ends_in_the_name_that_programs_show() -> None:
    assert feed_path(SECRET, "Jörg Ünal") == f"/feeds/{SECRET}/joerg-uenal.ics"
