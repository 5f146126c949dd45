"""The commands' event loop: uvloop's where there is one, asyncio's own elsewhere."""

import asyncio
import importlib
import sys

import pytest

from server import event_loop


async def _kind() -> str:
    return type(asyncio.get_running_loop()).__module__


@pytest.mark.skipif(sys.platform == "win32", reason="there is no uvloop for Windows")
def test_it_is_uvloops():
    assert event_loop.run(_kind()).startswith("uvloop")


def test_without_it_asyncios_own_serves(monkeypatch):
    monkeypatch.setitem(sys.modules, "uvloop", None)
    try:
        assert importlib.reload(event_loop).run(_kind()).startswith("asyncio")
    finally:
        monkeypatch.undo()
        importlib.reload(event_loop)
