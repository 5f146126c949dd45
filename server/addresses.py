"""Which of this machine's addresses a phone on the same network can reach."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable

import ifaddr

# Virtual networks inside this machine: no phone is ever on them.
_VIRTUAL = re.compile(r"^(lo|docker|br-|veth|virbr|vmnet|vboxnet|cni|flannel|lxc|podman)", re.I)

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


def lan_addresses(adapters: Iterable[ifaddr.Adapter] | None = None) -> list[str]:
    """Addresses that a phone could open, likeliest first; IPv4 before IPv6, never loopback.

    IPv6 link-local addresses are left out: a browser's address bar takes no zone.
    """
    ranked: list[tuple[int, str]] = []
    for adapter in ifaddr.get_adapters() if adapters is None else adapters:
        if _VIRTUAL.match(adapter.nice_name) or _VIRTUAL.match(str(adapter.name)):
            continue
        for ip in adapter.ips:
            text = ip.ip if isinstance(ip.ip, str) else ip.ip[0]
            address = ipaddress.ip_address(text)
            rank = _rank(address)
            if rank is not None:
                ranked.append((rank, str(address)))
    return list(dict.fromkeys(text for _, text in sorted(ranked, key=lambda item: item[0])))


def _rank(address: IPAddress) -> int | None:
    """Smaller is likelier; None for what a phone cannot open."""
    if address.is_loopback or address.is_unspecified or address.is_multicast:
        return None
    if isinstance(address, ipaddress.IPv6Address):
        return None if address.is_link_local else 4 + (not address.is_private)
    if address.is_link_local:
        return 3
    return 0 if address.is_private else 2


def url_host(address: str) -> str:
    """An address as it stands in a URL: IPv6 in brackets (RFC 3986, section 3.2.2)."""
    return f"[{address}]" if ":" in address else address


def is_loopback(address: str) -> bool:
    """Whether a host name or address stays on this machine."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
