"""The pictures of docs/screenshots, taken from the demo's own page.

python -m tests.demo.screenshots [NAME ...]
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from playwright.async_api import Page

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.chromium import chromium, until
from tests.demo.demo_page import demo_page, put_phone
from tests.server.fake_phones import clinic
from tests.server.live_phone import far_away

FOLDER = Path(__file__).parents[2] / "docs" / "screenshots"
OFF = {"offset_m": 0.22, "yaw_deg": -3.0, "roll_deg": 0.5}
LEVEL = {"offset_m": 0.0, "yaw_deg": 0.0, "roll_deg": 0.0}


@dataclass(frozen=True)
class Shot:
    """One picture: the page's size, where the simulated phone stands, what the page then says.

    Without `controls` the demo's own are taken off, so that the page is as on a real phone.
    """

    name: str
    size: tuple[int, int]
    pose: dict[str, float]
    says: str  # a condition on the page's state
    controls: bool = False
    upright: bool = False
    scale: float = 1.5
    press: str = ""  # what is pressed then, to show what it opens
    locale: str = "en-GB"


PLAIN = """
document.getElementById("demo-controls").hidden = true;
delete document.getElementById("live").dataset.demo;
"""
SAYS_SLIDE = "s.shown?.word === 'Slide left' && Math.abs(Number(s.shown.number) - 22) < 4"
SAYS_GERMAN = SAYS_SLIDE.replace("Slide left", "Nach links")
SAYS_SQUARE = "s.verdict === 'square'"
DEMO = Shot("demo", (1280, 800), OFF, SAYS_SLIDE, controls=True, scale=1)
PHONES = (
    Shot("phone-off", (390, 844), OFF, SAYS_SLIDE, upright=True),
    Shot("phone-square", (390, 844), LEVEL, SAYS_SQUARE, upright=True),
    Shot("phone-landscape", (844, 390), OFF, SAYS_SLIDE),
)
MORE = (
    Shot("start", (390, 844), OFF, SAYS_SLIDE, upright=True, press="#stop"),
    Shot("place", (390, 844), LEVEL, SAYS_SQUARE, upright=True, press="#place-open"),
    Shot("german", (390, 844), OFF, SAYS_GERMAN, upright=True, locale="de-DE"),
)


async def take(page: Page, shot: Shot, folder: Path) -> Path:
    """Put the simulated phone where the shot wants it, wait for the page's words, and save."""
    await put_phone(page, **shot.pose)
    await page.locator("#demo-upright").set_checked(shot.upright)
    await until(page, shot.says)
    if not shot.controls:
        await page.evaluate(PLAIN)
    if shot.press:
        await page.click(shot.press)
    await page.evaluate("scrollTo(0, 0); document.activeElement.blur()")
    path = folder / f"{shot.name}.png"
    save(await page.screenshot(), path)
    return path


def save(shot: bytes, path: Path) -> None:
    """Write a screenshot with six bits a colour: it looks the same and takes a third less."""
    picture = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_COLOR)
    coarse = np.round(np.round(picture * (63 / 255)) * (255 / 63)).astype(np.uint8)
    cv2.imwrite(str(path), coarse, [cv2.IMWRITE_PNG_COMPRESSION, 9])


async def take_board(folder: Path) -> Path:
    """The coach's board with a clinic of twelve made-up phones."""
    async with running(ServerConfig(analyse=far_away)) as server, chromium() as browser:
        page = await browser.new_page(viewport={"width": 1180, "height": 820})
        await page.goto(f"{server.url}/board#t={server.coach_token}")
        clinic(server.app[SESSIONS].board)
        await page.wait_for_selector(".phone:nth-child(12)")
        save(await page.screenshot(), folder / "board.png")
    return folder / "board.png"


async def main(folder: Path, names: Sequence[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for shot in (DEMO, *PHONES, *MORE):
        if not names or shot.name in names:
            async with demo_page(*shot.size, shot.scale, shot.locale) as page:
                path = await take(page, shot, folder)
            print(f"{path}: {path.stat().st_size / 1000:.0f} kB")
    if not names or "board" in names:
        print(await take_board(folder))


if __name__ == "__main__":
    asyncio.run(main(FOLDER, sys.argv[1:]))
