"""An address for call-backs: taken apart strictly, resolved once, every IP address it stands for looked at.

The connection is then made to an address that was looked at. Asking for the name's address again would let whoever
holds the name answer differently the second time (DNS rebinding).
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from coilbench_worker.callbacks.reach import IPAddress, Reach

MOST_CHARACTERS = 2000
PORTS = {"https": 443, "http": 80}
LABEL = r"(?!-)[a-z0-9_-]{1,63}(?<!-)"
NAME = re.compile(rf"(?=.{{1,253}}$){LABEL}(\.{LABEL})*")
AUTHORITY = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^\[\]:]+)(:[0-9]{1,5})?")
NUMBER = re.compile(r"[0-9]+|0x[0-9a-f]*")
"""A last label that makes some resolvers read the whole name as an IPv4 address in another form."""

Resolve = Callable[[str, int], list[tuple[Any, ...]]]
"""Host and port to what `socket.getaddrinfo` gives."""


class AddressRefused(ValueError):
    """A call-back may not go there; the message says why in one sentence, and nothing of what is inside a network."""


class NotResolved(Exception):
    """The name has no address at the moment."""


@dataclass(frozen=True)
class Destination:
    """An address in parts. `host` is a name or an IP address, lower case; `target` the path with its query."""

    scheme: str
    host: str
    port: int
    target: str

    @property
    def authority(self) -> str:
        """What the Host header says."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == PORTS[self.scheme] else f"{host}:{self.port}"


@dataclass(frozen=True)
class Resolved:
    """A destination with IP addresses that may be connected to, in the resolver's order."""

    destination: Destination
    addresses: tuple[IPAddress, ...]


def parse(url: str) -> Destination:
    """Take an address apart.

    Raises
    ------
    AddressRefused : not http or https, a user or password in it, a host in a form that can be read in two ways, ...
    """
    if len(url) > MOST_CHARACTERS:
        raise AddressRefused(f"The address has {len(url)} characters; at most {MOST_CHARACTERS} are taken.")
    if not re.fullmatch(r"[!-~]+", url) or re.search(r'[\\"<>^`{|}]', url):
        raise AddressRefused(
            "The address has characters that no address has; write other letters as %XX, "
            "and host names with them in their xn-- form."
        )
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise AddressRefused("The address can't be taken apart; write https://HOST/PATH.") from error
    if parts.scheme not in PORTS:
        raise AddressRefused("The address must begin with https://.")
    if "@" in parts.netloc:
        raise AddressRefused("The address has a user or password in it; call-backs are signed instead.")
    if "#" in url:
        raise AddressRefused("The address has a part after #, which is never sent.")
    if port == 0 or not AUTHORITY.fullmatch(parts.netloc):
        raise AddressRefused("The address must name a host and, if need be, a port from 1 to 65535.")
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Destination(parts.scheme, _host(parts.hostname or ""), port or PORTS[parts.scheme], target)


def resolve(destination: Destination, reach: Reach, lookup: Resolve | None = None) -> Resolved:
    """Look up the host, once, and look at every address that it has.

    Parameters
    ----------
    lookup : in place of the system's resolver

    Raises
    ------
    AddressRefused : one of them may not be reached, or https is asked for
    NotResolved : the name has no address at the moment
    """
    try:
        found = (lookup or _system)(destination.host, destination.port)
    except (OSError, UnicodeError) as error:
        raise NotResolved(f"The host name {destination.host} has no address.") from error
    addresses = tuple(dict.fromkeys(ipaddress.ip_address(str(entry[4][0]).partition("%")[0]) for entry in found))
    if not addresses:
        raise NotResolved(f"The host name {destination.host} has no address.")
    for address in addresses:
        if not reach.permits(destination.host, address):
            raise AddressRefused(
                f"{destination.host} is, or leads to, an address that is not of the public internet; "
                "COILBENCH_CALLBACKS_ALLOWED names those that may be reached all the same."
            )
    if destination.scheme == "http" and not reach.vouches_for(destination.host, addresses):
        raise AddressRefused(
            "The address must begin with https://; plain http:// is for hosts that COILBENCH_CALLBACKS_ALLOWED names."
        )
    return Resolved(destination, addresses)


def _host(host: str) -> str:
    if "%" in host:
        raise AddressRefused("The host has a % in it; name it plainly, and an IPv6 address without a zone.")
    if ":" in host:
        return str(_ipv6(host))
    name = host.removesuffix(".")
    if not NAME.fullmatch(name):
        raise AddressRefused("The address names no host that there could be.")
    if NUMBER.fullmatch(name.rpartition(".")[2]):
        try:
            return str(ipaddress.IPv4Address(name))
        except ValueError as error:
            raise AddressRefused("The host is a number; write an IPv4 address as four plain decimal ones.") from error
    return name


def _ipv6(host: str) -> ipaddress.IPv6Address:
    try:
        return ipaddress.IPv6Address(host)
    except ValueError as error:
        raise AddressRefused("The host is no IPv6 address.") from error


def _system(host: str, port: int) -> list[tuple[Any, ...]]:
    return [*socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
