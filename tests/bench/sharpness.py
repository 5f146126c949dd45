"""How soon a browser's picture is sharp: seconds from its offer until the detail has arrived.

A real Chromium plays a drawn picture to the real server. "Sharp" is the received picture at its
full size with at least SHARE of the detail that the same picture has when the stream has settled;
detail is the mean squared Laplacian of the luma (the focus measure of Pech-Pacheco et al.,
"Diatom autofocusing in brightfield microscopy", ICPR 2000), without the sensor's noise, which the
codec takes away first.
"""

import asyncio
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from server.app import SESSIONS
from server.demo.geometry import Laid, Pose
from server.demo.scene import Scene
from server.planes import frame_from_video
from tests.clips import ClipFrame, write_clip
from tests.live.browser import begin, page_on_clip
from vision.setup import View

SHARE = 0.8
WATCH_S = 8.0
SETTLED_S = 5.0
EVERY_S = 0.03


def detail(luma: np.ndarray) -> float:
    """Mean squared Laplacian of a luma plane, smoothed by a pixel."""
    smooth = cv2.GaussianBlur(luma, (0, 0), 1.0).astype(np.float32)
    return float(np.mean(cv2.Laplacian(smooth, cv2.CV_32F) ** 2))


async def sharp_after_s() -> dict:
    """Seconds from the offer to a picture, to one of full size, to a sharp one (None: never)."""
    scene = Scene(laid=Laid(view=View.FACE_ON))
    pose = Pose(offset_m=0.1)
    frames = [ClipFrame(n, "stay", pose) for n in range(30)]
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "stay.mjpeg"
        write_clip(clip, frames, scene, 30)
        async with page_on_clip(clip, frames, scene.laid) as (server, page):
            await begin(page, server, View.FACE_ON)
            seen: list[tuple[float, int, float]] = []
            last = None
            end_s = time.monotonic() + WATCH_S
            while time.monotonic() < end_s:
                for session in server.app[SESSIONS]:
                    latest = session.latest
                    if latest is not None and latest is not last:
                        last = latest
                        picture = latest.arrived.picture
                        at_s = time.monotonic() - session._born_s
                        sharp = detail(frame_from_video(picture).y)
                        seen.append((at_s, picture.width, sharp))
                await asyncio.sleep(EVERY_S)
    full = max((width for _, width, _ in seen), default=0)
    settled = [sharp for at_s, width, sharp in seen if at_s > SETTLED_S and width == full]
    wanted = SHARE * float(np.median(settled)) if settled else np.inf
    return {
        "first_picture_s": _from_on(seen, lambda width, sharp: True),
        "full_size_s": _from_on(seen, lambda width, sharp: width == full),
        "sharp_after_s": _from_on(seen, lambda width, sharp: width == full and sharp >= wanted),
        "received_width": full,
    }


def _from_on(seen, good) -> float | None:
    """The time from which on every picture is good."""
    since = None
    for at_s, width, sharp in seen:
        if not good(width, sharp):
            since = None
        elif since is None:
            since = at_s
    return None if since is None else round(since, 2)
