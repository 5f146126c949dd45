"""Whether the golfer stands against the light: bright behind, dark where he stands.

Where he stands is known from the rods' pose. Light is compared in stops (factors of two) of linear
light, the luma's code value decoded with a gamma of 2.2 (ITU-R BT.709 and sRGB within a tenth of a
stop between black and white, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame
from vision.reading import Reading
from vision.setup import Handed, Setup, View

GAMMA = 2.2
BRIGHT = 195.0  # luma: a background near the end of the scale
# Stops, common practice, no source. Lit from the front, a lawn is one and a half to two and a half
# stops darker than a bright sky; against the light what faces the lens gets skylight only.
GROUND_STOPS = 3.0
BODY_STOPS = 3.0
HALF_M = 0.20  # of the body's width
LEAST_PX = 60  # pixels in a region that is judged


@dataclass(frozen=True, slots=True)
class Light:
    """Luma (0 to 255, medians) behind the golfer, where he stands and on the ground at the rods."""

    behind: float
    body: float
    ground: float

    @property
    def ground_stops(self) -> float:
        """How many stops the background is brighter than the ground."""
        return stops(self.behind, self.ground)

    @property
    def body_stops(self) -> float:
        """How many stops the background is brighter than what stands before it."""
        return stops(self.behind, self.body)

    @property
    def against(self) -> bool:
        """Against the light: surely by the ground alone, or by a dark body over dull ground."""
        if self.behind < BRIGHT:
            return False
        dark_body = self.body_stops >= BODY_STOPS and self.ground_stops >= GROUND_STOPS / 2
        return self.ground_stops >= GROUND_STOPS or (dark_body and self.ground < 110)


def stops(bright: float, dark: float) -> float:
    """Stops between two luma values."""
    return GAMMA * math.log2(max(bright, 1.0) / max(dark, 1.0))


def backlight(frame: Frame, reading: Reading) -> Light | None:
    """The light of one frame, None where the place is not known or not in the picture."""
    if reading.placement is None or reading.lens is None:
        return None
    setup = reading.setup
    height = setup.player.height_m
    forward, right = (0.15, 0.0)
    if setup.view is View.DOWN_THE_LINE:
        side = -1.0 if setup.handed is Handed.RIGHT else 1.0
        forward, right = 0.0, 0.15 * side
    low, high = 0.35 * height, 0.95 * height
    body = _box(reading, frame, (right - HALF_M, right + HALF_M), forward, (low, high))
    behind = [
        _box(reading, frame, (right - 1.0, right - 0.45), forward, (low, high)),
        _box(reading, frame, (right + 0.45, right + 1.0), forward, (low, high)),
        _box(reading, frame, (right - 0.5, right + 0.5), forward, (1.05 * height, 1.3 * height)),
    ]
    near = forward - (0.9 if setup.view is View.FACE_ON else 0.5)
    ground = _box(reading, frame, (-0.7, 0.7), near, (-0.02, 0.25 * _share(setup)))
    around = np.concatenate(behind)
    if min(body.size, around.size, ground.size) < LEAST_PX:
        return None
    # The brighter part of what is behind: a hedge beside the sky does not make the sky darker.
    return Light(float(np.percentile(around, 70)), float(np.median(body)), float(np.median(ground)))


def _share(setup: Setup) -> float:
    return 0.2 if setup.view is View.FACE_ON else 0.3


def _box(
    reading: Reading,
    frame: Frame,
    right: tuple[float, float],
    forward: float,
    up: tuple[float, float],
) -> NDArray[np.uint8]:
    """Luma (n,) in the picture's part that holds a standing board, thinned to a few thousand."""
    corners = [_pixel(reading, frame, r, forward, u) for r in right for u in up]
    known = [corner for corner in corners if corner is not None]
    if len(known) < 4:
        return np.zeros(0, np.uint8)
    xs, ys = zip(*known, strict=True)
    left, top = max(0, round(min(xs))), max(0, round(min(ys)))
    part = frame.y[top : max(0, round(max(ys))), left : max(0, round(max(xs)))]
    step = max(1, int(math.sqrt(part.size / 4000))) if part.size else 1
    return np.asarray(part[::step, ::step].ravel())


def _pixel(
    reading: Reading, frame: Frame, right: float, forward: float, up: float
) -> tuple[float, float] | None:
    """A point beside, along and above the line's origin, in pixels (docs/conventions.md, signs)."""
    place, lens = reading.placement, reading.lens
    assert place is not None and lens is not None
    ahead, aside, over = forward + place.distance_m, right - place.offset_m, up - place.height_m
    c, s = math.cos(place.yaw_rad), math.sin(place.yaw_rad)
    level, x = c * ahead + s * aside, c * aside - s * ahead
    c, s = math.cos(place.pitch_rad), math.sin(place.pitch_rad)
    depth, y = c * level + s * over, s * level - c * over
    c, s = math.cos(place.roll_rad), math.sin(place.roll_rad)
    x, y = c * x + s * y, c * y - s * x
    if depth < 0.3:
        return None
    f = lens.focal_px
    return f * x / depth + (frame.width - 1) / 2, f * y / depth + (frame.height - 1) / 2
