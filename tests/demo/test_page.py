"""The simulated phone inside the real page, in a real Chromium, against the real server."""

from __future__ import annotations

import cv2
import pytest

from tests.chromium import until
from tests.demo.demo_page import demo_page, put_phone, slider
from tests.demo.screenshots import DEMO, PHONES, take

pytestmark = pytest.mark.browser


@pytest.mark.timeout(240)
async def test_the_page_s_hand_ends_square() -> None:
    async with demo_page() as page:
        # Only with the simulated tilt sensor is the offset known this well.
        await until(page, "Math.abs(s.guidance?.placement?.offset_m + 0.5) < 0.04")
        first = await page.evaluate("teesquare.state().guidance")
        assert (first["advice"][0]["move"], first["advice"][0]["direction"]) == ("slide", "right")
        assert first["placement"]["roll_deg"] == pytest.approx(2.5, abs=1.0)
        await page.click("#demo-hand")
        await until(page, "s.verdict === 'square'", 120)
        assert abs(await slider(page, "offset_m")) <= 0.05
        assert abs(await slider(page, "yaw_deg")) <= 2
        assert abs(await slider(page, "roll_deg")) <= 2


async def test_keys_and_sliders_move_the_lens() -> None:
    async with demo_page() as page:
        await page.keyboard.press("d")
        await page.keyboard.press("q")
        assert await slider(page, "offset_m") == pytest.approx(-0.48)
        assert await slider(page, "yaw_deg") == pytest.approx(7.5)
        await put_phone(page, offset_m=0.3, yaw_deg=-4)
        await until(page, "s.guidance?.placement?.offset_m > 0.2")
        now = await page.evaluate("teesquare.state().guidance")
        assert now["advice"][0]["direction"] == "left"
        await page.get_by_text("Back to the start").click()
        assert await slider(page, "offset_m") == pytest.approx(-0.5)


async def test_the_documents_picture_can_be_taken_and_stays_small(tmp_path) -> None:
    async with demo_page(*DEMO.size) as page:
        path = await take(page, DEMO, tmp_path)
    assert cv2.imread(str(path)).shape == (DEMO.size[1], DEMO.size[0], 3)
    assert path.stat().st_size < 400_000


@pytest.mark.parametrize("shot", PHONES, ids=lambda shot: shot.name)
async def test_on_a_phone_s_screen_nothing_is_cut_off_or_overlaps(shot) -> None:
    async with demo_page(*shot.size) as page:
        await page.locator("#demo-upright").set_checked(shot.upright)
        await put_phone(page, **shot.pose)
        await until(page, "s.guidance?.placement")
        assert await page.evaluate("document.documentElement.scrollWidth") <= shot.size[0]
        await page.evaluate("scrollTo(0, 0)")
        parts = [".order", ".frame", "#strip", ".bar", "#demo-controls"]
        # All at one moment: the page's words change, and with them what lies below.
        boxes = await page.evaluate(
            """(parts) => Object.fromEntries(parts.map((part) => {
              const { x, y, width, height } = document.querySelector(part).getBoundingClientRect();
              return [part, { x, y, width, height }];
            }))""",
            parts,
        )
        values = page.locator(".demo-value")
        for i in range(await values.count()):
            box = await values.nth(i).bounding_box()
            assert box["x"] + box["width"] <= shot.size[0]
    for one, a in boxes.items():
        for other, b in boxes.items():
            apart = (
                a["x"] + a["width"] <= b["x"] + 1
                or b["x"] + b["width"] <= a["x"] + 1
                or a["y"] + a["height"] <= b["y"] + 1
                or b["y"] + b["height"] <= a["y"] + 1
            )
            assert one == other or apart, (one, a, other, b)
