"""A real Chromium on the real page, with what a test wants to see of it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from playwright.async_api import Page

from tests.chromium import chromium
from tests.web.fake_server import TOKEN, FakeServer

CAMERA = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
PORTRAIT = (390, 844)
LANDSCAPE = (844, 390)


@dataclass
class Phone:
    """One page and everything it said or asked for."""

    page: Page
    url: str
    server: FakeServer
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    async def open(self, path: str = "/", token: str | None = TOKEN) -> None:
        await self.page.goto(self.url + path + (f"#t={token}" if token else ""))
        await self.until("document.body.dataset.screen !== undefined")

    async def start(self) -> None:
        await self.open()
        await self.page.click("#go")

    async def state(self) -> dict[str, Any]:
        state: dict[str, Any] = await self.page.evaluate("teesquare.state()")
        return state

    async def until(self, expression: str, seconds: float = 15) -> None:
        # Not page.wait_for_function: it evaluates inside the page, which the CSP forbids.
        deadline = time.monotonic() + seconds
        while not await self.page.evaluate(expression):
            if time.monotonic() > deadline:
                shown = await self.page.evaluate("document.body.innerText")
                raise AssertionError(f"not within {seconds} s: {expression}\nshown: {shown}")
            await asyncio.sleep(0.03)

    async def until_kind(self, kind: str, seconds: float = 15) -> None:
        await self.until(f"teesquare.state().shown?.kind === {kind!r}", seconds)

    async def sent(self, kind: str, seq: int) -> dict[str, Any]:
        """The page's message of a kind (`aims`, `places`) with this number, once it has come."""
        for _ in range(200):
            came: list[dict[str, Any]] = getattr(self.server, kind)
            if came and came[-1]["seq"] == seq:
                return came[-1]
            await asyncio.sleep(0.03)
        raise AssertionError(f"no number {seq} of {kind}: {came}")

    async def text(self, selector: str) -> str:
        return await self.page.inner_text(selector)


@asynccontextmanager
async def phone(
    *,
    args: Sequence[str] = CAMERA,
    size: tuple[int, int] = PORTRAIT,
    script: str = "",
    host: str = "127.0.0.1",
    whole: bool = False,
    **context: Any,
) -> AsyncIterator[Phone]:
    """A fake server and a browser on it. `script` runs in the page before its own.

    `whole`: with the prompts for permission and the sensors that people's browser has.
    """
    server = FakeServer()
    url = (await server.start()).replace("127.0.0.1", host)
    try:
        async with chromium(*args, whole=whole) as browser:
            viewport = {"width": size[0], "height": size[1]}
            opened = await browser.new_context(viewport=viewport, **context)
            page = await opened.new_page()
            seen = Phone(page, url, server)
            page.on("console", lambda m: m.type == "error" and seen.errors.append(m.text))
            page.on("pageerror", lambda e: seen.errors.append(str(e)))
            page.on("request", lambda r: seen.requests.append(r.url))
            if script:
                await page.add_init_script(script)
            yield seen
    finally:
        await server.stop()
