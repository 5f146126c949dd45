"""The demo's page in a real Chromium, against the real server, with the simulated phone moved."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from playwright.async_api import Page

from server.config import ServerConfig
from server.demo import ground
from server.demo.command import page_address
from server.demo.routes import DEFAULT_SEED, add_routes
from server.serve import running
from tests.chromium import chromium


@asynccontextmanager
async def demo_page(
    width: int = 1100,
    height: int = 900,
    scale: float = 1,
    locale: str = "en-GB",
    script: str = "",
) -> AsyncIterator[Page]:
    """The page after its one tap; `script` runs in it before its own.

    Ends with an error if the page's own code raised one.
    """
    await asyncio.to_thread(ground.textures, DEFAULT_SEED)
    async with running(ServerConfig(), add_routes) as server, chromium() as browser:
        viewport = {"width": width, "height": height}
        page = await browser.new_page(viewport=viewport, device_scale_factor=scale, locale=locale)
        if script:
            await page.add_init_script(script)
        page.set_default_timeout(30_000)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        await page.goto(page_address(server))
        await page.click("#go")
        await page.wait_for_selector("#demo-hand")
        yield page
        assert not errors


async def put_phone(page: Page, **pose: float) -> None:
    """Set the named sliders."""
    for name, value in pose.items():
        await page.locator(f"#demo-{name}").fill(str(value))


async def slider(page: Page, name: str) -> float:
    """Where a slider stands."""
    return float(await page.locator(f"#demo-{name}").input_value())
