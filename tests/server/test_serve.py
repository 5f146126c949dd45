"""The command: options, what the terminal shows, the end by Ctrl-C."""

import argparse
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import ifaddr
import numpy as np
import pytest

from server import cli, qr, serve
from server.addresses import is_loopback, lan_addresses, url_host
from server.certs import ensure_certificate
from server.config import ServerConfig

ROOT = Path(serve.__file__).parent.parent


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    serve.add_arguments(parser)
    return parser.parse_args(words)


def adapter(name: str, *ips: str) -> ifaddr.Adapter:
    made = [ifaddr.IP((ip, 0, 0) if ":" in ip else ip, 24, name) for ip in ips]
    return ifaddr.Adapter(name, name, made)


def test_addresses_a_phone_can_reach_come_likeliest_first():
    found = lan_addresses(
        [
            adapter("lo", "127.0.0.1", "::1"),
            adapter("docker0", "172.17.0.1"),
            adapter("wlan0", "fe80::1", "fd00::5", "192.168.43.7"),
            adapter("eth0", "169.254.3.3", "8.8.4.4"),
        ]
    )
    assert found == ["192.168.43.7", "8.8.4.4", "169.254.3.3", "fd00::5"]


def test_addresses_in_urls():
    assert url_host("fd00::5") == "[fd00::5]"  # RFC 3986, section 3.2.2
    assert url_host("192.168.1.2") == "192.168.1.2"
    assert is_loopback("localhost")
    assert is_loopback("::1")
    assert not is_loopback("192.168.1.2")
    assert not is_loopback("example")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--cert", "a.pem"], "both --cert and --key"),
        (["--key", "a.pem"], "both --cert and --key"),
        (["--port", "70000"], "70000"),
        (["--port", "-1"], "-1"),
        (["--token-hours", "0"], "token-hours"),
        (["--token-hours", "nan"], "token-hours"),
        (["--http", "--host", "192.168.1.2"], "--http"),
        (["--http", "--cert", "a", "--key", "b"], "--http"),
    ],
)
def test_options_that_cannot_be_used_are_refused_in_words(words, says):
    with pytest.raises(serve.ServeError, match=re.escape(says)):
        serve.configure(options(*words))


def test_plain_http_listens_on_this_machine_only():
    config, _ = serve.configure(options("--http"))
    assert (config.host, config.tls) == ("127.0.0.1", None)


def test_https_is_the_default_and_makes_its_certificate(tmp_path, monkeypatch):
    monkeypatch.setattr(serve, "data_dir", lambda: tmp_path)
    config, _ = serve.configure(options())
    assert config.port == 8443
    assert config.tls is not None
    assert config.tls.cert.exists()


@pytest.mark.parametrize("text", ["https://192.168.1.20:8443/#t=" + "aB-_" * 10 + "xyz"])
def test_the_qr_code_can_be_read_and_fits_a_terminal(text):
    plain = re.sub(r"\x1b\[[0-9;]*m", "", qr.terminal(text)).split("\n")
    assert len(plain) <= 24
    assert max(map(len, plain)) <= 80
    halves = {" ": (255, 255), "▀": (0, 255), "▄": (255, 0), "█": (0, 0)}
    rows = [[halves[c][half] for c in line] for line in plain for half in (0, 1)]
    image = np.kron(np.array(rows, np.uint8), np.ones((8, 8), np.uint8))
    image = cv2.copyMakeBorder(image, 32, 32, 32, 32, cv2.BORDER_CONSTANT, value=255)
    assert cv2.QRCodeDetector().detectAndDecode(image)[0] == text


def test_the_window_tells_where_to_go_and_what_to_mind(tmp_path):
    files = ensure_certificate(tmp_path, ["192.168.1.20"])
    server = serve.RunningServer("https://127.0.0.1:8443", 8443, "TOKEN", None, None)
    config = ServerConfig(host="0.0.0.0", tls=files)
    text = serve.welcome(server, config, ["192.168.1.20", "10.0.0.3"])
    assert "https://192.168.1.20:8443/#t=TOKEN" in text
    assert "https://10.0.0.3:8443/#t=TOKEN" in text
    assert "/ca.crt" in text
    assert "CAUTION" in text
    assert all(len(re.sub(r"\x1b\[[0-9;]*m", "", line)) <= 100 for line in text.split("\n"))
    lonely = serve.welcome(server, config, [])
    assert "on no network" in lonely


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_the_server_within_two_seconds(number):
    process = start("serve", "--http", "--port", "0")
    try:
        shown = until_line(process, "Ctrl-C ends")
        assert re.search(r"http://localhost:\d+/#t=[\w-]{43}", shown)
        start_s = time.perf_counter()
        process.send_signal(number)
        rest, errors = process.communicate(timeout=10)
        assert time.perf_counter() - start_s < 2
        assert process.returncode == 0
        assert "Closing." in rest
        assert "Traceback" not in errors
    finally:
        process.kill()
        process.communicate()


def test_the_version_is_said():
    result = subprocess.run(
        command("version"), capture_output=True, text=True, cwd=ROOT, check=True, timeout=60
    )
    assert re.fullmatch(r"teesquare \S+\n", result.stdout)


def test_no_command_shows_the_commands(capsys):
    assert cli.main([]) == 2
    shown = capsys.readouterr().err
    assert all(name in shown for name in ("serve", "check", "demo", "version"))


def test_an_error_is_one_sentence_and_exit_code_2(capsys):
    assert cli.main(["serve", "--http", "--port", "99999"]) == 2
    error = capsys.readouterr().err
    assert error.startswith("teesquare: port 99999")
    assert "Traceback" not in error


def test_only_the_chosen_command_is_loaded():
    code = (
        "import sys; from server.cli import main; main(['version']);"
        "print([m for m in ('aiortc', 'cv2', 'server.demo.command') if m in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert result.stdout.splitlines()[-1] == "[]"


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "server.cli", *words]


def start(*words: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        command(*words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def until_line(process: "subprocess.Popen[str]", wanted: str) -> str:
    assert process.stdout is not None
    shown = ""
    for line in process.stdout:
        shown += line
        if wanted in line:
            return shown
    raise AssertionError(f"ended early: {shown} {process.communicate()[1]}")
