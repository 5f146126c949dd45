import aiohttp
import pytest

from server.config import ServerConfig
from server.serve import running
from tests.server.live_phone import LivePhone, far_away


@pytest.fixture(autouse=True)
def english(monkeypatch):
    """Reports in English, whatever the language of the machine that tests."""
    monkeypatch.setenv("LC_ALL", "C.UTF-8")


@pytest.fixture
def told():
    """Sentences that the server told its window."""
    return []


@pytest.fixture
def config(told):
    return ServerConfig(analyse=far_away, settle_s=0.0, tell=told.append)


@pytest.fixture
async def server(config):
    async with running(config) as server:
        yield server


@pytest.fixture
async def http(server):
    async with aiohttp.ClientSession(
        server.url, headers={"Authorization": f"Bearer {server.token}"}
    ) as http:
        yield http


@pytest.fixture
async def phone(http):
    """A phone that is not yet connected."""
    async with LivePhone(http) as phone:
        yield phone
