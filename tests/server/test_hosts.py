"""DNS rebinding and cross-site requests, against a running server."""

import socket

import aiohttp
import pytest

from server.config import ServerConfig
from server.hosts import host_name
from server.serve import running
from tests.server.live_phone import far_away


async def ask(server, method="GET", path="/", **headers: str) -> aiohttp.ClientResponse:
    async with aiohttp.ClientSession() as http:
        given = {"Authorization": f"Bearer {server.token}", **headers}
        response = await http.request(method, server.url + path, headers=given)
        await response.read()
        return response


@pytest.mark.parametrize("path", ["/", "/web/main.js", "/drift/places", "/whip", "/nowhere"])
@pytest.mark.parametrize(
    "host",
    [
        "rebound.example",
        "rebound.example:8443",
        "127.0.0.1.rebound.example",
        "localhost.rebound.example",
        "192.0.2.1",  # an address, but not the one that was connected to
        "127.0.0.2",
        "[::1]",
        "127.0.0.1:80:80",
        "127.0.0.1@rebound.example",
        "",
        "0x7f000001",
        "2130706433",
    ],
)
async def test_another_name_is_refused_even_with_a_key(server, host, path):
    response = await ask(server, path=path, Host=host)
    # aiohttp's own parser refuses what is no host at all.
    assert response.status in (400, 421), host
    assert "Content-Security-Policy" in response.headers or response.status == 400


async def test_own_names_and_the_address_itself_are_answered(server):
    own = socket.gethostname()
    for host in ("localhost", "LOCALHOST:1", "localhost.", f"127.0.0.1:{server.port}", own):
        assert (await ask(server, Host=host)).status == 200, host


@pytest.mark.parametrize("headers", [b"", b"Host: 127.0.0.1\r\nHost: localhost\r\n"])
async def test_no_name_or_two_names_are_refused(server, headers):
    import asyncio

    # RFC 9112, section 3.2: a request of HTTP/1.1 has exactly one.
    reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
    writer.write(b"GET / HTTP/1.1\r\n" + headers + b"\r\n")
    assert (await reader.readline()).split()[1] in (b"400", b"421")
    writer.close()


async def test_a_name_can_be_allowed():
    config = ServerConfig(analyse=far_away, allow_hosts=("range.example",))
    async with running(config) as server:
        assert (await ask(server, Host="range.example:9")).status == 200
        assert (await ask(server, Host="other.example")).status == 421


@pytest.mark.parametrize(
    "origin",
    ["https://evil.example", "null", "http://localhost:1", "file://", "http://127.0.0.1"],
)
@pytest.mark.parametrize(
    ("method", "path"), [("POST", "/whip"), ("GET", "/drift/places"), ("OPTIONS", "/whip")]
)
async def test_another_pages_request_is_refused_even_with_a_key(server, origin, method, path):
    response = await ask(server, method, path, Origin=origin)
    assert response.status == 403
    assert "Access-Control-Allow-Origin" not in response.headers


async def test_the_pages_own_requests_are_taken(server):
    response = await ask(server, path="/drift/places", Origin=server.url)
    assert response.status == 200


@pytest.mark.parametrize(
    ("fetch", "status"),
    [
        ({"Site": "same-origin", "Mode": "cors", "Dest": "empty"}, 200),
        ({"Site": "none", "Mode": "navigate", "Dest": "document"}, 200),  # the QR code
        ({"Site": "cross-site", "Mode": "navigate", "Dest": "document"}, 200),  # a link
        ({"Site": "cross-site", "Mode": "navigate", "Dest": "iframe"}, 403),
        ({"Site": "cross-site", "Mode": "no-cors", "Dest": "image"}, 403),
        ({"Site": "same-site", "Mode": "no-cors", "Dest": "script"}, 403),  # another port
    ],
)
async def test_what_browsers_say_of_a_request_is_heeded(server, fetch, status):
    # W3C Fetch Metadata Request Headers.
    headers = {f"Sec-Fetch-{key}": value for key, value in fetch.items()}
    assert (await ask(server, **headers)).status == status


async def test_an_allowed_origin_may_read_the_answers():
    config = ServerConfig(analyse=far_away, allow_origins=("https://club.example",))
    async with running(config) as server:
        response = await ask(server, "OPTIONS", "/whip", Origin="https://club.example")
        assert response.status == 204
        # Fetch standard, section "CORS protocol": what a preflight must answer.
        assert response.headers["Access-Control-Allow-Origin"] == "https://club.example"
        assert "Authorization" in response.headers["Access-Control-Allow-Headers"]
        assert "PATCH" in response.headers["Access-Control-Allow-Methods"]
        assert response.headers["Vary"] == "Origin"
        assert (await ask(server, "OPTIONS", "/whip", Origin="https://x.example")).status == 403


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("Example:8443", "example"),
        ("[fd00::5]:8443", "fd00::5"),
        ("[fd00::5]", "fd00::5"),
        ("example.", "example"),
        ("[fd00::5", ""),
        ("[::1]x", ""),
        ("a:b", ""),
        ("a:", ""),
    ],
)
def test_names_in_host_headers(host, name):
    assert host_name(host) == name
