"""Which hosts call-backs may reach: those of the public internet, and what the operator names besides.

Somebody who may make call-backs must not reach through us what only we can reach: this machine, its network, the
address that gives a rented machine its passwords. So an IP address must be global unicast by the IANA registries for
special purposes (RFC 6890 and its successors); forms that carry another address inside are judged by that, or refused.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network

IPAddress = IPv4Address | IPv6Address
IPNetwork = IPv4Network | IPv6Network

GLOBAL_UNICAST = IPv6Network("2000::/3")
NAT64 = IPv6Network("64:ff9b::/96")
NOT_PUBLIC = tuple(
    ipaddress.ip_network(network)
    for network in (
        "0.0.0.0/8",  # this network
        "10.0.0.0/8",
        "100.64.0.0/10",  # shared by the customers of a provider
        "127.0.0.0/8",
        "169.254.0.0/16",  # link-local, the metadata of rented machines among it
        "172.16.0.0/12",
        "192.0.0.0/24",  # protocol assignments
        "192.0.2.0/24",  # documentation
        "192.88.99.0/24",  # relays from IPv6 that are no more
        "192.168.0.0/16",
        "198.18.0.0/15",  # benchmarks
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/4",  # multicast
        "240.0.0.0/4",  # reserved, broadcast
        "2001::/23",  # protocol assignments, Teredo among them
        "2001:db8::/32",  # documentation
        "2002::/16",  # 6to4: an IPv4 address inside
        "3fff::/20",  # documentation
    )
)
NEVER_BY_NAME = tuple(
    ipaddress.ip_network(network)
    for network in (
        "0.0.0.0/8",
        "169.254.0.0/16",
        "224.0.0.0/3",
        "::/128",
        "2002::/16",
        "fd00:ec2::/32",  # metadata of rented machines over IPv6
        "fe80::/10",
        "ff00::/8",
    )
)
"""What an allowed name may not stand for: only a network or an address of the setting allows these."""


@dataclass(frozen=True)
class Reach:
    """What may be reached besides the public internet; by default nothing.

    `names` are host names, lower case, whose addresses may be private; `networks` hold whatever name leads there.
    """

    networks: tuple[IPNetwork, ...] = ()
    names: frozenset[str] = frozenset()

    @classmethod
    def of(cls, setting: str) -> Reach:
        """What a text allows: networks, addresses and host names separated by commas.

        Raises
        ------
        ValueError : a part is none of these; the message names it
        """
        networks: list[IPNetwork] = []
        names = set()
        for part in (part.strip().strip("[]").lower() for part in setting.split(",")):
            if not part:
                continue
            try:
                networks.append(ipaddress.ip_network(part))
            except ValueError as error:
                if "/" in part or ":" in part or part.rpartition(".")[2].isdigit():
                    raise ValueError(f"{part!r} is not a network, an address or a host name ({error})") from error
                names.add(part.removesuffix("."))
        return cls(tuple(networks), frozenset(names))

    def permits(self, host: str, address: IPAddress) -> bool:
        """Whether an address that the host stands for may be connected to.

        Parameters
        ----------
        host : name or IP address, lower case
        """
        meant = unwrapped(address)
        if self._holds(address) or self._holds(meant) or is_public(meant):
            return True
        return host in self.names and not _among(meant, NEVER_BY_NAME)

    def vouches_for(self, host: str, addresses: Iterable[IPAddress]) -> bool:
        """Whether the operator named the host, or every one of its addresses: plain HTTP is enough there."""
        return host in self.names or all(self._holds(unwrapped(address)) for address in addresses)

    def _holds(self, address: IPAddress) -> bool:
        return _among(address, self.networks)


def is_public(address: IPAddress) -> bool:
    """Whether an address is global unicast, of no special purpose, and none that only carries another."""
    if isinstance(address, IPv6Address) and address not in GLOBAL_UNICAST:
        return False
    return address.is_global and not address.is_multicast and not _among(address, NOT_PUBLIC)


def unwrapped(address: IPAddress) -> IPAddress:
    """The IPv4 address inside ::ffff:0:0/96 (mapped) and 64:ff9b::/96 (translated); any other as it is."""
    if isinstance(address, IPv6Address):
        if address.ipv4_mapped is not None:
            return address.ipv4_mapped
        if address in NAT64:
            return IPv4Address(int(address) & 0xFFFF_FFFF)
    return address


def _among(address: IPAddress, networks: Iterable[IPNetwork]) -> bool:
    return any(address.version == network.version and address in network for network in networks)
