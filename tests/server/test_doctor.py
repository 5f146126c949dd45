"""Why a phone cannot get through. What firewalls print is written from memory of their formats."""

import argparse
import asyncio
import datetime as dt
import socket

import aiohttp
import pytest

from server import cli, doctor
from server.certs import CertFiles, ensure_certificate
from server.config import ServerConfig
from server.doctor_checks import (
    State,
    check_certificate,
    check_firewalls,
    check_network,
    check_port,
    is_teesquare,
)
from server.firewall import (
    Firewall,
    Gate,
    firewalld_gate,
    firewalls,
    iptables_gate,
    nft_gate,
    ufw_gate,
)
from server.serve import running
from tests.server.live_phone import far_away

NOW = dt.datetime(2030, 5, 1, tzinfo=dt.UTC)

NFT_DROP = """table inet filter {
	chain input {
		type filter hook input priority filter; policy drop;
		ct state established,related accept
		iif "lo" accept
		tcp dport 22 accept
		%s
	}
	chain output {
		type filter hook output priority filter; policy accept;
	}
}
"""


@pytest.mark.parametrize(
    ("rule", "gate"),
    [
        ("", Gate.SHUT),
        ("tcp dport 8443 accept", Gate.OPEN),
        ("tcp dport { 80, 443, 8000-9000 } counter packets 3 bytes 180 accept", Gate.OPEN),
        ("tcp dport 8443 drop", Gate.SHUT),
        ("udp dport 8443 accept", Gate.SHUT),
        ("jump ours", Gate.UNKNOWN),
        ('counter packets 0 bytes 0 accept comment "all"', Gate.OPEN),
    ],
)
def test_nftables(rule, gate):
    assert nft_gate(NFT_DROP % rule, 8443) is gate


def test_nftables_without_a_rule_lets_in():
    assert nft_gate("", 8443) is Gate.OPEN
    assert nft_gate(NFT_DROP.replace("policy drop", "policy accept") % "", 8443) is Gate.OPEN


@pytest.mark.parametrize(
    ("rules", "gate"),
    [
        (["-P INPUT ACCEPT"], Gate.OPEN),
        (["-P INPUT DROP"], Gate.SHUT),
        (["-P INPUT DROP", "-A INPUT -p tcp -m tcp --dport 8443 -j ACCEPT"], Gate.OPEN),
        (["-P INPUT DROP", "-A INPUT -p tcp -m tcp --dport 8000:9000 -j ACCEPT"], Gate.OPEN),
        (["-P INPUT DROP", "-A INPUT -p udp -m udp --dport 8443 -j ACCEPT"], Gate.SHUT),
        (
            [
                "-P INPUT DROP",
                "-A INPUT -i lo -j ACCEPT",
                "-A INPUT -m conntrack --ctstate RELATED,ESTABLISHED -j ACCEPT",
            ],
            Gate.SHUT,
        ),
        (["-P INPUT ACCEPT", "-A INPUT -j REJECT --reject-with icmp-port-unreachable"], Gate.SHUT),
        (["-P INPUT DROP", "-A INPUT -j ours"], Gate.UNKNOWN),
    ],
)
def test_iptables(rules, gate):
    assert iptables_gate("\n".join(rules) + "\n", 8443) is gate


@pytest.mark.parametrize(
    ("text", "gate"),
    [
        ("Status: inactive\n", Gate.OPEN),
        ("Status: active\n", Gate.SHUT),
        ("Status: active\n\nTo  Action  From\n8443/tcp      ALLOW       Anywhere\n", Gate.OPEN),
        ("Status: active\n\n8443          ALLOW IN    Anywhere\n", Gate.OPEN),
        ("Status: active\n\n8000:9000/tcp LIMIT       Anywhere\n", Gate.OPEN),
        ("Status: active\n\n8443/udp      ALLOW       Anywhere\n", Gate.SHUT),
        ("Status: active\n\n8443/tcp      DENY        Anywhere\n", Gate.SHUT),
        ("ERROR: You need to be root to run this script", Gate.UNKNOWN),
    ],
)
def test_ufw(text, gate):
    assert ufw_gate(text, 8443) is gate


def test_firewalld():
    zone = "public (active)\n  target: default\n  services: ssh\n  ports: 8443/tcp 53/udp\n"
    assert firewalld_gate(zone, 8443) is Gate.OPEN
    assert firewalld_gate(zone, 53) is Gate.SHUT
    assert firewalld_gate(zone.replace("default", "ACCEPT"), 53) is Gate.OPEN
    assert firewalld_gate("nothing", 53) is Gate.UNKNOWN


def test_each_firewall_is_asked_and_one_that_says_nothing_is_not_called_open():
    said = {"ufw": (1, "ERROR: You need to be root"), "nft": (0, NFT_DROP % "")}
    found = firewalls(8443, run=lambda words: said.get(words[0]), platform="linux")
    assert [(f.tool, f.gate) for f in found] == [("ufw", Gate.UNKNOWN), ("nft", Gate.SHUT)]
    states = [f.state for f in check_firewalls(found, 8443)]
    assert states == [State.MIND, State.BAD]
    assert "8443" in check_firewalls(found, 8443)[1].todo
    assert check_firewalls([], 8443)[0].state is State.GOOD


@pytest.mark.parametrize(
    ("says", "gate"),
    [
        ("Firewall is disabled. (State = 0)", Gate.OPEN),
        ("Firewall is enabled. (State = 1)", Gate.UNKNOWN),
        ("Firewall is set to block all non-essential incoming connections (State = 2)", Gate.SHUT),
    ],
)
def test_macos(says, gate):
    (found,) = firewalls(8443, run=lambda words: (0, says), platform="darwin")
    assert found.gate is gate
    assert isinstance(found, Firewall)


def test_networks():
    assert check_network([])[0].state is State.BAD
    assert "hotspot" in check_network([])[0].todo
    assert check_network(["169.254.7.7"])[0].state is State.BAD
    assert [f.state for f in check_network(["192.168.1.5"])] == [State.GOOD]
    two = check_network(["192.168.1.5", "10.0.0.2"])
    assert [f.state for f in two] == [State.GOOD, State.MIND]
    assert "10.0.0.2" in two[1].what
    assert check_network(["8.8.4.4"])[1].state is State.MIND


async def test_a_port_that_is_free_ours_or_anothers():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        assert check_port(port, "127.0.0.1").state is State.BAD  # bound, and silent
    assert check_port(port, "127.0.0.1").state is State.GOOD
    assert check_port(8443, "192.0.2.77").state is State.BAD  # not an address of this machine
    async with running(ServerConfig(analyse=far_away)) as server:
        found = await asyncio.to_thread(check_port, server.port, "127.0.0.1")
        assert found.state is State.GOOD
        assert "running" in found.what


async def test_a_server_over_https_is_recognised_and_another_is_not(tmp_path):
    files = ensure_certificate(tmp_path, ["127.0.0.1"])
    async with running(ServerConfig(analyse=far_away, tls=files)) as server:
        assert await asyncio.to_thread(is_teesquare, server.port)

    async def answer(reader, writer):
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")
        writer.close()

    async with await asyncio.start_server(answer, "127.0.0.1", 0) as other:
        port = other.sockets[0].getsockname()[1]
        assert not await asyncio.to_thread(is_teesquare, port)


def test_certificates(tmp_path):
    files = ensure_certificate(tmp_path, ["192.168.1.5"], NOW)

    def bad(addresses, now=NOW, files=files):
        return [
            f.what for f in check_certificate(files, addresses, now) if f.state is not State.GOOD
        ]

    assert bad(["192.168.1.5"]) == []
    assert "192.168.1.9" in bad(["192.168.1.9"])[0]
    assert "expired" in bad(["192.168.1.5"], NOW + dt.timedelta(days=900))[0]
    assert "still to come" in bad(["192.168.1.5"], NOW - dt.timedelta(days=30))[0]
    # A certificate of the user's own may go by names: not naming the address is no error.
    given = CertFiles(files.cert, files.key)
    assert [f.state for f in check_certificate(given, ["192.168.1.9"], NOW)] == [State.MIND]
    files.key.chmod(0o644)
    assert "not private" in bad(["192.168.1.5"])[0]
    files.cert.write_text("torn")
    assert "cannot be read" in bad(["192.168.1.5"])[0]
    nothing = CertFiles(tmp_path / "no.pem", tmp_path / "no.key", tmp_path / "ca.pem")
    assert bad([], files=nothing) == []


@pytest.mark.parametrize(
    ("remote", "own", "heard"),
    [("127.0.0.1", "192.168.1.5", False), ("127.0.0.1", "127.0.0.1", False)],
)
async def test_the_probe_page_answers_this_machine_but_does_not_count_it(remote, own, heard):
    came = asyncio.get_running_loop().create_future()
    runner = aiohttp.web.AppRunner(doctor.probe_app(came, own))
    await runner.setup()
    await aiohttp.web.TCPSite(runner, remote, 0).start()
    async with aiohttp.ClientSession() as http:
        response = await http.get(f"http://{remote}:{runner.addresses[0][1]}/")
        assert await response.text() == doctor.PROBE_TEXT
        assert response.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert came.done() is heard
    await runner.cleanup()


async def test_a_phone_that_comes_or_does_not(monkeypatch, capsys):
    """This machine plays the phone: it is told that its own address is another."""
    monkeypatch.setattr(doctor, "is_loopback", lambda address: False)
    waiting = asyncio.create_task(doctor.ask_phone("192.0.2.1", "127.0.0.1", 5))
    shown = ""
    while "http://" not in shown:
        await asyncio.sleep(0.02)
        shown += capsys.readouterr().out
    port = int(shown.split("http://192.0.2.1:")[1].split("/")[0])
    async with aiohttp.ClientSession() as phone:
        await phone.get(f"http://127.0.0.1:{port}/")
    found = await waiting
    assert found.state is State.GOOD
    assert "127.0.0.1" in found.what
    nobody = await doctor.ask_phone("127.0.0.1", "127.0.0.1", 0.1)
    assert nobody.state is State.BAD
    assert "client isolation" in nobody.todo


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    doctor.add_arguments(parser)
    return parser.parse_args(words)


def test_exit_codes(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(doctor, "data_dir", lambda: tmp_path)
    monkeypatch.setattr(doctor, "firewalls", lambda port: [])
    monkeypatch.setattr(doctor, "lan_addresses", lambda: ["192.168.1.5"])
    assert doctor.run(options("--port", "0" * 3 + "9999")) == 0
    assert "teesquare doctor --phone" in capsys.readouterr().out
    monkeypatch.setattr(doctor, "lan_addresses", list)
    assert doctor.run(options("--port", "9999")) == 1
    assert "NO  This machine is on no network." in capsys.readouterr().out
    assert cli.main(["doctor", "--port", "70000"]) == 2
    assert cli.main(["doctor", "--cert", "a.pem"]) == 2
