"""Clips of known pose for a browser's fake camera, with a code in the sky that names each frame.

Chromium plays an .mjpeg file at 30 pictures a second, whatever they were made for, and begins
anew at its end (media/capture/video/file_video_capture_device.cc); each picture is therefore
written twice for a clip of 15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from server.demo.geometry import START, Pose
from server.demo.scene import Scene, render

FPS = 15
PLAYED_FPS = 30
CELL = (40, 24)  # width, height in pixels of a picture 1280 wide
BITS = 10
QUALITY = 80
GRAINS = 8  # a lens that stands still sees so many different noises in turn


@dataclass(frozen=True)
class ClipFrame:
    """What is true of one picture of a clip; `phase` as in `walk_script`."""

    number: int
    phase: str
    pose: Pose


def walk_script(start: Pose = START, stay_s: float = 5.0, far_s: float = 2.0) -> list[ClipFrame]:
    """Starts 50 cm left, turned 8° and rolled; is slid, turned and levelled to square; stays."""
    slid = replace(start, offset_m=0.0)
    turned = replace(slid, yaw_rad=0.0)
    square = replace(turned, roll_rad=0.0)
    plan = [
        ("far", start, start, far_s),
        ("slide", start, slid, 2.0),
        ("slid", slid, slid, 1.5),
        ("turn", slid, turned, 1.2),
        ("turned", turned, turned, 1.5),
        ("level", turned, square, 0.8),
        ("stay", square, square, stay_s),
    ]
    frames: list[ClipFrame] = []
    for phase, begin, end, seconds in plan:
        count = round(seconds * FPS)
        for i in range(count):
            # Eased, as a hand moves: slow, quick, slow.
            share = 0.5 - 0.5 * math.cos(math.pi * (i + 1) / count)
            frames.append(ClipFrame(len(frames), phase, between(begin, end, share)))
    return frames


def between(a: Pose, b: Pose, share: float) -> Pose:
    def mix(name: str) -> float:
        return float(getattr(a, name) + share * (getattr(b, name) - getattr(a, name)))

    return Pose(**{name: mix(name) for name in Pose.__slots__})


def write_clip(
    path: Path, frames: list[ClipFrame], scene: Scene | None = None, fps: int = FPS
) -> None:
    """Write `frames` as an .mjpeg file that Chromium plays at `fps` different pictures a second.

    `fps` must divide 30.
    """
    scene = scene or Scene()
    pose, drawn = None, {}
    with path.open("wb") as file:
        for frame in frames:
            if frame.pose != pose:
                pose, drawn = frame.pose, {}
            grain = frame.number % GRAINS
            if grain not in drawn:
                drawn[grain] = render(scene, frame.pose, grain)
            picture = stamp(drawn[grain].copy(), frame.number)
            done, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
            assert done
            file.write(jpeg.tobytes() * (PLAYED_FPS // fps))


def stamp(picture: np.ndarray, number: int) -> np.ndarray:
    """The picture with its number as black and white cells in the upper left corner, in place.

    White, black, ten bits (highest first), their complement's parity as two cells: three of the
    four cells around the bits are fixed or follow from them, so grass is not taken for a code.
    """
    width, height = CELL
    for i, cell in enumerate(_cells(number)):
        picture[:height, i * width : (i + 1) * width] = 255 if cell else 0
    return picture


def _cells(number: int) -> list[int]:
    if not 0 <= number < 2**BITS:
        raise ValueError(f"frame {number} does not fit into {BITS} bits")
    bits = [number >> (BITS - 1 - i) & 1 for i in range(BITS)]
    odd = sum(bits) % 2
    return [1, 0, *bits, odd, 1 - odd]


def read_code(picture: np.ndarray) -> int | None:
    """The number in a picture of any size (gray or colour), None where there is none."""
    grey = picture if picture.ndim == 2 else picture.mean(axis=2)
    scale = picture.shape[1] / 1280
    cells = []
    for i in range(BITS + 4):
        x0, x1 = ((i + part) * CELL[0] * scale for part in (0.3, 0.7))
        y0, y1 = (part * CELL[1] * scale for part in (0.25, 0.7))
        mean = float(grey[int(y0) : max(int(y1), int(y0) + 1), int(x0) : int(x1) + 1].mean())
        if 90 < mean < 165:
            return None
        cells.append(int(mean > 127))
    number = int("".join(map(str, cells[2:-2])), 2)
    return number if cells == _cells(number) else None


_JS = """
(video) => {
  const CELL = __CELL__, BITS = __BITS__;
  const canvas = document.createElement("canvas");
  const width = video.videoWidth, scale = width / 1280;
  canvas.width = width;
  canvas.height = Math.ceil(CELL[1] * scale) || 1;
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(video, 0, 0, width, canvas.height, 0, 0, width, canvas.height);
  const cells = [];
  for (let i = 0; i < BITS + 4; i++) {
    const x = Math.floor((i + 0.3) * CELL[0] * scale), y = Math.floor(0.25 * CELL[1] * scale);
    const w = Math.max(1, Math.floor(0.4 * CELL[0] * scale));
    const h = Math.max(1, Math.floor(0.45 * CELL[1] * scale));
    const data = context.getImageData(x, y, w, h).data;
    let sum = 0;
    for (let k = 0; k < data.length; k += 4) sum += data[k] + data[k + 1] + data[k + 2];
    const mean = sum / (3 * w * h);
    if (mean > 90 && mean < 165) return null;
    cells.push(mean > 127 ? 1 : 0);
  }
  const bits = cells.slice(2, -2), odd = bits.reduce((a, b) => a + b, 0) % 2;
  const good = cells[0] && !cells[1] && cells.at(-2) === odd && cells.at(-1) === 1 - odd;
  return good ? bits.reduce((a, b) => 2 * a + b, 0) : null;
}
"""

READ_CODE_JS = _JS.replace("__CELL__", str(list(CELL))).replace("__BITS__", str(BITS))
"""`read_code` as a function of a page's video: `await page.locator("#video").evaluate(it)`."""
