"""Filming on the page: countdown, reload, full storage, what is told to the server, the list."""

from __future__ import annotations

import asyncio
import copy
from typing import Any

import pytest

from tests.web.fake_server import OFF, SQUARE
from tests.web.page_driver import CAMERA, LANDSCAPE, PORTRAIT, Phone, phone

pytestmark = pytest.mark.browser

NO_BIG = {"arrow": "", "number": "", "unit": "", "word": ""}
WORTH = {"lines": ["60 pictures a second: the club head travels 57 cm from one to the next."]}
STILL = {"watch": "still", "text": "The camera stands where it stood.", "big": NO_BIG}
LOCKED: dict[str, Any] = {"film": None, "locked": True, "learned": 1.0, "drift": STILL}
MOVED = LOCKED | {
    "drift": {
        "watch": "moved",
        "text": "The camera has moved 4.8 cm to the left. Move it back to the right.",
        "big": {"arrow": "right", "number": "4.8", "unit": "cm", "word": "Camera moved"},
    }
}


def wavered(number: str) -> dict[str, Any]:
    """The same alarm with another amount."""
    film = copy.deepcopy(MOVED)
    film["drift"]["text"] = film["drift"]["text"].replace("4.8", number)
    film["drift"]["big"]["number"] = number
    return film


def settings(delay_s: int) -> str:
    return (
        'if (!localStorage.getItem("teesquare.settings")) '
        f'localStorage.setItem("teesquare.settings", \'{{"film_delay_s": {delay_s}}}\');'
    )


def said(guidance: dict[str, Any], film: dict[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(guidance) | {"film": film | {"worth": WORTH}}


async def in_sight(p: Phone, *names: str) -> None:
    """Nobody scrolls a phone that stands two metres away."""
    for name in names:
        below = f"document.getElementById({name!r}).getBoundingClientRect().bottom - innerHeight"
        assert await p.page.evaluate(below) <= 0, f"{name} lies below the fold"


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_ready_countdown_filming_alarm_and_the_list(size: tuple[int, int]) -> None:
    async with phone(size=size, script=settings(2)) as p:
        p.server.guidance = said(SQUARE, LOCKED)
        await p.start()
        await p.until_kind("ready")
        assert (await p.state())["verdict"] == "square"
        await p.until("teesquare.state().sound.kind === 'ready'")
        await p.until("document.getElementById('film-status').textContent.includes('57 cm')")
        await in_sight(p, "film-status", "film-go", "say")
        await p.page.click("#film-go")
        await p.until_kind("count")
        await in_sight(p, "film-status", "film-go", "say")
        assert await p.text("#number") in ("2", "1")
        await p.until_kind("filming")
        await in_sight(p, "film-status", "film-go", "say")
        begun = p.server.films[-1]
        while begun["do"] != "begin":
            await asyncio.sleep(0.03)
            begun = p.server.films[-1]
        assert begun["camera"]["size"] and begun["camera"]["fps"] > 0
        p.server.guidance = said(OFF, MOVED)
        await p.until_kind("drift")
        await p.until("teesquare.state().sound.kind === 'alarm'")
        assert "The film goes on" in await p.text("#say")
        await in_sight(p, "film-status", "film-go", "say")
        # A measurement wavers: that is no second move. Another move is.
        for number, wait_s in (("4.9", 2.1), ("4.7", 0.3), ("9.3", 0.3)):
            p.server.guidance = said(OFF, wavered(number))
            await p.until(f"teesquare.state().guidance.film.drift.big.number === '{number}'")
            await asyncio.sleep(wait_s)
        await p.page.click("#film-go")
        await p.until("teesquare.state().film.phase === 'idle'")
        film = (await p.state())["film"]["last"]
        first, second = film["marks"]
        assert "4.9 cm" in first["text"] and "9.3 cm" in second["text"]
        assert second["at_s"] - first["at_s"] >= 2
        await p.until("teesquare.state().film.said?.do === 'idle'")
        ended = [word for word in p.server.films if word["do"] == "end"][-1]
        assert ended["film"] == begun["film"]
        assert ended["since_s"] == pytest.approx(film["lasts_s"], abs=0.01)
        await p.page.click("#film-open")
        assert "4.9 cm" in await p.text("#films .film-mark")
        async with p.page.expect_download() as saved:
            await p.page.click(".film-save")
        name = (await saved.value).suggested_filename
        assert name.endswith((".mp4", ".webm")) and "face-on" in name
        await p.page.click(".film-delete")
        assert await p.page.locator(".films-list li").count() == 1
        await p.page.click(".film-delete")
        await p.until("!document.querySelector('.films-list li')")
        assert p.errors == []
        # Never uploaded.
        assert all("film" not in url.split("/web/")[0] for url in p.requests)


async def test_a_page_reloaded_while_filming_keeps_the_film_and_says_so() -> None:
    async with phone(script=settings(0)) as p:
        p.server.guidance = said(SQUARE, LOCKED)
        await p.start()
        await p.until_kind("ready")
        await p.page.click("#film-go")
        await p.until("(teesquare.state().film.current?.pieces ?? 0) >= 3")
        film = (await p.state())["film"]["current"]["id"]
        await p.page.reload()
        await p.until("document.getElementById('film-kept').textContent.includes('unfinished')")
        await p.page.click("#start-films")
        assert await p.page.get_attribute(".films-list li", "data-film") == film
        assert "Unfinished" in await p.text(".film-mark")
        await p.page.click(".film-play")
        await p.until("document.querySelector('#film-player')?.readyState >= 2")
        lasts = await p.page.evaluate("document.querySelector('#film-player').duration")
        assert 1.0 < lasts < 10
        await p.page.click("#films .plain")
        # The server learns of it with the next connection.
        await p.page.click("#go")
        for _ in range(200):
            if any(m["do"] == "lost" and m["film"] == film for m in p.server.films):
                break
            await asyncio.sleep(0.03)
        else:
            raise AssertionError(f"never told: {p.server.films}")


FULL = """
const put = IDBObjectStore.prototype.put;
let pieces = 0;
IDBObjectStore.prototype.put = function (value) {
  if (this.name === "pieces" && ++pieces > 1) {
    this.transaction.abort = undefined;
    throw new DOMException("full", "QuotaExceededError");
  }
  return put.call(this, value);
};
"""


@pytest.mark.parametrize(
    ("script", "says"),
    [
        (FULL, "storage is full"),
        ("Object.defineProperty(window, 'indexedDB', { value: undefined });", "keeps no films"),
    ],
    ids=["full", "none"],
)
async def test_a_film_that_cannot_be_kept_is_held_and_offered(script: str, says: str) -> None:
    async with phone(args=CAMERA, script=settings(0) + script) as p:
        p.server.guidance = said(SQUARE, LOCKED)
        await p.start()
        await p.until_kind("ready")
        await p.page.click("#film-go")
        await p.until(f"teesquare.state().shown.say.includes({says!r})")
        await p.until("(teesquare.state().film.current?.pieces ?? 0) >= 3")
        await p.page.click("#film-go")
        await p.until("teesquare.state().film.phase === 'idle'")
        await p.page.click("#film-open")
        assert "Only in memory" in await p.text(".films-list")
        await p.page.click(".film-play")
        await p.until("document.querySelector('#film-player')?.readyState >= 2")
        lasts = (await p.state())["film"]["last"]["lasts_s"]
        played = await p.page.evaluate("document.querySelector('#film-player').duration")
        assert played == pytest.approx(lasts, abs=0.6)


@pytest.mark.alone  # a crowded machine's camera does not give 60 pictures a second
@pytest.mark.parametrize("fps", [20, 60])
async def test_rate_and_exposure_are_what_the_camera_gives(fps: int) -> None:
    """Chromium's made camera gives a known rate, exposed for 50 units of 100 us (Image Capture)."""
    camera = (f"{CAMERA[0]}=fps={fps}", CAMERA[1])
    async with phone(args=camera, script=settings(0)) as p:
        p.server.guidance = said(SQUARE, LOCKED)
        await p.start()
        await p.until_kind("ready")
        await p.page.click("#film-go")
        await p.until_kind("filming")
        await asyncio.sleep(3)
        told = (await p.state())["film"]["said"]["camera"]
        await p.page.click("#film-go")
        await p.until("teesquare.state().film.phase === 'idle'")
        kept = (await p.state())["film"]["last"]["camera"]
        for camera_told in (told, kept):
            assert camera_told["measured_fps"] == pytest.approx(fps, rel=0.1)
            assert camera_told["exposure_s"] == pytest.approx(0.005)
        print(f"\nrate {kept['measured_fps']} of {fps}, exposure {kept['exposure_s']} s")
