"""The Chromium that every browser test launches."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from playwright.async_api import Browser, Page, async_playwright

from tests.setup_browser import find_chromium

# Looked for once, on import: the search may use Playwright's blocking interface, which refuses to
# work inside a running loop. None leaves the choice, and the complaint, to Playwright.
_PATH = find_chromium()


@asynccontextmanager
async def chromium(*args: str) -> AsyncIterator[Browser]:
    """A headless browser with these further switches, closed with the context."""
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=_PATH, args=["--no-sandbox", *args]
        )
        try:
            yield browser
        finally:
            await browser.close()


async def until(page: Page, condition: str, seconds: float = 60) -> None:
    """Wait for a condition on `s`, what the page says of itself."""
    # Not wait_for_function: it needs eval in the page, which the page's policy forbids.
    try:
        async with asyncio.timeout(seconds):
            while not await page.evaluate(
                f"(() => {{ const s = teesquare.state(); return {condition}; }})()"
            ):
                await asyncio.sleep(0.1)
    except TimeoutError:
        last = await page.evaluate("JSON.stringify(teesquare.state())")
        raise AssertionError(f"not within {seconds} s: {condition}; the page says {last}") from None
