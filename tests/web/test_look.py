"""The first look on the page: asked in huge type, skipped by one tap, begun again from settings."""

from __future__ import annotations

import asyncio
import copy
from typing import Any

import pytest

from tests.web.fake_server import OFF, SQUARE
from tests.web.page_driver import LANDSCAPE, PORTRAIT, Phone, phone

pytestmark = pytest.mark.browser

NONE: dict[str, Any] = {
    "phase": "off",
    "looks": 0,
    "angle_sigma_deg": None,
    "measured": False,
    "moved": False,
    "text": "",
    "big": None,
}
OVER = NONE | {
    "phase": "over",
    "text": "Hold the phone over the rods, lens down, so that both rods show whole in the picture.",
    "big": {"arrow": "tilt-down", "number": "", "unit": "", "word": "Hold the phone over the rods"},
}
BACK = NONE | {
    "phase": "back",
    "looks": 7,
    "text": "Walk back to the tripod slowly. Keep the lens on both rods.",
    "big": {"arrow": "back", "number": "7", "unit": "looks", "word": "Walk back to the tripod"},
}
KNOWN = NONE | {
    "phase": "known",
    "looks": 9,
    "angle_sigma_deg": 0.2,
    "measured": True,
    "text": "Rods measured from 9 looks: angle to ± 0.4°.",
}
MOVED = NONE | {
    "phase": "moved",
    "moved": True,
    "text": "The rods were moved. Lay them as told; then hold the phone over them once more.",
    "big": {"arrow": "broken", "number": "", "unit": "", "word": "The rods were moved"},
}


async def _sent(p: Phone, seq: int) -> dict[str, Any]:
    for _ in range(200):
        if p.server.looks and p.server.looks[-1]["seq"] == seq:
            return p.server.looks[-1]
        await asyncio.sleep(0.03)
    raise AssertionError(f"no word number {seq}: {p.server.looks}")


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_the_first_look_takes_the_panel_and_gives_it_back(size: tuple[int, int]) -> None:
    async with phone(size=size) as p:
        p.server.guidance = copy.deepcopy(OFF) | {"look": NONE}
        await p.start()
        await p.until_kind("off")  # nothing in progress: guidance as ever
        assert await p.page.is_visible("#look-begin")
        assert not await p.page.is_visible("#look-skip")
        await p.page.click("#look-begin")
        assert (await _sent(p, 1))["do"] == "begin"
        for look in (OVER, BACK):
            p.server.guidance = copy.deepcopy(OFF) | {"look": look}
            await p.until(f"teesquare.state().shown?.word === {look['big']['word']!r}")
            assert (await p.state())["shown"]["kind"] == "look"
            assert await p.text("#say") == look["text"]
            assert await p.page.get_attribute("#sign svg", "data-sign") == look["big"]["arrow"]
            assert await p.page.is_visible("#look-skip")
            assert not await p.page.is_visible("#look-begin")
            wide = "document.documentElement.scrollWidth > innerWidth"
            assert not await p.page.evaluate(wide)
        assert await p.text("#number") == "7"
        await p.page.click("#look-skip")
        assert (await _sent(p, 2))["do"] == "skip"
        p.server.guidance = copy.deepcopy(OFF) | {"look": KNOWN}
        await p.until_kind("off")
        assert "0.4°" in await p.text("#look-status")
        assert not await p.page.is_visible("#look-begin")
        p.server.guidance = copy.deepcopy(SQUARE) | {"look": MOVED}
        await p.until_kind("moved")  # never "square" beside it
        await p.until("teesquare.state().sound.kind === 'alarm'")
        assert await p.text("#word") == "The rods were moved"
        await p.until_kind("square", 12)  # and the guidance goes on, with a line that stays
        assert await p.text("#look-status") == MOVED["text"]
        assert await p.page.is_visible("#look-begin")
        assert p.errors == []


async def test_settings_begin_a_first_look_anew() -> None:
    async with phone() as p:
        p.server.guidance = copy.deepcopy(OFF) | {"look": KNOWN}
        await p.open()
        await p.page.click("#start-settings")
        assert await p.page.query_selector("#settings-look") is None  # no picture yet
        await p.page.click("#settings-done")
        await p.page.click("#go")
        await p.until_kind("off")
        await p.page.click("#live-settings")
        await p.page.click("#settings-look")
        assert (await _sent(p, 1))["do"] == "begin"
        assert not await p.page.is_visible("#settings")
        assert p.errors == []
