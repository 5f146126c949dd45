"""A camera that stays: what the page asks, how an alarm is shown and heard, the plot of days."""

from __future__ import annotations

import copy
import math
from typing import Any

import pytest

from tests.web.fake_server import NOT_FOUND, OFF, SQUARE
from tests.web.page_driver import LANDSCAPE, PORTRAIT, phone

pytestmark = pytest.mark.browser

NO_BIG = {"arrow": "", "number": "", "unit": "", "word": ""}
STILL: dict[str, Any] = {
    "name": "bay 3",
    "watch": "still",
    "learned": 1.0,
    "text": "The camera stands where it stood.",
    "big": NO_BIG,
}
MOVED = STILL | {
    "watch": "moved",
    "text": "The camera has moved 1.2 cm to the left. Move it back to the right.",
    "big": {"arrow": "right", "number": "1.2", "unit": "cm", "word": "Camera moved"},
}


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_a_place_is_remembered_and_a_move_takes_the_panel(size: tuple[int, int]) -> None:
    async with phone(size=size) as p:
        p.server.guidance = copy.deepcopy(SQUARE)
        await p.start()
        await p.until_kind("square")
        await p.page.click("#place-open")
        await p.page.fill("#place-name", "bay 3")
        await p.page.fill("#place-move", "2,5")
        await p.page.click("#place-remember")
        sent = await p.sent("places", 1)
        assert (sent["do"], sent["name"]) == ("remember", "bay 3")
        assert sent["move_m"] == pytest.approx(0.025)
        assert sent["turn_deg"] == 0.3
        learning = STILL | {"watch": "learning", "learned": 0.4, "text": "Remembering this place."}
        p.server.guidance = copy.deepcopy(SQUARE) | {"drift": learning}
        await p.until("document.getElementById('place-status').textContent.includes('Rememb')")
        assert (await p.state())["place"]["do"] == "remember"
        p.server.guidance = copy.deepcopy(SQUARE) | {"drift": STILL}
        await p.until("document.getElementById('place-status').textContent.includes('stands')")
        assert (await p.state())["shown"]["word"] == "Square"
        # From now on a broken connection watches the place; it does not learn it anew.
        assert (await p.state())["place"]["do"] == "watch"
        for under in (SQUARE, OFF, NOT_FOUND):
            p.server.guidance = copy.deepcopy(under) | {"drift": MOVED}
            await p.until_kind("drift")
            await p.until("teesquare.state().sound.kind === 'alarm'")
            assert (await p.state())["shown"]["word"] == "Camera moved"
            assert await p.text("#number") == "1.2"
            assert await p.text("#say") == MOVED["text"]
            assert await p.page.get_attribute("#sign svg", "data-sign") == "right"
        p.server.guidance = copy.deepcopy(SQUARE) | {"drift": STILL}
        await p.until_kind("square")
        await p.page.click("#place-open")
        await p.page.click("#place-stop")
        assert (await p.sent("places", 2))["do"] == "stop"
        assert await p.text("#place-status") == ""
        assert p.errors == []


async def test_a_place_of_another_day_is_watched_again_and_wrong_numbers_are_told() -> None:
    async with phone() as p:
        p.server.names = ["bay 7", "studio"]
        await p.start()
        await p.until_kind("off")
        await p.page.click("#place-open")
        await p.page.fill("#place-turn", "90")
        await p.page.click("#place-remember")
        assert "0.05 to 20" in await p.text("#place-problem")
        assert p.server.places == []
        await p.page.fill("#place-turn", "0.5")
        await p.page.click(".place-known >> text=bay 7")
        sent = await p.sent("places", 1)
        assert (sent["do"], sent["name"], sent["turn_deg"]) == ("watch", "bay 7", 0.5)
        p.server.guidance = copy.deepcopy(OFF) | {"drift": None}
        await p.until("document.getElementById('place-status').textContent.includes('not know')")
        assert p.errors == []


async def test_the_log_of_days_is_plotted() -> None:
    async with phone(size=LANDSCAPE) as p:
        p.server.names = ["bay 7", "studio"]
        p.server.log = [
            {
                "at_s": 1.7e9 + 300 * k,
                "watch": "moved" if k > 300 else "still",
                "move_m": [0.004 * math.sin(k / 40), -0.002, 0.00004 * k],
                "turn_deg": [0.05, 0.0006 * k, -0.02],
                "sigma_m": 0.0005,
                "sigma_deg": 0.01,
            }
            for k in range(320)
        ]
        await p.page.goto(f"{p.url}/drift#t=right-key")
        await p.until("document.querySelectorAll('#log-plots svg').length === 2")
        said = await p.text("#log-said")
        assert "Told as moved: 1 times" in said
        lines = await p.page.evaluate(
            "[...document.querySelectorAll('#log-plots svg:first-of-type polyline')]"
            ".map((l) => l.getAttribute('points'))"
        )
        assert not any("NaN" in points for points in lines)
        labels = await p.text("#log-plots")
        for word in ("Moved, mm", "forward", "Turned, degrees", "clockwise"):
            assert word in labels
        assert "t=" not in p.page.url  # the key has left the address bar
        p.server.log = []
        await p.page.select_option("#log-place", "studio")
        await p.until("document.getElementById('log-said').textContent.includes('Nothing')")
        assert p.errors == []
