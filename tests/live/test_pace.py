"""The page sends no more pictures a second than the server asks for, each as large as before."""

import asyncio

import pytest

from server.app import SESSIONS
from server.demo.geometry import Laid, Pose
from server.demo.scene import Scene
from server.pace import RATES
from tests.chromium import until
from tests.clips import ClipFrame, write_clip
from tests.live.browser import begin, page_on_clip
from vision.setup import View

pytestmark = pytest.mark.browser

OVER_S = 2.0
LOWEST = RATES[-1]


async def sent_per_s(session) -> float:
    before = session.received
    await asyncio.sleep(OVER_S)
    return (session.received - before) / OVER_S


async def test_the_rate_asked_for_is_what_comes(tmp_path, monkeypatch):
    scene = Scene(laid=Laid(view=View.FACE_ON))
    frames = [ClipFrame(n, "stay", Pose(offset_m=0.2)) for n in range(60)]
    clip = tmp_path / "stays.mjpeg"
    write_clip(clip, frames, scene, 30)
    async with page_on_clip(clip, frames, scene.laid) as (server, page):
        sessions = server.app[SESSIONS]
        asked = RATES[0]
        monkeypatch.setattr(sessions._pace, "look", lambda counts, now_s: asked)
        await begin(page, server, View.FACE_ON)
        await until(page, "s.guidance?.placement && s.guidance.size[0] === 1280")
        (session,) = sessions
        freely = await sent_per_s(session)
        assert freely > 1.3 * LOWEST, "the camera itself is too slow for this test"
        asked = LOWEST
        await asyncio.sleep(1.5)
        assert 0.5 * LOWEST < await sent_per_s(session) < 1.15 * LOWEST
        assert await page.evaluate("teesquare.state().guidance.size") == [1280, 720]
        asked = RATES[0]
        await asyncio.sleep(1.5)
        assert await sent_per_s(session) > 1.3 * LOWEST
