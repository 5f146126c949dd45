"""The Chromium that every browser test launches."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

from playwright.async_api import Browser, Page, Playwright, async_playwright

from tests.setup_browser import find_chromium, find_windowless

# Looked for once, on import: the search may use Playwright's blocking interface, which refuses to
# work inside a running loop. None leaves the choice, and the complaint, to Playwright.
_WHOLE, _WINDOWLESS = find_chromium(), find_windowless()


_shelf: Shelf | None = None


class Shelf:
    """Browsers that are left open for the tests to come, by their switches."""

    def __init__(self, stack: AsyncExitStack) -> None:
        self._stack = stack
        self._playwright: Playwright | None = None
        self._browsers: dict[tuple[str, ...], Browser] = {}
        self._taken: set[tuple[str, ...]] = set()

    @asynccontextmanager
    async def browser(self, args: tuple[str, ...]) -> AsyncIterator[Browser]:
        """One that nobody uses; what was opened in it is closed with the context."""
        if args in self._taken:
            async with _launched(args) as browser:
                yield browser
            return
        if self._playwright is None:
            self._playwright = await self._stack.enter_async_context(async_playwright())
        browser = self._browsers.get(args)
        if browser is None or not browser.is_connected():
            browser = await _launch(self._playwright, args)
            self._stack.push_async_callback(browser.close)
            self._browsers[args] = browser
        self._taken.add(args)
        try:
            yield browser
        finally:
            self._taken.discard(args)
            for context in browser.contexts:
                await context.close()


@asynccontextmanager
async def kept() -> AsyncIterator[None]:
    """Until its end, `chromium` launches one browser for all who ask for the same switches.

    They share the event loop as well, and nothing else: each has contexts of its own.
    """
    global _shelf
    async with AsyncExitStack() as stack:
        _shelf = Shelf(stack)
        try:
            yield
        finally:
            _shelf = None


@asynccontextmanager
async def chromium(*args: str, whole: bool = False) -> AsyncIterator[Browser]:
    """A headless browser with these further switches, empty, closed or emptied with the context.

    `whole`: the browser that people have, of its own; else the build without windows.
    """
    own = whole or _shelf is None
    async with _launched(args, whole) if own else _shelf.browser(args) as browser:
        yield browser


@asynccontextmanager
async def _launched(args: tuple[str, ...], whole: bool = False) -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        browser = await _launch(playwright, args, whole)
        try:
            yield browser
        finally:
            await browser.close()


async def _launch(playwright: Playwright, args: tuple[str, ...], whole: bool = False) -> Browser:
    path = _WHOLE if whole else _WINDOWLESS
    return await playwright.chromium.launch(executable_path=path, args=["--no-sandbox", *args])


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
