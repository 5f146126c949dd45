"""From a jump in the picture to the changed guidance on the page, through the real path."""

import asyncio
from dataclasses import replace

import numpy as np
import pytest

from server.demo.geometry import Laid, Pose
from server.demo.scene import Scene
from tests.chromium import until
from tests.clips import FPS, READ_CODE_JS, ClipFrame, write_clip
from tests.live.browser import begin, page_on_clip
from tests.live.crowding import Crowding
from vision.setup import View

pytestmark = pytest.mark.browser

STAY_S = 2.0
JUMPS = 8
LIMIT_MS = 250

WATCH = """
(READ) => {
  window.events = [];
  let side = null, told = null;
  const look = () => {
    const video = document.querySelector("video");
    const n = video && video.videoWidth ? READ(video) : null;
    if (n !== null) {
      const now = Math.floor(n / __COUNT__) % 2;
      if (side !== null && now !== side) window.events.push(["picture", performance.now(), now]);
      side = now;
    }
    const placement = teesquare.state().guidance?.placement;
    if (placement) {
      const now = placement.offset_m > 0 ? 1 : 0;
      if (told !== null && now !== told) window.events.push(["guidance", performance.now(), now]);
      told = now;
    }
    setTimeout(look, 8);
  };
  look();
}
""".replace("__COUNT__", str(round(STAY_S * FPS)))


@pytest.mark.timeout(300)
async def test_a_jump_is_told_within_a_quarter_of_a_second(tmp_path, capsys):
    """Median of all jumps at 15 pictures a second; what the page shows is the clock's start.

    Where other programs (the browser is one) keep the cores busy, the limit is stretched as they
    stretch the work.
    """
    scene = Scene(laid=Laid(view=View.FACE_ON))
    count = round(STAY_S * FPS)
    left, right = Pose(offset_m=-0.25), replace(Pose(), offset_m=0.25)
    frames = [
        ClipFrame(n, "left" if (n // count) % 2 == 0 else "right", (left, right)[(n // count) % 2])
        for n in range(2 * count)
    ]
    clip = tmp_path / "jumps.mjpeg"
    write_clip(clip, frames, scene)
    async with page_on_clip(clip, frames, scene.laid) as (server, page):
        await begin(page, server, View.FACE_ON)
        # The browser begins with a small picture and lets it grow.
        await until(page, "s.guidance?.placement && s.guidance.size[0] === 1280")
        await asyncio.sleep(STAY_S)
        crowding = Crowding()
        await page.evaluate(f"({WATCH})({READ_CODE_JS})")
        await asyncio.sleep(STAY_S * (JUMPS + 1))
        stretched = crowding.factor()
        events = await page.evaluate("window.events")
    waits = []
    for kind, at, side in events:
        if kind == "picture":
            later = [t for k, t, s in events if k == "guidance" and s == side and t >= at - 5]
            if later:
                waits.append(later[0] - at)
    with capsys.disabled():
        print(
            f"\njump to guidance: {np.round(sorted(waits))} ms, median {np.median(waits):.0f} ms, "
            f"cores shared {stretched:.1f} times"
        )
    assert len(waits) >= JUMPS - 2
    assert np.median(waits) <= LIMIT_MS * min(stretched, 1.5)
