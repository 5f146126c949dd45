"""Route by route, generated from the application's own route table: what opens without a key."""

import asyncio
import re

import aiohttp
import pytest
from aiohttp import web

from server.access import Public, needs_of, public, require
from server.app import KEYS, SESSIONS, TOKENS, make_app
from server.config import ServerConfig
from server.demo.routes import add_routes
from server.serve import running
from server.static import web_root
from server.tokens import Role, Tokens
from tests.server.live_phone import LivePhone, far_away, until

# All that a stranger may ask for. A new line here is a decision: write down in docs/security.md
# what the answer gives away.
OPEN = {
    ("GET", "/"),
    ("GET", "/web/{path}"),
    ("GET", "/drift"),
    ("GET", "/board"),
    ("GET", "/records"),
    ("GET", "/ca.crt"),
    ("OPTIONS", "/whip"),
    ("OPTIONS", "/whip/{session}"),
}
OPEN_IN_DEMO = OPEN | {("GET", "/demo/frame"), ("GET", "/demo/phone.js")}


def routes(app: web.Application) -> list[tuple[str, str, object]]:
    """Method, path as written, handler. HEAD is GET's handler without its body."""
    return [
        (route.method, route.resource.canonical, route.handler)
        for route in app.router.routes()
        if route.resource is not None
    ]


def filled(path: str) -> str:
    """A path that fits the pattern."""
    return re.sub(r"\{[^}]*\}", "x", path)


def undeclared(app: web.Application) -> list[tuple[str, str]]:
    return [(m, path) for m, path, handler in routes(app) if needs_of(handler) is None]


@pytest.fixture
async def fresh():
    """An application with every route that there is, the demo's too; never started."""
    app = make_app(ServerConfig(analyse=far_away))
    add_routes(app)
    yield app
    await app[SESSIONS].close()


async def test_every_route_declares_the_key_it_needs(fresh):
    assert len(routes(fresh)) > 10
    assert undeclared(fresh) == []


async def test_what_is_open_to_strangers_is_a_list_that_someone_has_read(fresh):
    found = {
        (method, path)
        for method, path, handler in routes(fresh)
        if isinstance(needs_of(handler), Public) and method != "HEAD"
    }
    assert found == OPEN_IN_DEMO
    assert all(n.why for *_, h in routes(fresh) if isinstance(n := needs_of(h), Public))


async def test_a_new_route_without_a_declared_key_fails_the_check_and_opens_for_nobody():
    async def forgotten(request: web.Request) -> web.Response:
        return web.Response(text="secret")

    def extend(app: web.Application) -> None:
        app.router.add_get("/forgotten", forgotten)

    async with running(ServerConfig(analyse=far_away), extend) as server:
        assert undeclared(server.app) == [("HEAD", "/forgotten"), ("GET", "/forgotten")]
        for token in ("", server.token, server.coach_token):
            async with aiohttp.ClientSession(
                server.url, headers={"Authorization": f"Bearer {token}"}
            ) as http:
                response = await http.get("/forgotten")
                assert response.status == 403
                assert "secret" not in await response.text()


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


async def test_no_route_answers_without_a_valid_key():
    clock = Clock()
    async with running(ServerConfig(analyse=far_away), add_routes) as server:
        # A phone that is really connected, so that its own address is among those tried.
        headers = {"Authorization": f"Bearer {server.token}"}
        async with aiohttp.ClientSession(server.url, headers=headers) as own, LivePhone(own) as one:
            await one.post(await one.offer())
            session = one.location.rsplit("/", 1)[1]
            tokens = server.app[TOKENS]
            tokens._clock = clock  # one clock for the keys made below
            tokens._life_s = 10
            expired = tokens.issue(), tokens.issue(Role.COACH)
            clock.now_s += 11
            phone, coach, revoked = tokens.issue(), tokens.issue(Role.COACH), tokens.issue()
            tokens.revoke(revoked)
            refused: dict[str, str | None] = {
                "none": None,
                "empty": "Bearer ",
                "garbage": "Bearer " + "x" * 43,
                "long": "Bearer " + "x" * 7000,
                "other scheme": f"Basic {phone}",
                "two in one": f"Bearer {phone} {phone}",
                "expired": f"Bearer {expired[0]}",
                "expired coach": f"Bearer {expired[1]}",
                "revoked": f"Bearer {revoked}",
                "fingerprint": "Bearer " + next(iter(server.app[SESSIONS])).owner,
            }
            tried = 0
            async with aiohttp.ClientSession(server.url) as http:
                for method, pattern, handler in routes(server.app):
                    needs = needs_of(handler)
                    if isinstance(needs, Public):
                        continue
                    paths = {filled(pattern), re.sub(r"\{session[^}]*\}", session, pattern)}
                    for path in paths:
                        for sort, header in refused.items():
                            given = {} if header is None else {"Authorization": header}
                            query = f"?token={phone}"  # never read from an address
                            response = await http.request(method, path + query, headers=given)
                            assert response.status == 401, (method, path, sort)
                            assert "WWW-Authenticate" in response.headers
                            tried += 1
                        if needs is Role.COACH:
                            given = {"Authorization": f"Bearer {phone}"}
                            response = await http.request(method, path, headers=given)
                            assert response.status == 403, (method, path)
                            tried += 1
                        # And with the right key it is not the key that is refused.
                        if needs is Role.PHONE and "{" not in pattern:
                            given = {"Authorization": f"Bearer {coach}"}
                            response = await http.request(method, path, headers=given)
                            assert response.status not in (401, 403), (method, path)
            assert tried >= 100
            assert len(server.app[SESSIONS]) == 1  # nobody ended or began one


async def test_strangers_get_nothing_but_files_of_the_page():
    """Every open address answers with a file of the package, byte for byte, or with nothing."""
    files = {path.read_bytes() for path in walk(web_root())}
    async with (
        running(ServerConfig(analyse=far_away)) as server,
        aiohttp.ClientSession(server.url) as stranger,
    ):
        for method, pattern, handler in routes(server.app):
            if not isinstance(needs_of(handler), Public):
                continue
            assert (method.replace("HEAD", "GET"), pattern) in OPEN
            path = "/web/main.js" if pattern == "/web/{path}" else filled(pattern)
            response = await stranger.request(method, path)
            body = await response.read()
            if method in ("OPTIONS", "HEAD"):
                assert body == b"", path
            elif response.status == 404:
                assert path == "/ca.crt"  # plain HTTP has no authority
            else:
                assert response.status == 200
                assert body in files, path


@pytest.mark.parametrize("role", [Role.PHONE, Role.COACH])
async def test_a_declared_role_is_what_the_guard_asks_for(role):
    @require(role)
    async def asked(request: web.Request) -> web.Response:
        return web.Response(text="in")

    def extend(app: web.Application) -> None:
        app.router.add_get("/asked", asked)

    async with running(ServerConfig(analyse=far_away), extend) as server:
        keys = {Role.PHONE: server.token, Role.COACH: server.coach_token}
        for held, token in keys.items():
            headers = {"Authorization": f"Bearer {token}"}
            async with aiohttp.ClientSession(server.url, headers=headers) as http:
                response = await http.get("/asked")
                fits = held is Role.COACH or role is Role.PHONE
                assert response.status == (200 if fits else 403)
                if not fits:
                    # RFC 6750, section 3.1.
                    assert 'error="insufficient_scope"' in response.headers["WWW-Authenticate"]


async def test_the_body_of_a_stranger_is_not_read(server):
    """The answer comes while the body is still on its way."""
    reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
    writer.write(
        b"POST /whip HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000\r\n"
        b"Content-Type: application/sdp\r\n\r\nv=0"
    )
    assert b" 401 " in await asyncio.wait_for(reader.readline(), 5)
    writer.close()


async def test_a_renewed_key_ends_the_phones_of_the_old_one_and_no_other(server, phone):
    await phone.connect()
    await phone.of_type("guidance")
    coach = {"Authorization": f"Bearer {server.coach_token}"}
    async with (
        aiohttp.ClientSession(server.url, headers=coach) as http,
        LivePhone(http) as coachs_own,
    ):
        await coachs_own.connect()
        await coachs_own.of_type("guidance")
        answer = await http.post("/keys/renew")
        new = (await answer.json())["token"]
        assert "new key" in (await phone.of_type("bye"))["text"]
        await until(lambda: len(server.app[SESSIONS]) == 1)
        tokens = server.app[TOKENS]
        assert tokens.check(server.token) == "unknown"
        assert tokens.check(server.coach_token) == "valid"
        assert tokens.check(new) == "valid"
        assert tokens.role(new) is Role.PHONE
        assert (await http.post("/keys/revoke")).status == 204
        assert tokens.check(new) == "unknown"
        assert await http.get("/drift/places")


async def test_a_renewed_key_lets_the_phone_in_again(server):
    new = await server.app[KEYS].renew()
    headers = {"Authorization": f"Bearer {new}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as http, LivePhone(http) as phone:
        await phone.connect()
        await phone.of_type("guidance")


def test_roles():
    known = Tokens(60)
    phone, coach = known.issue(), known.issue(Role.COACH)
    assert known.role(phone) is Role.PHONE
    assert known.role(coach) is Role.COACH
    assert known.role("never issued") is None
    assert Role.COACH.may(Role.PHONE)
    assert not Role.PHONE.may(Role.COACH)
    assert len(known.revoke_all(Role.PHONE)) == 1
    assert known.check(phone) == "unknown"
    assert known.check(coach) == "valid"


def test_declarations_survive_binding():
    class Page:
        @require(Role.COACH)
        async def board(self, request: web.Request) -> web.Response:
            raise NotImplementedError

        @public("a reason")
        async def shell(self, request: web.Request) -> web.Response:
            raise NotImplementedError

    assert needs_of(Page().board) is Role.COACH
    assert needs_of(Page().shell) == Public("a reason")
    assert needs_of(print) is None


def walk(folder):
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from walk(entry)
        else:
            yield entry
