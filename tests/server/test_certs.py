import datetime as dt
import ipaddress
import os
import ssl
import stat

import pytest
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from server.certs import (
    CertFiles,
    CertificateError,
    ca_der,
    ensure_certificate,
    may_certify,
    ssl_context,
)

LAN = ["192.168.1.20", "172.20.10.4", "fd00::7"]


def load(path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def san(cert: x509.Certificate) -> x509.SubjectAlternativeName:
    return cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value


@pytest.fixture
def files(tmp_path) -> CertFiles:
    return ensure_certificate(tmp_path / "certs", LAN)


def test_keys_are_for_their_owner_alone(files):
    folder = files.cert.parent
    for key in (files.key, folder / "ca.key"):
        assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_keys_are_private_even_under_a_lax_umask(tmp_path):
    old = os.umask(0)
    try:
        files = ensure_certificate(tmp_path / "certs", LAN)
    finally:
        os.umask(old)
    assert stat.S_IMODE(files.key.stat().st_mode) == 0o600


def test_the_leaf_names_the_addresses_and_localhost(files):
    names = san(load(files.cert))
    ips = {str(ip) for ip in names.get_values_for_type(x509.IPAddress)}
    assert ips == {"127.0.0.1", "::1", *LAN}
    assert "localhost" in names.get_values_for_type(x509.DNSName)


def test_the_leaf_meets_what_phones_demand(files):
    # Apple, "Requirements for trusted certificates in iOS 13 and macOS 10.15": SHA-2, names in
    # the SAN, serverAuth among the extended key usages, at most 825 days of validity.
    leaf = load(files.cert)
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc <= dt.timedelta(days=825)
    usage = leaf.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert ExtendedKeyUsageOID.SERVER_AUTH in usage
    assert leaf.signature_hash_algorithm is not None
    assert leaf.signature_hash_algorithm.name == "sha256"
    assert not leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca


def test_the_authority_signs_the_leaf_and_is_confined_to_local_networks(files):
    ca = load(files.ca)
    load(files.cert).verify_directly_issued_by(ca)
    basic = ca.extensions.get_extension_for_class(x509.BasicConstraints)
    assert basic.critical
    assert basic.value.ca
    assert basic.value.path_length == 0
    # RFC 5280, section 4.2.1.10: name constraints are critical and bind all that it signs.
    constraints = ca.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical
    permitted = constraints.value.permitted_subtrees
    assert permitted is not None
    networks = [name.value for name in permitted if isinstance(name, x509.IPAddress)]
    assert not any(ipaddress.ip_address("8.8.8.8") in network for network in networks)
    assert any(ipaddress.ip_address("192.168.1.20") in network for network in networks)


def test_a_verifying_client_accepts_it(files):
    server, client = ssl_context(files), ssl.create_default_context(cafile=str(files.ca))
    for host in ("localhost", "127.0.0.1", "192.168.1.20", "fd00::7"):
        assert handshake(server, client, host) == "TLSv1.3"
    with pytest.raises(ssl.SSLCertVerificationError):
        handshake(server, client, "192.168.1.99")


def handshake(server: ssl.SSLContext, client: ssl.SSLContext, host: str) -> str | None:
    """A TLS handshake in memory: no socket, no port."""
    a, b = ssl.MemoryBIO(), ssl.MemoryBIO()
    left = client.wrap_bio(a, b, server_hostname=host)
    right = server.wrap_bio(b, a, server_side=True)
    for _ in range(4):
        for end in (left, right):
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                continue
    return left.version()


def test_a_good_certificate_is_kept(tmp_path):
    first = ensure_certificate(tmp_path, LAN).cert.read_bytes()
    assert ensure_certificate(tmp_path, LAN).cert.read_bytes() == first
    assert ensure_certificate(tmp_path, LAN[:1]).cert.read_bytes() == first


def test_a_new_address_renews_the_leaf_but_not_the_authority(tmp_path):
    files = ensure_certificate(tmp_path, LAN[:1])
    leaf, ca = load(files.cert), files.ca.read_bytes()
    files = ensure_certificate(tmp_path, ["10.0.0.9"])
    assert load(files.cert).serial_number != leaf.serial_number
    assert files.ca.read_bytes() == ca
    ips = {str(ip) for ip in san(load(files.cert)).get_values_for_type(x509.IPAddress)}
    assert {"10.0.0.9", LAN[0]} <= ips  # the old network is not forgotten


def test_an_ageing_leaf_is_renewed(tmp_path):
    now = dt.datetime(2030, 1, 1, tzinfo=dt.UTC)
    first = load(ensure_certificate(tmp_path, LAN, now).cert)
    later = now + dt.timedelta(days=795)
    second = load(ensure_certificate(tmp_path, LAN, later).cert)
    assert second.serial_number != first.serial_number
    assert second.not_valid_after_utc > later + dt.timedelta(days=700)


@pytest.mark.parametrize("name", ["server.pem", "server.key", "ca.pem", "ca.key"])
def test_a_torn_file_is_made_anew(tmp_path, name):
    ensure_certificate(tmp_path, LAN)
    (tmp_path / name).write_bytes(b"-----BEGIN torn")
    files = ensure_certificate(tmp_path, LAN)
    client = ssl.create_default_context(cafile=str(files.ca))
    assert handshake(ssl_context(files), client, LAN[0]) == "TLSv1.3"


def test_public_addresses_are_left_out(tmp_path):
    files = ensure_certificate(tmp_path, ["8.8.8.8", "192.168.1.20", "not an address"])
    ips = {str(ip) for ip in san(load(files.cert)).get_values_for_type(x509.IPAddress)}
    assert ips == {"127.0.0.1", "::1", "192.168.1.20"}
    assert not may_certify("8.8.8.8")


def test_the_authority_is_offered_as_der(files):
    der = ca_der(files)
    assert der is not None
    assert x509.load_der_x509_certificate(der) == load(files.ca)
    assert ca_der(CertFiles(files.cert, files.key)) is None


def test_an_unusable_own_certificate_says_so(tmp_path, files):
    other = ensure_certificate(tmp_path / "other", LAN)
    with pytest.raises(CertificateError, match="PEM"):
        ssl_context(CertFiles(files.cert, other.key))
    with pytest.raises(CertificateError, match=r"missing\.pem"):
        ssl_context(CertFiles(tmp_path / "missing.pem", files.key))


def test_a_folder_that_cannot_be_written_says_so(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(CertificateError, match="--cert"):
        ensure_certificate(blocked / "certs", LAN)
