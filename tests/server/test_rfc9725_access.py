"""RFC 9725 rule by rule, as in test_rfc9725.py: who may ask, and what no one may."""

import asyncio
import io

import aiohttp
import pytest

from server.app import SESSIONS, TOKENS
from server.config import ServerConfig
from server.serve import running
from tests.server.is_problem import is_problem
from tests.server.live_phone import LivePhone, far_away

SDP = {"Content-Type": "application/sdp"}
FRAGMENT = {"Content-Type": "application/trickle-ice-sdpfrag"}


# Section 4.7.1: bearer tokens (RFC 6750)


@pytest.mark.parametrize("header", [None, "", "Bearer", "Bearer ", "Basic dTpw", "Token abc"])
async def test_4_7_1_no_token_is_401_without_an_error_code(server, header):
    headers = {} if header is None else {"Authorization": header}
    async with aiohttp.ClientSession(server.url) as stranger:
        response = await stranger.post("/whip", data="v=0", headers={**SDP, **headers})
        await is_problem(response, 401)
    # RFC 6750, section 3.1: a request without authentication gets no error information.
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="teesquare"'


async def test_4_7_1_a_wrong_token_is_401_invalid_token(server):
    headers = {"Authorization": "Bearer wrong", **SDP}
    async with aiohttp.ClientSession(server.url) as stranger:
        response = await stranger.post("/whip", data="v=0", headers=headers)
        await is_problem(response, 401)
    assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]


async def test_4_7_1_an_expired_token_is_401_invalid_token():
    async with running(ServerConfig(analyse=far_away, token_life_s=0.05)) as server:
        await asyncio.sleep(0.1)
        headers = {"Authorization": f"Bearer {server.token}", **SDP}
        async with aiohttp.ClientSession(server.url) as late:
            response = await late.post("/whip", data="v=0", headers=headers)
            assert "expired" in await is_problem(response, 401)
    assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]


async def test_4_7_1_the_scheme_is_case_insensitive(server):
    # RFC 9110, section 11.1.
    headers = {"Authorization": f"bearer {server.token}", **SDP}
    async with aiohttp.ClientSession(server.url) as http:
        assert (await http.post("/whip", data="v=0", headers=headers)).status in (400, 406)


@pytest.mark.parametrize("method", ["PATCH", "DELETE", "GET"])
async def test_4_7_1_sessions_need_the_token_too(phone, server, method):
    await phone.post(await phone.offer())
    path = phone.location + ("/guidance" if method == "GET" else "")
    async with aiohttp.ClientSession(server.url) as stranger:
        await is_problem(await stranger.request(method, path), 401)
    assert len(server.app[SESSIONS]) == 1


@pytest.mark.parametrize("method", ["PATCH", "DELETE", "GET"])
async def test_4_7_1_another_token_does_not_open_the_session(phone, server, method):
    await phone.post(await phone.offer())
    path = phone.location + ("/guidance" if method == "GET" else "")
    headers = {"Authorization": f"Bearer {server.app[TOKENS].issue()}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as other:
        await is_problem(await other.request(method, path), 403)
    assert len(server.app[SESSIONS]) == 1


async def test_4_7_1_a_revoked_token_no_longer_opens_anything(phone, server, http):
    await phone.post(await phone.offer())
    server.app[TOKENS].revoke(server.token)
    await is_problem(await http.delete(phone.location), 401)


# Section 5: security


async def test_5_session_addresses_are_not_guessable(http, server):
    names = set()
    for _ in range(3):
        async with LivePhone(http) as phone:
            await phone.post(await phone.offer())
            names.add(phone.location)
    assert len(names) == 3
    # 24 random bytes, base64url: RFC 4086's advice of 128 bits is exceeded.
    assert all(len(name.rsplit("/", 1)[1]) == 32 for name in names)


async def test_5_a_huge_body_is_413(http):
    await is_problem(await http.post("/whip", data=io.BytesIO(bytes(2**20)), headers=SDP), 413)
