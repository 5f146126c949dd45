"""The simulated phone inside the real page, in a real Chromium, against the real server."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from playwright.async_api import Page, async_playwright

from server.config import ServerConfig
from server.demo import ground
from server.demo.command import page_address
from server.demo.routes import DEFAULT_SEED, add_routes
from server.serve import running

pytestmark = pytest.mark.browser

CHROMIUM = os.environ.get("TEESQUARE_CHROMIUM", "/usr/bin/chromium")


@asynccontextmanager
async def _page() -> AsyncIterator[Page]:
    await asyncio.to_thread(ground.textures, DEFAULT_SEED)
    async with running(ServerConfig(), add_routes) as server, async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = await browser.new_page(viewport={"width": 1100, "height": 900})
        page.set_default_timeout(30_000)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        await page.goto(page_address(server))
        await page.click("#go")
        await page.wait_for_selector("#demo-hand")
        yield page
        await browser.close()
        assert not errors


async def _until(page: Page, condition: str, seconds: float = 60) -> None:
    """Wait for a condition on `s`, what the page says of itself."""
    # Not wait_for_function: it needs eval in the page, which the page's policy forbids.
    async with asyncio.timeout(seconds):
        while not await page.evaluate(
            f"(() => {{ const s = teesquare.state(); return {condition}; }})()"
        ):
            await asyncio.sleep(0.1)


@pytest.mark.timeout(240)
async def test_the_page_s_hand_ends_square() -> None:
    async with _page() as page:
        # Only with the simulated tilt sensor is the offset known this well.
        await _until(page, "Math.abs(s.guidance?.placement?.offset_m + 0.5) < 0.04")
        first = await page.evaluate("teesquare.state().guidance")
        assert (first["advice"][0]["move"], first["advice"][0]["direction"]) == ("slide", "right")
        assert first["placement"]["roll_deg"] == pytest.approx(2.5, abs=1.0)
        await page.click("#demo-hand")
        await _until(page, "s.verdict === 'square'", 120)
        left = {
            name: float(await page.locator(f"#demo-{name}").input_value())
            for name in ("offset_m", "yaw_deg", "roll_deg")
        }
        assert abs(left["offset_m"]) <= 0.05
        assert abs(left["yaw_deg"]) <= 2
        assert abs(left["roll_deg"]) <= 2


async def test_keys_and_sliders_move_the_lens() -> None:
    async with _page() as page:
        await page.keyboard.press("d")
        await page.keyboard.press("q")
        assert float(await page.locator("#demo-offset_m").input_value()) == pytest.approx(-0.48)
        assert float(await page.locator("#demo-yaw_deg").input_value()) == pytest.approx(7.5)
        await page.locator("#demo-offset_m").fill("0.3")
        await page.locator("#demo-yaw_deg").fill("-4")
        await _until(page, "s.guidance?.placement?.offset_m > 0.2")
        now = await page.evaluate("teesquare.state().guidance")
        assert now["advice"][0]["direction"] == "left"
        await page.get_by_text("Back to the start").click()
        assert float(await page.locator("#demo-offset_m").input_value()) == pytest.approx(-0.5)
