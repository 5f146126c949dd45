"""Taps on the live picture reach the server as pixels of the analysed picture, and are drawn."""

from __future__ import annotations

import asyncio
import copy
from typing import Any

import pytest

from tests.web.fake_server import NOT_FOUND, OFF
from tests.web.page_driver import LANDSCAPE, PORTRAIT, Phone, phone

pytestmark = pytest.mark.browser


async def _box(p: Phone) -> dict[str, float]:
    box: dict[str, float] = await p.page.evaluate(
        "(() => {const b = document.getElementById('video').getBoundingClientRect();"
        "return {x: b.left, y: b.top, w: b.width, h: b.height}})()"
    )
    return box


def _expected(box: dict[str, float], at: tuple[float, float], size: list[int]) -> list[float]:
    """A point of the screen in pixels of a 16:9 picture of `size`, letterboxed in its box."""
    width = min(box["w"], box["h"] * 16 / 9)
    height = width * 9 / 16
    left = box["x"] + (box["w"] - width) / 2
    top = box["y"] + (box["h"] - height) / 2
    u, v = (at[0] - left) / width, (at[1] - top) / height
    return [u * size[0] - 0.5, v * size[1] - 0.5]


async def _hint(p: Phone, taps: int) -> dict[str, Any]:
    for _ in range(200):
        if p.server.hints and len(p.server.hints[-1]["xy_px"]) == taps:
            return p.server.hints[-1]
        await asyncio.sleep(0.03)
    raise AssertionError(f"no message with {taps} taps: {p.server.hints}")


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
@pytest.mark.parametrize("boxed", [None, "1 / 1", "3 / 1"], ids=["fitting", "bars", "side bars"])
async def test_a_tap_is_sent_in_the_analysed_pictures_own_pixels(
    size: tuple[int, int], boxed: str | None
) -> None:
    async with phone(size=size) as p:
        p.server.guidance = copy.deepcopy(OFF) | {"size": [640, 360]}
        await p.start()
        await p.until_kind("off")
        await p.until("document.getElementById('video').videoWidth >= 1280")
        if boxed:
            # The frame normally has the picture's shape; a turned phone's may lag behind.
            await p.page.evaluate(f"document.getElementById('frame').style.aspectRatio = '{boxed}'")
        await p.page.evaluate("document.getElementById('frame').scrollIntoView()")
        box = await _box(p)
        assert (abs(box["w"] / box["h"] - 16 / 9) < 0.02) == (boxed is None)
        at = (round(box["x"] + 0.55 * box["w"]), round(box["y"] + 0.45 * box["h"]))
        await p.page.mouse.click(*at)
        hint = await _hint(p, 1)
        assert hint["size"] == [640, 360]
        (tap,) = hint["xy_px"]
        assert tap == pytest.approx(_expected(box, at, [640, 360]), abs=0.5)
        await p.until("document.getElementById('overlay').dataset.marks === '1'")
        assert p.errors == []


async def test_marks_repeat_until_echoed_and_a_third_tap_moves_the_nearer_one() -> None:
    async with phone() as p:
        p.server.echo_hint = False
        await p.start()
        await p.until_kind("off")
        await p.until("document.getElementById('video').videoWidth >= 1280")
        box = await _box(p)

        async def tap(u: float, v: float) -> None:
            await p.page.mouse.click(box["x"] + u * box["w"], box["y"] + v * box["h"])

        await tap(0.2, 0.5)
        first = await _hint(p, 1)
        while len(p.server.hints) < 3:
            await asyncio.sleep(0.05)
        assert p.server.hints[2] == first  # said again with the pings
        await tap(0.8, 0.5)
        both = await _hint(p, 2)
        assert both["seq"] == first["seq"] + 1
        assert both["xy_px"][0] == first["xy_px"][0]
        await tap(0.7, 0.5)
        await p.until("teesquare.state().marks.seq === 3")
        while p.server.hints[-1]["seq"] != 3:
            await asyncio.sleep(0.05)
        moved = p.server.hints[-1]["xy_px"]
        assert moved[0] == first["xy_px"][0]
        assert moved[1][0] < both["xy_px"][1][0]
        p.server.echo_hint = True
        await p.until("teesquare.state().guidance.hint_seq === 3")
        await asyncio.sleep(0.1)
        count = len(p.server.hints)
        await asyncio.sleep(1.2)
        assert len(p.server.hints) == count
        await p.page.click("#tap-clear")
        cleared = await _hint(p, 0)
        assert cleared["seq"] == 4
        await p.until("document.getElementById('overlay').dataset.marks === '0'")
        assert not await p.page.is_visible("#tap-clear")


async def test_marks_are_drawn_where_the_server_says_they_have_gone() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        await p.until("document.getElementById('video').videoWidth >= 1280")
        box = await _box(p)
        await p.page.mouse.click(box["x"] + 0.5 * box["w"], box["y"] + 0.5 * box["h"])
        await _hint(p, 1)
        p.server.guidance = copy.deepcopy(OFF) | {"hints_px": [[100.0, 200.0]]}
        await p.until("teesquare.state().marks.xy_px[0]?.[0] === 100")
        # A second tap keeps the first mark where it is now, not where it once was tapped.
        await p.page.mouse.click(box["x"] + 0.8 * box["w"], box["y"] + 0.5 * box["h"])
        assert (await _hint(p, 2))["xy_px"][0] == [100.0, 200.0]
        p.server.guidance = copy.deepcopy(OFF) | {"hints_px": []}
        await p.until("document.getElementById('overlay').dataset.marks === '0'")


async def test_a_person_is_told_of_taps_only_while_rods_are_missing() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        assert not await p.page.is_visible("#tap-tip")
        p.server.guidance = copy.deepcopy(NOT_FOUND)
        await p.until_kind("not-found")
        assert "Tap on a rod" in await p.text("#tap-tip")
        box = await _box(p)
        await p.page.mouse.click(box["x"] + 0.5 * box["w"], box["y"] + 0.3 * box["h"])
        await p.until("document.getElementById('tap-tip').hidden")
        await p.until("!document.getElementById('tap-clear').hidden")


async def test_the_letterbox_is_left_out_for_upright_and_sideways_pictures() -> None:
    cases = [
        # box (left, top, width, height), shown, analysed, point, pixel
        [[10, 20, 400, 300], [1280, 720], [1280, 720], [210, 170], [639.5, 359.5]],
        [[10, 20, 400, 300], [1280, 720], [640, 360], [10, 57.5], [-0.5, -0.5]],
        [[10, 20, 400, 300], [1280, 720], [640, 360], [210, 57], None],  # in the bar
        [[0, 0, 400, 300], [720, 1280], [720, 1280], [200, 150], [359.5, 639.5]],
        [[0, 0, 400, 300], [720, 1280], [360, 640], [115.625, 0], [-0.5, -0.5]],
        [[0, 0, 400, 300], [720, 1280], [360, 640], [115, 150], None],
        [[0, 0, 400, 300], [720, 1280], [360, 640], [285, 150], None],
    ]
    async with phone() as p:
        await p.open()
        got = await p.page.evaluate(
            "async (cases) => {const {pictureXY} = await import('/web/tap.js');"
            "return cases.map(([[left, top, width, height], shown, size, at]) =>"
            " pictureXY(at, {left, top, width, height}, shown, size))}",
            cases,
        )
    for case, pixel in zip(cases, got, strict=True):
        assert pixel == (None if case[4] is None else pytest.approx(case[4], abs=1e-6)), case
