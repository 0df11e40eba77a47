"""Calling an address somebody else typed in, without becoming their errand boy.

Whoever gives the address may mean a machine inside our own network. So only https on its usual
ports is followed, a name is resolved once, every address it has must be a public one, and the
connection goes to the very address that was checked, under the host's name in TLS and in HTTP.
Checking when the address is given is not enough: a name may lead elsewhere by the time it is used.
"""

import ipaddress
import socket
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

import httpx

from scheduler.errors import Impossible, InvalidInput

Resolver = Callable[[str], list[str]]

HTTPS_PORT = 443

_NAT64 = ipaddress.ip_network("64:ff9b::/96")
_LOCAL_NAT64 = ipaddress.ip_network("64:ff9b:1::/48")
_LOOPBACK_HOSTS = frozenset({"127.0.0.1", "::1", "localhost"})


class AddressRefused(InvalidInput):
    """An address that is not called, wherever its host may be."""


class HostUnknown(Impossible):
    """A host that has no address at present."""

    def __init__(self) -> None:
        super().__init__("the host is not known")


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where to ask: a host name, and a path with its query.

    ``loopback`` marks plain http to this very machine, which only an operator can allow.
    """

    host: str
    path: str
    port: int = HTTPS_PORT
    loopback: bool = False

    @property
    def host_header(self) -> str:
        """Return the host as HTTP names it."""
        host = _literal(self.host)
        return host if self.port == HTTPS_PORT and not self.loopback else f"{host}:{self.port}"


def target_of(
    address: str, *, ports: frozenset[int] = frozenset({HTTPS_PORT}), loopback: bool = False
) -> Target:
    """Return where ``address`` leads, if it may be followed at all.

    Parameters
    ----------
    ports : the https ports that are called.
    loopback : whether plain http to this very machine is allowed too: development and tests.

    Raises
    ------
    AddressRefused
        Unless it is https on one of ``ports`` without a user name.
    """
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        raise AddressRefused("the address cannot be read") from None
    home = loopback and parts.scheme == "http" and parts.hostname in _LOOPBACK_HOSTS
    if parts.scheme != "https" and not home:
        raise AddressRefused("only https addresses are called")
    if port is not None and port not in ports and not home:
        raise AddressRefused(f"only https port {' or '.join(map(str, sorted(ports)))} is called")
    if parts.username is not None or parts.password is not None:
        raise AddressRefused("an address with a user name is not called")
    if not parts.hostname or not parts.hostname.isascii():
        raise AddressRefused("the address names no host in ASCII")
    return Target(
        host=parts.hostname,
        path=(parts.path or "/") + (parts.query and f"?{parts.query}"),
        port=port or (80 if home else HTTPS_PORT),
        loopback=home,
    )


def checked_address(target: Target, resolve: Resolver) -> str:
    """Return the first address of the target's host, provided that all of them may be called.

    Raises
    ------
    HostUnknown
        When it has none.
    AddressRefused
        When it has any that leads elsewhere than to the public internet.
    """
    try:
        addresses = resolve(target.host)
    except (OSError, UnicodeError):  # the resolver encodes a name before it asks
        addresses = []
    if not addresses:
        raise HostUnknown
    may_be_called = _is_loopback if target.loopback else is_public
    if not all(may_be_called(address) for address in addresses):
        raise AddressRefused("the host is not on the public internet")
    return addresses[0]


def is_public(address: str) -> bool:
    """Whether an IP address belongs to the public internet, also when it wraps another one."""
    ip = ipaddress.ip_address(address)
    if isinstance(ip, ipaddress.IPv6Address):
        wrapped = ip.ipv4_mapped or ip.sixtofour or (ip.teredo and ip.teredo[1])
        if ip in _NAT64:
            wrapped = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if wrapped:
            return is_public(str(wrapped))
        if ip in _LOCAL_NAT64:
            return False
    return ip.is_global and not (ip.is_multicast or ip.is_reserved or ip.is_unspecified)


def _is_loopback(address: str) -> bool:
    return ipaddress.ip_address(address).is_loopback


def resolved(host: str) -> list[str]:
    """Return the addresses of ``host`` from the system's resolver, in its order."""
    return _looked_up(host)


def spelled_out(host: str) -> list[str]:
    """Return the address a host name spells, in whatever notation; none when it is a name.

    Nobody is asked: this may be called inside a request.
    """
    try:
        return _looked_up(host, socket.AI_NUMERICHOST)
    except (OSError, UnicodeError):
        return []


def _looked_up(host: str, flags: int = 0) -> list[str]:
    found = socket.getaddrinfo(host, HTTPS_PORT, type=socket.SOCK_STREAM, flags=flags)
    return [str(entry[4][0]).partition("%")[0] for entry in found]


def pinned_request(
    method: str,
    target: Target,
    address: str,
    *,
    headers: Mapping[str, str],
    seconds: float,
    content: bytes | None = None,
) -> httpx.Request:
    """Return a request to the checked ``address`` of a target, under the name of its host.

    Send it by a transport, not a client: a transport knows no cookies, redirects, credentials or
    proxies. ``seconds`` limits each step of it, not the whole. The connection is not kept: it would
    be reused for another host at the same address, whose certificate nobody has checked.
    """
    scheme = "http" if target.loopback else "https"
    return httpx.Request(
        method,
        f"{scheme}://{_literal(address)}:{target.port}{target.path}",
        headers={**headers, "Host": target.host_header, "Connection": "close"},
        content=content,
        extensions={
            "sni_hostname": target.host,
            "timeout": httpx.Timeout(seconds).as_dict(),
        },
    )


def _literal(host: str) -> str:
    return f"[{host}]" if ":" in host else host
