"""WebRTC on a machine that is on no network at all, so that the demo needs none."""

from __future__ import annotations

import logging

from aioice import ice

logger = logging.getLogger(__name__)

LOOPBACK = "127.0.0.1"


def allow_loopback() -> None:
    """Let ICE use 127.0.0.1 when this machine has no other address.

    The ICE library leaves loopback out (RFC 8445, section 5.1.1.1, wants it so), and then a
    browser on this very machine cannot connect once the wireless network is off. With any other
    address nothing changes. It reaches into the library in this one place; a version that lacks
    the function stays as it is.
    """
    original = getattr(ice, "get_host_addresses", None)
    if original is None or getattr(original, "allows_loopback", False):
        if original is None:
            logger.warning("this version of aioice cannot be told to use the loopback address")
        return

    def get_host_addresses(use_ipv4: bool, use_ipv6: bool) -> list[str]:
        found: list[str] = original(use_ipv4=use_ipv4, use_ipv6=use_ipv6)
        return found or ([LOOPBACK] if use_ipv4 else [])

    get_host_addresses.allows_loopback = True  # type: ignore[attr-defined]
    ice.get_host_addresses = get_host_addresses
