"""Which addresses are called, and how the connection is kept to the one that was checked."""

import httpx
import pytest

from api.dialling import (
    AddressRefused,
    HostUnknown,
    Target,
    checked_address,
    is_public,
    pinned_request,
    resolved,
    spelled_out,
    target_of,
)

PUBLIC = "93.184.215.14"  # an ordinary public address; nothing is sent there


@pytest.mark.parametrize(
    ("address", "public"),
    [
        ("93.184.215.14", True),
        ("2606:2800:21f:cb07:6820:80da:af6b:8b2c", True),
        ("127.0.0.1", False),
        ("10.1.2.3", False),
        ("100.64.0.1", False),  # shared address space
        ("169.254.169.254", False),  # where clouds keep credentials
        ("224.0.0.1", False),
        ("0.0.0.0", False),
        ("255.255.255.255", False),
        ("::1", False),
        ("::", False),
        ("fd00::1", False),
        ("fe80::1", False),
        ("::ffff:127.0.0.1", False),
        ("::ffff:93.184.215.14", True),
        ("2002:7f00:1::", False),  # 6to4 of 127.0.0.1
        ("64:ff9b::7f00:1", False),  # NAT64 of 127.0.0.1
        ("64:ff9b::5db8:d70e", True),
        ("64:ff9b:1::5db8:d70e", False),
        ("::127.0.0.1", False),
    ],
)
def test_public_addresses_are_told_from_inside_ones(address: str, public: bool) -> None:
    assert is_public(address) is public


@pytest.mark.parametrize(
    ("address", "target"),
    [
        ("https://Hook.Example/a b?x=1#top", Target(host="hook.example", path="/a b?x=1")),
        ("https://hook.example:8443", Target(host="hook.example", path="/", port=8443)),
        (
            "http://127.0.0.1:9000/in",
            Target(host="127.0.0.1", path="/in", port=9000, loopback=True),
        ),
        ("http://[::1]/", Target(host="::1", path="/", port=80, loopback=True)),
    ],
)
def test_target_is_read_from_the_address(address: str, target: Target) -> None:
    assert target_of(address, ports=frozenset({443, 8443}), loopback=True) == target


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("http://hook.example/", "only https addresses are called"),
        ("http://127.0.0.1/", "only https addresses are called"),
        ("ftp://hook.example/", "only https addresses are called"),
        ("//hook.example/", "only https addresses are called"),
        ("https://hook.example:22/", "only https port 443 or 8443 is called"),
        ("https://hook.example:0/", "only https port 443 or 8443 is called"),
        ("https://hook.example:x/", "the address cannot be read"),
        ("https://me@hook.example/", "an address with a user name is not called"),
        ("https://höök.example/", "the address names no host in ASCII"),
    ],
)
def test_what_is_no_plain_https_address_is_refused(address: str, message: str) -> None:
    with pytest.raises(AddressRefused) as refusal:
        target_of(address, ports=frozenset({443, 8443}))
    assert str(refusal.value) == message


@pytest.mark.parametrize(
    "spelling",
    ["127.0.0.1", "127.1", "2130706433", "0x7f000001", "0177.0.0.1", "0", "::1", "::ffff:7f00:1"],
)
def test_every_spelling_of_this_machine_is_seen_through(spelling: str) -> None:
    host = f"[{spelling}]" if ":" in spelling else spelling
    target = target_of(f"https://{host}/")

    with pytest.raises(AddressRefused):
        checked_address(target, resolved)
    assert [is_public(address) for address in spelled_out(target.host)] == [False]


def test_a_name_spells_no_address() -> None:
    assert (spelled_out("hook.example"), spelled_out("8.8.8.8")) == ([], ["8.8.8.8"])


@pytest.mark.parametrize(
    "answers",
    [["169.254.169.254"], ["10.0.0.5"], [PUBLIC, "127.0.0.1"], ["64:ff9b::7f00:1"], ["100.64.0.1"]],
)
def test_one_inside_address_among_the_answers_is_enough_to_refuse(answers: list[str]) -> None:
    with pytest.raises(AddressRefused):
        checked_address(target_of("https://hook.example/"), lambda host: answers)


def test_a_host_without_an_address_is_unknown() -> None:
    def nowhere(host: str) -> list[str]:
        raise OSError("no such name")

    def nothing(host: str) -> list[str]:
        return []

    for resolve in (nowhere, nothing):
        with pytest.raises(HostUnknown):
            checked_address(target_of("https://hook.example/"), resolve)


def test_loopback_by_permission_leads_nowhere_else() -> None:
    target = target_of("http://localhost:9000/", loopback=True)
    assert checked_address(target, lambda host: ["127.0.0.1"]) == "127.0.0.1"
    with pytest.raises(AddressRefused):
        checked_address(target, lambda host: [PUBLIC])


def test_the_request_goes_to_the_checked_address_under_the_name_of_the_host() -> None:
    target = target_of("https://hook.example:8443/in?k=1", ports=frozenset({8443}))
    request = pinned_request("POST", target, "2606:2800::1", headers={}, seconds=7, content=b"x")

    assert request.url == httpx.URL("https://[2606:2800::1]:8443/in?k=1")
    assert (request.headers["host"], request.extensions["sni_hostname"], request.read()) == (
        "hook.example:8443",
        "hook.example",
        b"x",
    )
    assert request.headers["connection"] == "close"
