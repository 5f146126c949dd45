"""Same place again: the list, the way there on the panel, the table of what differs, "same"."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from tests.web.fake_server import NOT_FOUND, OFF, SQUARE
from tests.web.page_driver import LANDSCAPE, PORTRAIT, phone

pytestmark = pytest.mark.browser

SETTINGS = """
const chosen = { bay: "4", player: "Ada B." };
localStorage.setItem("teesquare.settings", JSON.stringify(chosen));
"""
ENTRY: dict[str, Any] = {
    "film": "film-1",
    "at_s": 1.79e9,
    "view": "face-on",
    "handed": "right",
    "bay": "4",
    "player": "Ada B.",
    "own": True,
    "square": True,
    "distance_m": 3.4,
    "height_m": 1.02,
}
EARLIER = [
    ENTRY,
    ENTRY | {"film": "film-2", "player": "", "own": False, "square": False},
    ENTRY | {"film": "film-3", "view": "down-the-line", "bay": ""},
]


def row(quantity: str, then: float, now: float, sigma: float, tolerance: float, mark: str) -> Any:
    unit = "m" if quantity in ("distance", "offset", "height") else "deg"
    numbers = {"then": then, "now": now, "difference": round(now - then, 4)}
    return {
        "quantity": quantity,
        "unit": unit,
        "sigma": sigma,
        "tolerance": tolerance,
        "mark": mark,
    } | numbers


ROWS = [
    row("distance", 3.364, 3.402, 0.016, 0.05, "unsure"),
    row("offset", 0.012, -0.19, 0.004, 0.03, "off"),
    row("height", 0.978, 0.981, 0.01, 0.03, "in"),
    row("yaw", 0.5, 2.9, 0.07, 0.5, "off"),
    row("pitch", -8.8, -8.7, 0.14, 0.5, "in"),
    row("roll", -0.5, 1.4, 0.15, 0.5, "off"),
]
FAR: dict[str, Any] = {
    "film": "film-1",
    "name": "bay 4, 27 November 2026, 14:05",
    "verdict": "off",
    "reason": None,
    "standing": True,
    "looks": 20,
    "rows": ROWS,
    "say": "Slide the tripod right 20 cm. Do not turn it.",
    "big": {"arrow": "right", "number": "20", "unit": "cm", "word": "Slide right"},
}
HOLD = FAR | {
    "verdict": "unsure",
    "standing": False,
    "say": "Let go of the phone. It is being measured for two seconds.",
    "big": {"arrow": "hold", "number": "", "unit": "", "word": "Hands off"},
}
SAME = FAR | {
    "verdict": "same",
    "rows": [r | {"now": r["then"], "difference": 0.0, "mark": "in"} for r in ROWS],
    "say": "The phone stands where it stood: bay 4, 27 November 2026, 14:05. Leave it there.",
    "big": {"arrow": "ready", "number": "", "unit": "", "word": "Same place"},
}


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_a_place_is_chosen_and_the_way_there_takes_the_panel(
    size: tuple[int, int], tmp_path: Any
) -> None:
    async with phone(size=size, script=SETTINGS) as p:
        p.server.earlier = EARLIER
        await p.start()
        await p.until_kind("off")
        await p.page.click("#place-open")
        await p.page.click("#again-open")
        await p.until("document.querySelectorAll('.again-entry').length === 3")
        asked = p.server.asked_earlier[-1]
        assert (asked["bay"], asked["player"]) == ("4", "Ada B.")
        assert len(asked["phone"]) >= 8
        # Another view's place cannot be chosen before the view is.
        assert await p.page.is_disabled(".again-entry[data-film='film-3']")
        await p.page.screenshot(path=str(tmp_path / f"list-{size[0]}.png"))
        await p.page.click(".again-entry[data-film='film-1']")
        sent = await p.sent("agains", 1)
        assert (sent["do"], sent["film"], sent["same_rods"]) == ("lead", "film-1", False)
        assert (await p.state())["again"]["seq"] == 1
        p.server.guidance = copy.deepcopy(OFF) | {"again": FAR}
        await p.until_kind("again")
        assert await p.text("#word") == "Slide right"
        assert await p.text("#number") == "20"
        assert await p.page.get_attribute("#sign svg", "data-sign") == "right"
        cell = await p.text("#again-table .cell[data-quantity='offset']")
        for part in ("Sideways", "20", "left", "1 → −19", "differs"):
            assert part in cell, cell
        assert await p.page.is_hidden("#strip")
        assert "bay 4" in await p.text("#again-status")
        for shown, kind in ((FAR, "again"), (HOLD, "again-hold"), (SAME, "same")):
            p.server.guidance = copy.deepcopy(SQUARE) | {"again": shown}
            await p.until_kind(kind)
            assert (await p.state())["shown"]["say"] == shown["say"]
            assert await p.page.evaluate("document.documentElement.scrollWidth") <= size[0]
            await p.page.evaluate("scrollTo(0, 0)")
            await p.page.screenshot(path=str(tmp_path / f"{kind}-{size[0]}.png"))
        assert await p.page.is_visible("#film-go")  # it is time to film
        await p.until("teesquare.state().sound.kind === 'square'")
        # Without rods the guidance says what to do about that.
        p.server.guidance = copy.deepcopy(NOT_FOUND) | {"again": FAR | {"big": None, "rows": []}}
        await p.until_kind("not-found")
        assert await p.page.is_visible("#strip")
        await p.page.click("#place-open")
        await p.page.click("#again-open")
        await p.page.click("#again-stop")
        assert (await p.sent("agains", 2))["do"] == "stop"
        p.server.guidance = copy.deepcopy(SQUARE) | {"again": None}
        await p.until_kind("square")
        assert await p.text("#again-status") == ""
        assert p.errors == []


async def test_the_newest_of_a_bay_is_one_press_and_a_refusal_is_told() -> None:
    async with phone(script=SETTINGS) as p:
        p.server.earlier = EARLIER
        await p.start()
        await p.until_kind("off")
        await p.page.click("#place-open")
        await p.page.click("#again-open")
        await p.page.click("#again-lain")
        await p.page.click("#again-bay")
        sent = await p.sent("agains", 1)
        assert (sent["do"], sent["bay"], sent["same_rods"]) == ("lead", "4", True)
        reason = "These rods do not fit those of then."
        p.server.guidance = copy.deepcopy(OFF) | {
            "again": FAR | {"verdict": None, "reason": reason, "rows": [], "big": None, "say": None}
        }
        await p.until(f"document.getElementById('again-status').textContent === '{reason}'")
        assert (await p.state())["shown"]["kind"] == "off"
        assert p.errors == []


async def test_nothing_to_go_back_to_is_said() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        await p.page.click("#place-open")
        await p.page.click("#again-open")
        assert "No earlier film" in await p.text("#again-none")
        assert p.errors == []


async def test_words_and_table_say_the_unit_of_the_settings() -> None:
    script = 'localStorage.setItem("teesquare.settings", JSON.stringify({ units: "in" }));'
    async with phone(script=script) as p:
        p.server.earlier = EARLIER
        await p.start()
        await p.until_kind("off")
        await p.page.click("#place-open")
        await p.page.click("#again-open")
        # 3.4 m are 11.2 feet, 1.02 m 40 inches (1959).
        assert "11.2 ft away, 40 in high" in await p.text(".again-entry[data-film='film-1']")
        await p.page.click(".again-entry[data-film='film-1']")
        await p.sent("agains", 1)
        p.server.guidance = copy.deepcopy(OFF) | {"again": FAR}
        await p.until_kind("again")
        cell = await p.text("#again-table .cell[data-quantity='offset']")
        assert "8.0" in cell and "in" in cell  # 20.2 cm
        assert p.errors == []
