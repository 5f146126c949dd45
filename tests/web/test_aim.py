"""The mode in which the target is tapped: what is sent and shown, and that no rod is marked."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from tests.web.fake_server import OFF, SQUARE
from tests.web.page_driver import LANDSCAPE, PORTRAIT, Phone, phone

pytestmark = pytest.mark.browser

ROD = {"deg": 1.2, "sigma_deg": 0.1, "at_target_m": 3.14, "at_target_sigma_m": 0.3}
SAID = "The rods point 1.2° right of the target (± 0.2°): 3.1 m right at 150 m."
AIM: dict[str, Any] = {
    "aim": ROD
    | {
        "distance_m": 150.0,
        "distance_stated": True,
        "rods": [{"role": "target", "points_px": [700.0, 300.0]} | ROD],
        "reason": None,
        "text": SAID,
    },
    "aim_big": {"arrow": "turn-left", "number": "1.2", "unit": "°", "word": "Turn the rods left"},
}


async def _begin(p: Phone) -> None:
    """The page waits for a tap on the target."""
    await p.start()
    await p.until_kind("off")
    await p.until("document.getElementById('video').videoWidth >= 1280")
    await p.page.click("#aim")
    await p.until_kind("aim-tap")


async def _tap(p: Phone, u: float, v: float) -> None:
    box = await p.page.evaluate(
        "(() => {const b = document.getElementById('video').getBoundingClientRect();"
        "return [b.left, b.top, b.width, b.height]})()"
    )
    await p.page.mouse.click(box[0] + u * box[2], box[1] + v * box[3])


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_the_target_is_tapped_and_the_rods_aim_takes_the_panel(size: tuple[int, int]) -> None:
    async with phone(size=size) as p:
        p.server.guidance = copy.deepcopy(OFF) | {"size": [640, 360]}
        await _begin(p)
        assert await p.text("#word") == "Tap the target"
        assert (await p.sent("aims", 1))["xy_px"] is None
        await _tap(p, 0.6, 0.3)
        sent = await p.sent("aims", 2)
        assert sent["xy_px"] == pytest.approx([383.5, 107.5], abs=1.5)
        assert (sent["size"], sent["distance_m"]) == ([640, 360], None)
        p.server.guidance = copy.deepcopy(SQUARE) | AIM  # aiming, even a square lens says the aim
        await p.until_kind("aim")
        assert await p.text("#word") == "Turn the rods left"
        assert await p.text("#number") == "1.2"
        assert await p.text("#say") == SAID
        await p.until("document.getElementById('overlay').dataset.aim === 'true'")
        assert p.server.hints == []  # no rod was marked
        assert (await p.state())["verdict"] is None
        await p.page.click("#aim-again")
        assert (await p.sent("aims", 3))["xy_px"] is None
        await p.until_kind("aim-tap")
        await p.page.click("#aim")  # off
        await p.until_kind("square")
        await _tap(p, 0.5, 0.5)  # now a rod again
        await p.until("teesquare.state().marks?.xy_px.length === 1")
        assert p.errors == []


async def test_the_distance_is_stated_in_metres_or_yards() -> None:
    async with phone() as p:
        await _begin(p)
        await _tap(p, 0.6, 0.3)
        await p.sent("aims", 2)
        await p.page.click("#live-settings")
        await p.page.click("label[for='set-units-in']")
        field = p.page.locator("[id='set-aim_distance_m']")
        # The dialog is built anew in the other units; nobody types as fast as a test.
        unit = "document.getElementById('set-aim_distance_m').parentElement.innerText"
        await p.until(f"{unit}.includes('yd')")
        await field.fill("200")
        await field.dispatch_event("change")
        sent = await p.sent("aims", 3)
        assert sent["distance_m"] == pytest.approx(200 * 0.9144)  # 1959: a yard is 0.9144 m
        assert sent["xy_px"] == p.server.aims[-2]["xy_px"]
        assert await field.input_value() == "200"


async def test_a_target_that_says_nothing_is_told_with_its_reason() -> None:
    async with phone() as p:
        await _begin(p)
        await _tap(p, 0.6, 0.3)
        why = "The phone has been moved since the target was tapped. Tap the target again."
        empty = dict.fromkeys(AIM["aim"]) | {"rods": [], "reason": "moved", "text": why}
        big = {"arrow": "find", "number": "", "unit": "", "word": "Tap the target again"}
        p.server.guidance = copy.deepcopy(SQUARE) | {"aim": empty, "aim_big": big}
        await p.until("teesquare.state().shown?.word === 'Tap the target again'")
        assert await p.text("#say") == why
        assert await p.page.is_visible("#aim-again")
        assert p.errors == []
