"""The join page in a second browser engine: Firefox, driven over WebDriver BiDi."""

import asyncio
import json
from pathlib import Path

import pytest

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.setup_node import find_firefox, modules, tool

pytestmark = pytest.mark.browser
SCRIPT = Path(__file__).with_name("firefox.mjs")


@pytest.mark.timeout(60)
async def test_firefox_joins_streams_and_gets_guidance():
    told = []
    async with running(ServerConfig(tell=told.append)) as server:
        words = [str(SCRIPT), str(modules()), find_firefox(), server.page_url, "20"]
        process = await asyncio.create_subprocess_exec(
            tool("node"), *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
        shown, wrong = await process.communicate()
        assert process.returncode == 0, wrong.decode()
        out = json.loads(shown)
        assert "failed" not in out, out
        state = out["state"]
        assert state["guidance"], (state, told, out["errors"])
        assert state["screen"] == "live"
        assert state["video"] > 0
        assert state["guidance"]["seq"] >= 10
        assert state["guidance"]["verdict"] == "not-found"  # its fake camera shows a plain colour
        assert state["word"]
        assert out["errors"] == []
        assert out["stopped"]
        async with asyncio.timeout(3):
            while len(server.app[SESSIONS]):
                await asyncio.sleep(0.05)
    assert "The phone is connected." in told
