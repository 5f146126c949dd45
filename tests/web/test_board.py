"""The board in Chromium: twelve phones, keyboard, dialogs, two boards; and the phone's own side."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiohttp
import numpy as np
import pytest
from playwright.async_api import Page

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import RunningServer, running
from tests.chromium import chromium
from tests.server.fake_phones import FakeSession, clinic
from tests.server.live_phone import far_away, until
from tests.web.fake_server import OFF, SQUARE
from tests.web.page_driver import CAMERA

pytestmark = pytest.mark.browser

TABLET, LAPTOP = (1180, 820), (1366, 768)
ORDER = "[...document.querySelectorAll('.phone')].map((n) => n.dataset.need)"
RANKS = ["alarm", "gone", "lost", "off", "waiting", "near", "square", "left"]


@asynccontextmanager
async def board(
    size: tuple[int, int] = TABLET,
) -> AsyncIterator[tuple[RunningServer, Page, list[str]]]:
    async with running(ServerConfig(analyse=far_away)) as server, chromium(*CAMERA) as browser:
        context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = await context.new_page()
        errors: list[str] = []
        page.on("pageerror", lambda e: errors.append(str(e)))
        page.on("console", lambda m: m.type == "error" and errors.append(m.text))
        await page.goto(f"{server.url}/board#t={server.coach_token}")
        yield server, page, errors


async def see(page: Page, condition: str, seconds: float = 10) -> None:
    deadline = time.monotonic() + seconds
    while not await page.evaluate(condition):
        assert time.monotonic() < deadline, f"not within {seconds} s: {condition}"
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("size", [TABLET, LAPTOP], ids=["tablet", "laptop"])
async def test_twelve_phones_are_listed_by_need_and_fit_the_screen(
    size: tuple[int, int], tmp_path: Path
) -> None:
    async with board(size) as (server, page, errors):
        phones = clinic(server.app[SESSIONS].board)
        await see(page, "document.querySelectorAll('.phone').length === 12")
        await see(
            page,
            f"JSON.stringify({ORDER}.map((n) => {RANKS}.indexOf(n))) === "
            f"JSON.stringify({ORDER}.map((n) => {RANKS}.indexOf(n)).sort((a, b) => a - b))",
        )
        assert (await page.evaluate(ORDER))[:3] == ["alarm", "gone", "lost"]
        wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        assert await page.evaluate(wide), "the page scrolls sideways"
        # Words, a sign and a frame for each need: nothing rests on colour alone.
        looks = await page.evaluate(
            """[...document.querySelectorAll('.phone')].map((n) => [n.dataset.need,
              n.querySelector('.phone-word').textContent, getComputedStyle(n).border,
              getComputedStyle(n).boxShadow])"""
        )
        per_need = {
            need: (border.split(" rgb")[0], shadow != "none") for need, _, border, shadow in looks
        }
        assert all(word for _, word, _, _ in looks)
        assert len(set(per_need.values())) >= len(per_need) - 1, per_need
        small = await page.evaluate(
            """[...document.querySelectorAll('button:not([hidden]), select')].filter((n) =>
              n.offsetHeight < 44 && n.offsetHeight > 0).length"""
        )
        assert small == 0, "a target is under 44 px"
        await page.screenshot(path=tmp_path / "board.png", full_page=True)
        # A phone comes back and another one is square: the board follows without a reload.
        phones[9].present = True
        phones[9].guide(SQUARE)
        await see(page, f"!{ORDER}.includes('gone')")
        assert not errors


async def test_everything_can_be_done_by_keyboard_and_the_phone_is_told() -> None:
    async with board() as (server, page, errors):
        kept = server.app[SESSIONS].board
        one = FakeSession(kept, "a1a1a1a1", "3", "Ada")
        one.guide(OFF)
        one.ping()
        await see(page, "document.querySelectorAll('.phone').length === 1")
        # In the order in which they are seen: all phones' buttons, then the phone's own.
        order = []
        for _ in range(10):
            await page.keyboard.press("Tab")
            order.append(await page.evaluate("document.activeElement.id"))
        assert order.pop(0) == "board-films"
        assert order[:6] == ["all-setup", "all-call", "all-lock", "all-in", "all-start", "all-stop"]
        assert [name.split("-")[-1] for name in order[6:]] == ["picture", "setup", "call"]
        await page.keyboard.press("Enter")
        assert await page.evaluate("document.getElementById('ask').open")
        assert "Bay 3" in await page.inner_text("#ask-title")
        await page.fill("#ask-text", "20 cm left")
        await page.keyboard.press("Enter")
        await until(lambda: any(m["call"] for m in one.told))
        assert one.told[-1]["call"]["text"] == "20 cm left"
        assert await page.evaluate("document.activeElement.id.endsWith('-call')"), "focus is lost"
        one.ping()
        await page.keyboard.press("Shift+Tab")
        await page.keyboard.press("Enter")
        await page.fill("#ask-player", "Ada Lo")
        await page.select_option("#ask-view", "down-the-line")
        await page.fill("#ask-offset", "900")
        await page.keyboard.press("Enter")
        assert "1 to 50" in await page.inner_text("#ask .field-problem")
        await page.fill("#ask-offset", "3")
        await page.keyboard.press("Enter")
        await until(lambda: one.told[-1]["setup"] is not None)
        values = {"player": "Ada Lo", "view": "down-the-line", "tolerance": {"offset_m": 0.03}}
        assert one.told[-1]["setup"]["values"] == values
        one.ping()
        await page.click("#all-lock")
        await until(lambda: bool(one.told[-1]["locked"]))
        await see(page, "document.getElementById('all-lock').ariaPressed === 'true'")
        one.ping()
        await page.select_option("#all-in", "3")
        await page.click("#all-start")
        await until(lambda: one.told[-1]["film"] is not None)
        film = one.told[-1]["film"]
        assert film["do"] == "start"
        assert 2.0 < film["at_s"] - time.monotonic() <= 3.0
        assert not errors


async def test_a_picture_comes_only_on_request_and_never_from_a_phone_that_refuses() -> None:
    async with board() as (server, page, errors):
        kept = server.app[SESSIONS].board
        one, shy = (FakeSession(kept, f"a{k}a1a1a1", str(k), "") for k in (1, 2))
        asked: list[str] = []
        page.on("request", lambda r: "still" in r.url and asked.append(r.url))
        for phone, pictures in ((one, True), (shy, False)):
            phone.guide(OFF)
            phone.show(np.full((180, 320, 3), 90, np.uint8))
            phone.ping(pictures)
        await see(page, "document.querySelectorAll('.phone').length === 2")
        await asyncio.sleep(0.5)
        assert not asked
        # By the bay: equal needs may stand in either order.
        picture = {
            bay: page.locator(".phone", has_text=f"Bay {bay}").locator(
                ".phone-do button:first-child"
            )
            for bay in (1, 2)
        }
        one.show(np.full((180, 320, 3), 90, np.uint8))  # a slow start must not have made it old
        await picture[1].click()
        await see(page, "document.getElementById('ask-image').naturalWidth === 320")
        await page.click("#ask-close")
        await picture[2].click()
        await see(
            page,
            "document.querySelector('#ask [role=status]').textContent.includes('switched off')",
        )
        assert await page.evaluate("document.getElementById('ask-image').hidden")
        assert len(asked) == 2
        assert [e for e in errors if "403" not in e] == []


async def test_two_boards_agree_and_a_server_that_is_gone_is_said() -> None:
    async with board() as (server, page, _):
        kept = server.app[SESSIONS].board
        second = await page.context.new_page()
        await second.goto(f"{server.url}/board#t={server.coach_token}")
        clinic(kept)
        for one in (page, second):
            await see(one, "document.querySelectorAll('.phone').length === 12")
        ids = "[...document.querySelectorAll('.phone')].map((n) => n.dataset.phone).join()"
        await asyncio.sleep(2.2)
        assert await page.evaluate(ids) == await second.evaluate(ids)
        await second.goto(f"{server.url}/board")  # a tab that has had its key keeps it
        await see(second, "document.querySelectorAll('.phone').length === 12")
        await second.evaluate("sessionStorage.clear()")
        await second.reload()
        await see(second, "document.getElementById('board-said').textContent.includes('key')")
        await server.stop()
        await see(page, "document.getElementById('board-said').dataset.away === 'true'", 12)


async def test_the_phone_does_what_the_coach_asks_and_tells_its_clock() -> None:
    async with (
        running(ServerConfig(analyse=far_away)) as server,
        chromium(*CAMERA, "--allow-loopback-in-peer-connection") as browser,
    ):
        page = await (await browser.new_context(viewport={"width": 390, "height": 844})).new_page()
        headers = {"Authorization": f"Bearer {server.coach_token}"}
        kept = server.app[SESSIONS].board
        await page.goto(server.page_url)
        await page.click("#go")
        await until(lambda: bool(kept.states()))
        (state,) = kept.states()
        async with aiohttp.ClientSession(server.url, headers=headers) as http:
            wish = {
                "phones": [state.id],
                "setup": {"view": "down-the-line", "player": "Ada", "tolerance": {"yaw_deg": 1}},
                "call": "Bay 1: 20 cm left",
                "locked": True,
            }
            async with http.post("/board/control", json=wish) as answer:
                assert answer.status == 200
            await until(lambda: not kept.states()[0].pending)
            assert await page.inner_text("#call-text") == "Bay 1: 20 cm left"
            settings = await page.evaluate("teesquare.state().settings")
            assert settings["view"] == "down-the-line"
            assert (settings["player"], settings["bay"]) == ("Ada", "1")
            assert (settings["tolerance"]["yaw_deg"], settings["tolerance"]["offset_m"]) == (
                1,
                0.05,
            )
            assert await page.evaluate("document.getElementById('live-settings').disabled")
            await until(lambda: kept.states()[0].view == "down-the-line")
            assert kept.states()[0].locked and kept.states()[0].pictures
            # Changed back by hand, the page reloaded: the old wish is not done again.
            async with http.post(
                "/board/control", json={"phones": "all", "locked": False}
            ) as answer:
                assert answer.status == 200
            await see(page, "!document.getElementById('live-settings').disabled")
            await page.click("#call-done")
            await page.click("#live-settings")
            await page.click("label[for=set-view-face-on]")
            await page.reload()
            await page.click("#go")
            await until(
                lambda: kept.states()[0].view == "face-on" and kept.states()[0].need != "left"
            )
            await asyncio.sleep(0.8)
            (again,) = kept.states()
            assert (again.id, again.bay, again.view) == (state.id, "1", "face-on")
        # Both sides know the other's clock, within their bounds, on one machine.
        phone = kept.find(state.id)
        assert phone is not None
        found = kept.clock_of(phone)
        assert found is not None
        low_s = time.monotonic()
        page_ms = await page.evaluate("performance.now()")
        high_s = time.monotonic()
        assert low_s - found.bound_s <= found.server_s(page_ms / 1e3) <= high_s + found.bound_s
        assert found.bound_s < 0.05
        theirs = await page.evaluate("teesquare.state().coach.clock")
        assert abs(theirs["offsetS"] - found.offset_s) <= theirs["boundS"] + found.bound_s
