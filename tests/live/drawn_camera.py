"""A browser whose camera is drawn anew for wherever the phone stands, so that a person can move it.

The page is as on a phone: its own camera code, tilt events, WebRTC, the real server. Only what the
browser calls a camera is a canvas, filled with pictures of the drawn ground (`server.demo.scene`).
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import asdict
from functools import partial

import cv2
import numpy as np
from aiohttp import web
from playwright.async_api import Page

from server.access import public
from server.config import ServerConfig
from server.demo.geometry import Laid, Pose, gravity
from server.demo.scene import Scene, render
from server.serve import RunningServer, running
from tests.chromium import chromium

BIAS_MPS2 = (0.03, 0.05, -0.06)  # the tilt sensor's fixed error, about 0.4 degrees
NOISE_MPS2 = 0.02

CAMERA = """
(() => {
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [1280, 720];
  const context = canvas.getContext("2d");
  const stand = window.stand = { drawn: 0, gravity: [0, 9.8, 0] };
  let begun = false;
  const draw = async () => {
    try {
      const answer = await fetch(`/drawn/frame?n=${stand.drawn}`);
      stand.gravity = JSON.parse(answer.headers.get("X-Gravity"));
      stand.number = Number(answer.headers.get("X-Stand"));
      context.drawImage(await createImageBitmap(await answer.blob()), 0, 0);
      stand.drawn += 1;
    } catch { /* the page is closing */ }
    setTimeout(draw, 30);
  };
  navigator.mediaDevices.getUserMedia = async () => {
    if (!begun) { begun = true; draw(); }
    const stream = canvas.captureStream(15);
    const [track] = stream.getVideoTracks();
    Object.defineProperty(track, "label", { value: "camera2 0, facing back" });
    return stream;
  };
  const noise = () =>
    NOISE * Math.sqrt(-2 * Math.log(1 - Math.random())) * Math.cos(6.2832 * Math.random());
  setInterval(() => {
    const event = new Event("devicemotion");
    const [x, y, z] = stand.gravity.map((g, k) => g + BIAS[k] + noise());
    event.accelerationIncludingGravity = { x, y, z };
    window.dispatchEvent(event);
  }, 60);
})();
""".replace("NOISE", str(NOISE_MPS2)).replace("BIAS", json.dumps(BIAS_MPS2))


class Ground:
    """Where the rods lie and the phone stands. Set `pose` to move it."""

    def __init__(self, laid: Laid, pose: Pose) -> None:
        self.laid, self._pose = laid, pose
        self.stands = 0

    @property
    def pose(self) -> Pose:
        return self._pose

    @pose.setter
    def pose(self, pose: Pose) -> None:
        self._pose = pose
        self.stands += 1

    def add_routes(self, app: web.Application) -> None:
        app.add_routes([web.get("/drawn/frame", self.frame)])

    @public("a drawn practice ground, in tests only")
    async def frame(self, request: web.Request) -> web.Response:
        pose, laid, stand = self._pose, self.laid, self.stands
        number = int(request.query["n"])
        loop = asyncio.get_running_loop()
        jpeg = await loop.run_in_executor(None, partial(_drawn, laid, pose, number))
        headers = {"X-Gravity": json.dumps(gravity(pose, laid)), "X-Stand": str(stand)}
        return web.Response(body=jpeg, content_type="image/jpeg", headers=headers)


def _drawn(laid: Laid, pose: Pose, number: int) -> bytes:
    done, jpeg = cv2.imencode(
        ".jpg", render(Scene(laid=laid), pose, number), [cv2.IMWRITE_JPEG_QUALITY, 90]
    )
    assert done
    return np.asarray(jpeg).tobytes()


@asynccontextmanager
async def page_on_ground(
    ground: Ground, size: tuple[int, int] = (390, 844), script: str = ""
) -> AsyncIterator[tuple[RunningServer, Page]]:
    """Yields (server, page); the page is not opened yet."""
    flags = ("--use-fake-ui-for-media-stream", "--allow-loopback-in-peer-connection")
    config = ServerConfig()
    async with (
        running(config, ground.add_routes) as server,
        chromium(*flags, whole=True) as browser,
    ):
        context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = await context.new_page()
        await page.add_init_script(CAMERA + script)
        yield server, page


WAYS = {
    "left": ("offset_m", -1),
    "right": ("offset_m", 1),
    "forward": ("distance_m", -1),
    "back": ("distance_m", 1),
    "up": ("height_m", 1),
    "down": ("height_m", -1),
    "turn-left": ("yaw_rad", -1),
    "turn-right": ("yaw_rad", 1),
    "tilt-up": ("pitch_rad", 1),
    "tilt-down": ("pitch_rad", -1),
    "clockwise": ("roll_rad", 1),
    "counterclockwise": ("roll_rad", -1),
}
UNITS = {"cm": 0.01, "m": 1.0, "deg": math.radians(1.0), "°": math.radians(1.0)}


class Person:
    """Does what the page shows, as people do: nine tenths of it, give or take."""

    def __init__(self, ground: Ground, seed: int) -> None:
        self.ground = ground
        self.rng = np.random.default_rng(seed)
        self.did: list[str] = []

    def obey(self, shown: dict) -> bool:
        """One instruction as it stands on the page; False where it asks for no move."""
        way = WAYS.get(shown["arrow"])
        if way is None or not shown["number"]:
            return False
        name, sign = way
        told = float(shown["number"]) * UNITS[shown["unit"]]
        sloppy = 0.01 if name.endswith("_m") else math.radians(0.15)
        step = sign * 0.9 * told + float(self.rng.normal(0, sloppy))
        pose = asdict(self.ground.pose)
        pose[name] += step
        self.ground.pose = Pose(**pose)
        self.did.append(f"{shown['arrow']} {shown['number']} {shown['unit']}")
        return True
