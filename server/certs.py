"""A certificate authority of this machine's own, and the server's certificate signed by it.

A phone gives a page its camera only over HTTPS, and no public authority signs for an address on
a local network. The authority is made once, on the first start; its key never leaves the folder.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import ipaddress
import os
import re
import secrets
import socket
import ssl
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import platformdirs
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from vision.errors import TeesquareError

CA_DAYS = 3650
LEAF_DAYS = 820  # Apple's platforms refuse a server's certificate valid for more than 825 days
RENEW_DAYS = 30
MAX_ADDRESSES = 24

# All that the authority may vouch for (RFC 5280, section 4.2.1.10): a phone that trusts it can
# not be fooled about any public site, even by someone who has stolen its key.
_NETWORKS = tuple(
    ipaddress.ip_network(text)
    for text in (
        "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10",
        "127.0.0.0/8", "::1/128", "fc00::/7", "fe80::/10",
    )
)  # fmt: skip
_NAMES = ("localhost", "local")


class CertificateError(TeesquareError):
    """A certificate or key that cannot be used."""


@dataclass(frozen=True, slots=True)
class CertFiles:
    """What the server needs for HTTPS. `ca` is None for a certificate of the user's own."""

    cert: Path
    key: Path
    ca: Path | None = None


def data_dir() -> Path:
    """The folder of this user's authority and certificates."""
    return Path(platformdirs.user_data_dir("teesquare", appauthor=False)) / "certificates"


def may_certify(address: str) -> bool:
    """Whether an IP address lies in the local networks that the authority is confined to."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return False
    return any(ip in network for network in _NETWORKS)


def ensure_certificate(
    folder: Path, addresses: Sequence[str], now: dt.datetime | None = None
) -> CertFiles:
    """The server's certificate, made or renewed as needed.

    Renewed when an address is missing, when fewer than RENEW_DAYS remain or when its authority
    was replaced. Addresses once certified stay in it, so that moving between two networks does
    not bring the phone's warning back. Raises CertificateError when the folder cannot be written.
    """
    now = now or dt.datetime.now(dt.UTC)
    files = CertFiles(folder / "server.pem", folder / "server.key", folder / "ca.pem")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
        for ours in (folder / "ca.key", files.key):
            if ours.exists():
                ours.chmod(0o600)  # a copied or restored folder may have lost it
        ca, ca_key = _authority(folder, now)
        wanted = [a for a in ["127.0.0.1", "::1", *addresses] if may_certify(a)]
        leaf = _load_cert(files.cert)
        key = _load_key(files.key)
        if (
            leaf is None
            or key is None
            or key.public_key() != leaf.public_key()
            or not _still_good(leaf, ca, wanted, now)
        ):
            known = addresses_of(leaf) if leaf is not None else []
            every = list(dict.fromkeys([*wanted, *known]))[:MAX_ADDRESSES]
            cert, key = _make_leaf(ca, ca_key, every, now)
            _write_private(files.key, _key_pem(key))
            _write_private(files.cert, _pem(cert) + _pem(ca))
    except OSError as problem:
        raise CertificateError(
            f"the certificates cannot be kept in {folder} ({problem.strerror}): make the folder "
            "writable, or give a certificate of your own with --cert and --key"
        ) from problem
    return files


def check_private(key: Path) -> None:
    """Raise CertificateError if anyone but its owner may read or change the key (POSIX only)."""
    if os.name != "posix":
        return
    try:
        mode = key.stat().st_mode & 0o777
    except OSError:
        return  # `ssl_context` says why it cannot be read
    if mode & 0o077:
        raise CertificateError(
            f"the private key {key} may be read by others on this machine (mode {mode:o}): make "
            f"it yours alone with  chmod 600 {key}"
        )


def names_of(files: CertFiles) -> list[str]:
    """The DNS names of the server's certificate, without wildcards; none if it cannot be read."""
    cert = _load_cert(files.cert)
    if cert is None:
        return []
    with contextlib.suppress(x509.ExtensionNotFound):
        san = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return [name for name in san.get_values_for_type(x509.DNSName) if "*" not in name]
    return []


def ssl_context(files: CertFiles) -> ssl.SSLContext:
    """TLS 1.2 or newer with the certificate.

    Raises CertificateError when it cannot be read, or when others can read its key.
    """
    check_private(files.key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(files.cert, files.key)
    except (OSError, ssl.SSLError) as problem:
        raise CertificateError(
            f"the certificate {files.cert} with the key {files.key} cannot be used ({problem}): "
            "give a PEM certificate and its unencrypted PEM key"
        ) from problem
    return context


def ca_der(files: CertFiles) -> bytes | None:
    """The authority's certificate in DER, as phones install it; None without an own authority."""
    if files.ca is None:
        return None
    cert = _load_cert(files.ca)
    return None if cert is None else cert.public_bytes(serialization.Encoding.DER)


def _authority(
    folder: Path, now: dt.datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    cert_path, key_path = folder / "ca.pem", folder / "ca.key"
    cert = _load_cert(cert_path)
    key = _load_key(key_path)
    if (
        cert is not None
        and key is not None
        and cert.public_key() == key.public_key()
        and cert.not_valid_after_utc > now + dt.timedelta(days=LEAF_DAYS)
    ):
        return cert, key
    key = ec.generate_private_key(ec.SECP256R1())
    # The name tells one machine's authority from another's in the phone's settings.
    label = f"teesquare local authority {secrets.token_hex(3)}"
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, label)])
    permitted: list[x509.GeneralName] = [x509.IPAddress(network) for network in _NETWORKS]
    permitted += [x509.DNSName(text) for text in _NAMES]
    cert = (
        _builder(name, name, key.public_key(), now, CA_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(certifies=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .sign(key, hashes.SHA256())
    )
    _write_private(key_path, _key_pem(key))
    _write_private(cert_path, _pem(cert))
    return cert, key


def _make_leaf(
    ca: x509.Certificate,
    ca_key: ec.EllipticCurvePrivateKey,
    addresses: Iterable[str],
    now: dt.datetime,
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "teesquare on this network")])
    names: list[x509.GeneralName] = [x509.DNSName("localhost")]
    host = socket.gethostname().split(".")[0].lower()
    if re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", host) and host != "localhost":
        names.append(x509.DNSName(f"{host}.local"))
    names += [x509.IPAddress(ipaddress.ip_address(text)) for text in addresses]
    cert = (
        _builder(name, ca.subject, key.public_key(), now, LEAF_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(certifies=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key()),
            critical=False,
        )
        .sign(ca_key, hashes.SHA256())
    )
    return cert, key


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    public_key: ec.EllipticCurvePublicKey,
    now: dt.datetime,
    days: int,
) -> x509.CertificateBuilder:
    start = now - dt.timedelta(days=1)  # the phone's clock may be behind
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(public_key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + dt.timedelta(days=days))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public_key), critical=False)
    )


def _usage(*, certifies: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not certifies,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=certifies,
        crl_sign=certifies,
        encipher_only=False,
        decipher_only=False,
    )


def _still_good(
    leaf: x509.Certificate, ca: x509.Certificate, wanted: Iterable[str], now: dt.datetime
) -> bool:
    try:
        leaf.verify_directly_issued_by(ca)
    except Exception:  # any reason not to be its issuer is a reason to renew
        return False
    lasts = leaf.not_valid_after_utc > now + dt.timedelta(days=RENEW_DAYS)
    return lasts and leaf.not_valid_before_utc <= now and set(wanted) <= set(addresses_of(leaf))


def addresses_of(cert: x509.Certificate) -> list[str]:
    """The IP addresses that a certificate is for."""
    with contextlib.suppress(x509.ExtensionNotFound):
        san = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return [str(ip) for ip in san.get_values_for_type(x509.IPAddress)]
    return []


def _load_cert(path: Path) -> x509.Certificate | None:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (FileNotFoundError, ValueError):
        return None  # none yet, or torn: it is made anew


def _load_key(path: Path) -> ec.EllipticCurvePrivateKey | None:
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), None)
    except (FileNotFoundError, ValueError, TypeError):
        return None
    return key if isinstance(key, ec.EllipticCurvePrivateKey) else None


def _pem(cert: x509.Certificate) -> bytes:
    return cert.public_bytes(serialization.Encoding.PEM)


def _key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _write_private(path: Path, data: bytes) -> None:
    """Written beside, with the owner's rights alone from the first byte, then moved into place."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
