"""What may keep a phone from this server, looked at one by one; each finding in plain words."""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import http.client
import ipaddress
import socket
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from cryptography import x509

from server.certs import CertFiles, CertificateError, addresses_of, check_private
from server.firewall import Firewall, Gate

WAIT_S = 3.0


class State(StrEnum):
    """How a finding stands."""

    GOOD = "good"
    MIND = "mind"  # may be the reason
    BAD = "bad"  # is a reason


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: how it stands, and what to do about it ("" if nothing)."""

    state: State
    what: str
    todo: str = ""


def check_network(addresses: Sequence[str]) -> list[Finding]:
    """Whether this machine has an address that a phone could reach."""
    if not addresses:
        return [
            Finding(
                State.BAD,
                "This machine is on no network.",
                "Join the Wi-Fi that the phone is in, or the phone's own hotspot.",
            )
        ]
    if all(ipaddress.ip_address(a).is_link_local for a in addresses):
        return [
            Finding(
                State.BAD,
                f"This machine has only {addresses[0]}: the network gave it no address.",
                "Switch Wi-Fi off and on, or use the phone's own hotspot.",
            )
        ]
    found = [Finding(State.GOOD, f"This machine's address is {addresses[0]}.")]
    if not ipaddress.ip_address(addresses[0]).is_private:
        found.append(
            Finding(
                State.MIND,
                f"{addresses[0]} is a public address: this is not an ordinary local network.",
                "Use the phone's own hotspot.",
            )
        )
    if len(addresses) > 1:
        found.append(
            Finding(
                State.MIND,
                f"It is on several networks: {', '.join(addresses)}.",
                "The QR code holds the first. If the phone is in another of these networks, open "
                "the matching address, or start with --host and that address.",
            )
        )
    return found


def check_port(port: int, host: str = "0.0.0.0") -> Finding:
    """Whether the port is free, held by a running teesquare, or taken by something else."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
            return Finding(State.GOOD, f"Port {port} is free for `teesquare serve`.")
        except OSError as wrong:
            refused = wrong.errno
    if refused == errno.EACCES:
        return Finding(
            State.BAD,
            f"Port {port} is not for ordinary users.",
            "Choose one from 1024 to 65535 with --port.",
        )
    if refused == errno.EADDRNOTAVAIL:
        return Finding(
            State.BAD,
            f"This machine does not have the address {host}.",
            "Leave out --host, or give one of this machine's addresses.",
        )
    if is_teesquare(port):
        return Finding(State.GOOD, f"A teesquare server is running on port {port}.")
    return Finding(
        State.BAD,
        f"Port {port} is taken by another program.",
        f"End that program, or choose another port: teesquare serve --port {port + 1}",
    )


def is_teesquare(port: int, host: str = "127.0.0.1") -> bool:
    """Whether a teesquare server answers at the port, over HTTPS or plain HTTP."""
    blind = ssl.create_default_context()
    blind.check_hostname = False
    blind.verify_mode = ssl.CERT_NONE  # it is only asked for its sort, and told nothing
    tls = http.client.HTTPSConnection(host, port, timeout=WAIT_S, context=blind)
    for link in (tls, http.client.HTTPConnection(host, port, timeout=WAIT_S)):
        with contextlib.suppress(OSError, http.client.HTTPException), contextlib.closing(link):
            link.request("GET", "/healthz")
            asked = link.getresponse().getheader("WWW-Authenticate", "")
            if 'realm="teesquare"' in asked:
                return True
    return False


def check_certificate(
    files: CertFiles, addresses: Sequence[str], now: dt.datetime
) -> list[Finding]:
    """Whether the certificate is there, in date, for these addresses, and its key private."""
    own = files.ca is not None
    renew = (
        "Start `teesquare serve` again: it makes a new one by itself."
        if own
        else "Get a new one from whoever made it, and give it with --cert and --key."
    )
    cert = _read(files.cert)
    if cert is None:
        if own and not files.cert.exists():
            return [Finding(State.GOOD, "There is no certificate yet: the first start makes it.")]
        return [Finding(State.BAD, f"The certificate {files.cert} cannot be read.", renew)]
    found = []
    if now > cert.not_valid_after_utc:
        ended = f"{cert.not_valid_after_utc:%d %B %Y}"
        found.append(Finding(State.BAD, f"The certificate expired on {ended}.", renew))
    if now < cert.not_valid_before_utc:
        begins = f"{cert.not_valid_before_utc:%d %B %Y}"
        found.append(
            Finding(
                State.BAD,
                f"The certificate begins on {begins}, which is still to come.",
                "Set this machine's clock right.",
            )
        )
    missing = [a for a in addresses if a not in addresses_of(cert)]
    if missing and own:
        found.append(
            Finding(State.BAD, f"The certificate does not name {', '.join(missing)}.", renew)
        )
    elif missing:
        names = ", ".join(_names(cert)) or "none"
        found.append(
            Finding(
                State.MIND,
                f"The certificate does not name {', '.join(missing)} (its names: {names}).",
                "Open the server by one of its names, or use the built-in certificate.",
            )
        )
    try:
        check_private(files.key)
    except CertificateError as wrong:
        found.append(Finding(State.BAD, "The private key is not private.", f"{wrong}."))
    if not found:
        found.append(
            Finding(
                State.GOOD, f"The certificate is good until {cert.not_valid_after_utc:%d %B %Y}."
            )
        )
    return found


def check_firewalls(found: Sequence[Firewall], port: int) -> list[Finding]:
    """What each firewall does with a phone's first packet."""
    if not found:
        return [Finding(State.GOOD, "No firewall was found on this machine.")]
    out = []
    for wall in found:
        if wall.gate is Gate.OPEN:
            out.append(Finding(State.GOOD, f"{wall.tool} lets port {port} in."))
        elif wall.gate is Gate.SHUT:
            out.append(
                Finding(State.BAD, f"{wall.tool} keeps port {port} shut.", f"Open it: {wall.cure}")
            )
        else:
            out.append(
                Finding(
                    State.MIND,
                    f"{wall.tool} could not be read, or has rules of its own.",
                    "Run this again with sudo. Should a phone still not get through, "
                    f"open it: {wall.cure}",
                )
            )
    return out


def _read(path: Path) -> x509.Certificate | None:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None


def _names(cert: x509.Certificate) -> list[str]:
    with contextlib.suppress(x509.ExtensionNotFound):
        san = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return san.get_values_for_type(x509.DNSName)
    return []
