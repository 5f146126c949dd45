"""The pictures of docs/screenshots, taken from the demo's own page.

python -m tests.demo.screenshots [FOLDER]
"""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from playwright.async_api import Page

from tests.chromium import until
from tests.demo.demo_page import demo_page, put_phone

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


PLAIN = """
document.getElementById("demo-controls").hidden = true;
delete document.getElementById("live").dataset.demo;
"""
SAYS_SLIDE = "s.shown?.word === 'Slide left' && Math.abs(Number(s.shown.number) - 22) < 4"
SAYS_SQUARE = "s.verdict === 'square'"
DEMO = Shot("demo", (1280, 800), OFF, SAYS_SLIDE, controls=True, scale=1)
PHONES = (
    Shot("phone-off", (390, 844), OFF, SAYS_SLIDE, upright=True),
    Shot("phone-square", (390, 844), LEVEL, SAYS_SQUARE, upright=True),
    Shot("phone-landscape", (844, 390), OFF, SAYS_SLIDE),
)


async def take(page: Page, shot: Shot, folder: Path) -> Path:
    """Put the simulated phone where the shot wants it, wait for the page's words, and save."""
    await put_phone(page, **shot.pose)
    await page.locator("#demo-upright").set_checked(shot.upright)
    await until(page, shot.says)
    if not shot.controls:
        await page.evaluate(PLAIN)
    await page.evaluate("scrollTo(0, 0); document.activeElement.blur()")
    path = folder / f"{shot.name}.png"
    picture = cv2.imdecode(np.frombuffer(await page.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    # Six bits a colour look the same and take a third less than what the browser writes.
    coarse = np.round(np.round(picture * (63 / 255)) * (255 / 63)).astype(np.uint8)
    cv2.imwrite(str(path), coarse, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    return path


async def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for shot in (DEMO, *PHONES):
        async with demo_page(*shot.size, shot.scale) as page:
            path = await take(page, shot, folder)
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER))
