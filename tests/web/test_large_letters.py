"""The page with letters at twice their size: nothing is broken, nothing out of reach."""

from __future__ import annotations

import copy

import pytest

from tests.web.fake_server import NOT_FOUND, OFF
from tests.web.page_driver import CAMERA, LANDSCAPE, PORTRAIT, Phone, phone

pytestmark = pytest.mark.browser

TWICE = "--blink-settings=defaultFontSize=32"  # WCAG 2.2, 1.4.4: text can be resized to 200 %
BROKEN = """(() => {
  const broken = [];
  for (const button of document.querySelectorAll(".bar button")) {
    const text = button.firstChild;
    for (const word of text.data.matchAll(/\\S+/g)) {
      const range = new Range();
      range.setStart(text, word.index);
      range.setEnd(text, word.index + word[0].length);
      if (range.getClientRects().length > 1) broken.push(word[0]);
    }
  }
  return broken;
})()"""


async def nothing_is_cut(p: Phone) -> None:
    wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    assert await p.page.evaluate(wide), "the page scrolls sideways"
    assert await p.page.evaluate(BROKEN) == []
    # The instruction is what is seen first, wherever the page had been scrolled to before.
    for name in ("sign", "word"):
        box = f"document.getElementById({name!r}).getBoundingClientRect()"
        assert await p.page.evaluate(f"{box}.top >= 0 && {box}.bottom <= innerHeight"), name


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_with_letters_twice_as_large_the_page_still_works(size: tuple[int, int]) -> None:
    async with phone(args=(*CAMERA, TWICE), size=size, locale="de-DE") as p:
        await p.start()  # Start lies below the fold: the page had to be scrolled
        await p.until_kind("off")
        assert await p.page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") == 32
        await nothing_is_cut(p)
        p.server.guidance = copy.deepcopy(NOT_FOUND)
        await p.until_kind("not-found")
        await nothing_is_cut(p)
        p.server.guidance = copy.deepcopy(OFF)
        await p.until_kind("off")
        await p.page.click("#notes-open")  # nothing covers a button
        await p.until("document.getElementById('notes').open")
        await p.page.click("#notes .plain, #notes button")
        await p.until("scrollY === 0")
        await nothing_is_cut(p)
