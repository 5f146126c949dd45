"""The whole path for real: clip -> Chromium's camera -> WebRTC -> server -> guidance -> page.

A camera starts half a metre left and turned 8 degrees, is slid, turned and levelled, and stays.
The pictures carry their number in the sky, so that what the page shows can be held against the
true pose of the very picture it shows.
"""

import asyncio
import time

import numpy as np
import pytest

from server.demo.geometry import Laid
from server.demo.scene import Scene
from tests.clips import READ_CODE_JS, walk_script, write_clip
from tests.live.browser import begin, page_on_clip
from vision.setup import Tolerance, View

pytestmark = pytest.mark.browser

LOOK = f"""() => {{
  const video = document.querySelector("video");
  const n = video && video.videoWidth ? ({READ_CODE_JS})(video) : null;
  return {{ n, now: performance.now(), ...teesquare.state() }};
}}"""


@pytest.mark.timeout(300)
@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
async def test_the_page_guides_a_moving_camera_square(view, tmp_path, capsys):
    scene = Scene(laid=Laid(view=view))
    frames = walk_script(stay_s=8.0, far_s=6.0)
    clip = tmp_path / "walk.mjpeg"
    write_clip(clip, frames, scene)
    looks = []
    async with page_on_clip(clip, frames, scene.laid) as (server, page):
        await begin(page, server, view)
        end = time.monotonic() + 60
        while time.monotonic() < end:
            looks.append(await page.evaluate(LOOK))
            shown = looks[-1]["shown"] or {}
            if shown.get("kind") == "square" and len(looks) > 30:
                break
            await asyncio.sleep(0.05)
    check(looks, frames, view, capsys)


def check(looks, frames, view, capsys):
    tolerance = Tolerance()
    by_number = {f.number: f for f in frames}
    words, offset_errors, yaw_errors = {}, [], []
    since = None
    for look in looks:
        frame, guidance = by_number.get(look["n"]), look["guidance"]
        if frame is None:
            continue
        still = since is not None and since[0] == frame.phase and look["now"] - since[1] > 800
        if since is None or since[0] != frame.phase:
            since = (frame.phase, look["now"])
        shown = look["shown"] or {}
        if shown.get("kind") == "square":
            pose = frame.pose
            assert abs(pose.offset_m) <= tolerance.offset_m, "a false square"
            assert abs(pose.yaw_rad) <= tolerance.yaw_rad, "a false square"
            assert abs(pose.roll_rad) <= tolerance.roll_rad, "a false square"
        if still and frame.phase in ("far", "slid", "turned", "stay") and guidance:
            words.setdefault(frame.phase, []).append(guidance["advice"][0]["move"])
            if guidance["placement"]:
                placement = guidance["placement"]
                offset_errors.append(abs(placement["offset_m"] - frame.pose.offset_m))
                yaw_errors.append(abs(placement["yaw_deg"] - np.degrees(frame.pose.yaw_rad)))
    median_offset, median_yaw = np.median(offset_errors), np.median(yaw_errors)
    with capsys.disabled():
        print(
            f"\n{view.value}: offset error median {median_offset * 100:.1f} cm, "
            f"yaw {median_yaw:.2f} deg over {len(offset_errors)} looks"
        )
    assert (looks[-1]["shown"] or {}).get("kind") == "square"
    assert median_offset <= 0.03
    assert median_yaw <= 0.5
    usual = {phase: max(set(moves), key=moves.count) for phase, moves in words.items()}
    assert usual["far"] == "slide"
    assert usual["slid"] == "turn"
    assert usual["turned"] == "level"
