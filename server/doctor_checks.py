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
from server.sentence import Sentence

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
                Sentence("doctor.network.none"),
                Sentence("doctor.network.join"),
            )
        ]
    if all(ipaddress.ip_address(a).is_link_local for a in addresses):
        return [
            Finding(
                State.BAD,
                Sentence("doctor.network.local", address=addresses[0]),
                Sentence("doctor.network.again"),
            )
        ]
    found = [Finding(State.GOOD, Sentence("doctor.network.address", address=addresses[0]))]
    if not ipaddress.ip_address(addresses[0]).is_private:
        found.append(
            Finding(
                State.MIND,
                Sentence("doctor.network.public", address=addresses[0]),
                Sentence("doctor.network.hotspot"),
            )
        )
    if len(addresses) > 1:
        found.append(
            Finding(
                State.MIND,
                Sentence("doctor.network.many", addresses=", ".join(addresses)),
                Sentence("doctor.network.first"),
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
            return Finding(State.GOOD, Sentence("doctor.port.free", port=port))
        except OSError as wrong:
            refused = wrong.errno
    if refused == errno.EACCES:
        return Finding(
            State.BAD,
            Sentence("doctor.port.users", port=port),
            Sentence("doctor.port.choose"),
        )
    if refused == errno.EADDRNOTAVAIL:
        return Finding(
            State.BAD,
            Sentence("doctor.host.missing", host=host),
            Sentence("doctor.host.own"),
        )
    if is_teesquare(port):
        return Finding(State.GOOD, Sentence("doctor.port.ours", port=port))
    return Finding(
        State.BAD,
        Sentence("doctor.port.taken", port=port),
        Sentence("doctor.port.other", port=port + 1),
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
    renew = Sentence("doctor.cert.renew" if own else "doctor.cert.renew.own")
    cert = _read(files.cert)
    if cert is None:
        if own and not files.cert.exists():
            return [Finding(State.GOOD, Sentence("doctor.cert.first"))]
        return [Finding(State.BAD, Sentence("doctor.cert.unread", file=str(files.cert)), renew)]
    found = []
    ended = _day(cert.not_valid_after_utc)
    if now > cert.not_valid_after_utc:
        found.append(Finding(State.BAD, Sentence("doctor.cert.expired", day=ended), renew))
    if now < cert.not_valid_before_utc:
        begins = _day(cert.not_valid_before_utc)
        found.append(
            Finding(
                State.BAD,
                Sentence("doctor.cert.early", day=begins),
                Sentence("doctor.cert.clock"),
            )
        )
    missing = [a for a in addresses if a not in addresses_of(cert)]
    if missing and own:
        found.append(
            Finding(State.BAD, Sentence("doctor.cert.unnamed", missing=", ".join(missing)), renew)
        )
    elif missing:
        names = ", ".join(_names(cert)) or Sentence("doctor.cert.names.none")
        found.append(
            Finding(
                State.MIND,
                Sentence("doctor.cert.names", missing=", ".join(missing), names=names),
                Sentence("doctor.cert.by-name"),
            )
        )
    try:
        check_private(files.key)
    except CertificateError as wrong:
        found.append(Finding(State.BAD, Sentence("doctor.cert.key"), f"{wrong}."))
    if not found:
        found.append(Finding(State.GOOD, Sentence("doctor.cert.good", day=ended)))
    return found


def check_firewalls(found: Sequence[Firewall], port: int) -> list[Finding]:
    """What each firewall does with a phone's first packet."""
    if not found:
        return [Finding(State.GOOD, Sentence("doctor.wall.none"))]
    out = []
    for wall in found:
        if wall.gate is Gate.OPEN:
            out.append(Finding(State.GOOD, Sentence("doctor.wall.open", tool=wall.tool, port=port)))
        elif wall.gate is Gate.SHUT:
            out.append(
                Finding(
                    State.BAD,
                    Sentence("doctor.wall.shut", tool=wall.tool, port=port),
                    Sentence("doctor.wall.cure", cure=wall.cure),
                )
            )
        else:
            out.append(
                Finding(
                    State.MIND,
                    Sentence("doctor.wall.unread", tool=wall.tool),
                    Sentence("doctor.wall.sudo", cure=wall.cure),
                )
            )
    return out


def _read(path: Path) -> x509.Certificate | None:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None


def _day(moment: dt.datetime) -> Sentence:
    month = Sentence(f"again.month.{moment.month}")
    return Sentence("doctor.date", day=moment.day, month=month, year=moment.year)


def _names(cert: x509.Certificate) -> list[str]:
    with contextlib.suppress(x509.ExtensionNotFound):
        san = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return san.get_values_for_type(x509.DNSName)
    return []
