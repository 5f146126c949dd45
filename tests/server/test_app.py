"""The application around the signalling: the page's files, headers, errors."""

import re

import aiohttp
import pytest
from aiohttp import web
from cryptography import x509

from server.access import public
from server.certs import ensure_certificate
from server.config import ServerConfig
from server.problems import Problem
from server.serve import ServeError, running
from server.static import web_file, web_root
from tests.server.live_phone import far_away


async def test_the_page_needs_no_token(server):
    async with aiohttp.ClientSession(server.url) as stranger:
        response = await stranger.get("/")
        assert response.status == 200
        assert response.content_type == "text/html"
        for path in re.findall(r'(?:src|href)="(/web/[^"]+)"', await response.text()):
            assert (await stranger.get(path)).status == 200, path


async def test_every_file_that_the_page_is_made_of_is_served_with_its_type(http):
    wanted = {".js": "text/javascript", ".css": "text/css", ".html": "text/html"}
    names = [entry.name for entry in web_root().iterdir()]
    checked = 0
    for name in names:
        for suffix, kind in wanted.items():
            if name.endswith(suffix):
                response = await http.get(f"/web/{name}")
                assert (response.status, response.content_type) == (200, kind), name
                checked += 1
    assert checked >= 3


@pytest.mark.parametrize(
    "path",
    [
        "/web/",
        "/web/..%2fserver/app.py",
        "/web/%2e%2e/pyproject.toml",
        "/web/__init__.py",
        "/web/.hidden.js",
        "/web//etc/passwd.txt",
        "/web/texts",
        "/web/nothing.js",
        "/web/a%00.js",
        "/web/..%5cserver.js",
        "/nowhere",
    ],
)
async def test_nothing_but_the_pages_files_is_served(http, path):
    response = await http.get(path)
    assert response.status == 404
    assert response.content_type == "application/problem+json"
    assert (await response.json())["detail"].endswith(".")


def test_a_path_cannot_leave_the_folder(tmp_path):
    (tmp_path / "web").mkdir()
    (tmp_path / "secret.txt").write_text("secret")
    for path in ("../secret.txt", "/secret.txt", "a/../../secret.txt", ""):
        with pytest.raises(Problem):
            web_file(path, tmp_path / "web")


@pytest.mark.parametrize("path", ["/", "/web/nothing.js", "/whip"])
async def test_every_answer_carries_the_security_headers(http, path):
    headers = (await http.get(path)).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert "http" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "camera=(self)" in headers["Permissions-Policy"]
    assert "microphone=()" in headers["Permissions-Policy"]
    # It would forbid the page on a phone that has not installed the authority.
    assert "Strict-Transport-Security" not in headers
    assert "aiohttp" not in headers.get("Server", "").lower()


async def test_an_unexpected_error_is_a_problem_that_hides_its_cause(caplog):
    @public("nothing")
    async def broken(request: web.Request) -> web.Response:
        raise RuntimeError("a secret detail")

    def extend(app: web.Application) -> None:
        app.router.add_get("/broken", broken)  # as the demo adds its own routes

    async with (
        running(ServerConfig(analyse=far_away), extend) as server,
        aiohttp.ClientSession(server.url) as http,
    ):
        response = await http.get("/broken")
        assert response.status == 500
        assert response.content_type == "application/problem+json"
        assert "secret" not in await response.text()
    assert "a secret detail" in caplog.text


async def test_the_authority_is_there_to_be_installed_over_https(tmp_path):
    files = ensure_certificate(tmp_path, ["127.0.0.1"])
    import ssl

    async with (
        running(ServerConfig(analyse=far_away, tls=files)) as server,
        aiohttp.ClientSession(server.url) as http,
    ):
        assert server.url.startswith("https://127.0.0.1:")
        trusted = ssl.create_default_context(cafile=str(files.ca))
        response = await http.get("/ca.crt", ssl=trusted)
        assert response.content_type == "application/x-x509-ca-cert"
        cert = x509.load_der_x509_certificate(await response.read())
        assert cert.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
        with pytest.raises(aiohttp.ClientConnectorCertificateError):
            await http.get("/")


async def test_without_https_there_is_no_authority(http):
    assert (await http.get("/ca.crt")).status == 404


async def test_a_port_in_use_is_said_in_words(server):
    with pytest.raises(ServeError, match="--port"):
        async with running(ServerConfig(analyse=far_away, port=server.port)):
            raise AssertionError("two servers on one port")
