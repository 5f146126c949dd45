"""The demo's own addresses: rendered pictures and the simulated phone's script."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Mapping
from enum import StrEnum
from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from aiohttp import web

from server.access import public
from server.demo.geometry import START, Camera, Laid, Pose
from server.demo.scene import Scene, render
from server.problems import Problem
from server.static import web_file
from vision.setup import Handed, View

JPEG_QUALITY = 88
DEFAULT_SEED = 1

# Query name -> least, most, default. Degrees outside, radians inside.
_RANGES: dict[str, tuple[float, float, float]] = {
    "offset_m": (-2.0, 2.0, START.offset_m),
    "distance_m": (0.6, 8.0, START.distance_m),
    "height_m": (0.2, 2.2, START.height_m),
    "yaw_deg": (-40.0, 40.0, math.degrees(START.yaw_rad)),
    "pitch_deg": (-80.0, 30.0, math.degrees(START.pitch_rad)),
    "roll_deg": (-25.0, 25.0, math.degrees(START.roll_rad)),
    "n": (0, 1e9, 0),
}

_Choice = TypeVar("_Choice", bound=StrEnum)


def add_routes(app: web.Application) -> None:
    """Give the server what the page needs with `?demo=1`."""
    app.add_routes([web.get("/demo/frame", _frame), web.get("/demo/phone.js", _script)])


@public("one of the page's own files")
async def _script(request: web.Request) -> web.Response:
    return web_file("demo/phone.js")


@public("a drawn practice ground, in the demo only: no camera, nothing of anybody")
async def _frame(request: web.Request) -> web.Response:
    """One rendered picture as JPEG; drawn in a thread, because it takes tens of milliseconds."""
    scene, pose, number = asked(request.query)
    loop = asyncio.get_running_loop()
    jpeg = await loop.run_in_executor(None, partial(_draw, scene, pose, number))
    return web.Response(body=jpeg, content_type="image/jpeg")


def asked(query: Mapping[str, str]) -> tuple[Scene, Pose, int]:
    """What a query asks for. Raises Problem 400 naming the value and the limits."""
    v = {name: _number(query, name) for name in _RANGES}
    pose = Pose(
        v["offset_m"],
        v["distance_m"],
        v["height_m"],
        math.radians(v["yaw_deg"]),
        math.radians(v["pitch_deg"]),
        math.radians(v["roll_deg"]),
    )
    laid = Laid(
        _choice(query, "view", View, View.FACE_ON),
        _choice(query, "handed", Handed, Handed.RIGHT),
    )
    camera = Camera().turned(query.get("upright") == "1")
    return Scene(laid=laid, camera=camera, seed=DEFAULT_SEED), pose, int(v["n"])


def _number(query: Mapping[str, str], name: str) -> float:
    least, most, default = _RANGES[name]
    try:
        value = float(query.get(name, default))
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise Problem(
            400,
            "Bad Request",
            f"{name}={query.get(name, '')[:40]} cannot be drawn: give {least:g} to {most:g}.",
        )
    return value


def _choice(query: Mapping[str, str], name: str, kind: type[_Choice], default: _Choice) -> _Choice:
    try:
        return kind(query.get(name, default.value))
    except ValueError:
        known = ", ".join(member.value for member in kind)
        raise Problem(
            400, "Bad Request", f"{name}={query[name][:40]} is not known: give one of {known}."
        ) from None


def _draw(scene: Scene, pose: Pose, number: int) -> bytes:
    picture = render(scene, pose, number)
    done, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    assert done
    return np.asarray(jpeg).tobytes()
