"""Stage 0b: the part of a picture that is searched, reduced to the search's size.

Where the tilt is known, rows above the ground that rods can lie on are left out: a fifth of the
picture at the median, with the trees and posts that look most like rods.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame
from vision.model import focal_prior
from vision.setup import Setup

WORK_LONG_PX = 1280  # larger pictures are searched at about this size, then measured at full size
NEAREST_HORIZON_RAD = 0.05  # a lens 0.5 m up sees ground 10 m away so far below the horizon
SIGMAS = 3.0
MOST_LEFT_OUT = 0.5  # of the picture's height, whatever the sensor says
WHOLE_PX = 8  # rows are left out in such steps, so that what is left is sampled as before


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Rows of a picture from `top_px` on, reduced: a pixel of `frame` is `factor` of its pixels."""

    frame: Frame
    factor: float
    top_px: float

    def to_full(self, points_px: NDArray[np.float64], reduction: int) -> NDArray[np.float64]:
        """Points (..., 2) of planes reduced once more, in the whole picture's pixels."""
        scale = self.factor * reduction
        return np.asarray((points_px + 0.5) * scale - 0.5 + np.array([0.0, self.top_px]))

    def from_full(self, points_px: NDArray[np.float64], reduction: int) -> NDArray[np.float64]:
        """The inverse of `to_full`."""
        scale = self.factor * reduction
        return np.asarray((points_px - np.array([0.0, self.top_px]) + 0.5) / scale - 0.5)


def searched_part(frame: Frame, setup: Setup) -> Part:
    """What is searched of a frame."""
    whole, factor = _reduced(frame)
    top = int(ground_row((frame.width, frame.height), setup) / factor) // WHOLE_PX * WHOLE_PX
    rows = Frame(whole.y[top:], whole.u[top // 2 :], whole.v[top // 2 :])
    return Part(rows, factor, top * factor)


def ground_row(size: tuple[int, int], setup: Setup) -> float:
    """The first row of a picture of `size` (width, height) that can show a laid rod (pixels)."""
    if setup.tilt is None:
        return 0.0
    pitch_sigma, roll_sigma = (
        SIGMAS * math.hypot(noise, setup.tilt.bias_sigma_rad) for noise in setup.tilt.noise_rad
    )
    up = -setup.tilt.pitch_rad + pitch_sigma - NEAREST_HORIZON_RAD  # from the axis to that ground
    focal_px, sigma_px = focal_prior(size, setup)
    focal_px += (SIGMAS if up > 0 else -SIGMAS) * sigma_px
    aslant = size[0] / 2 * np.tan(min(abs(setup.tilt.roll_rad) + roll_sigma, 1.5))
    row = (size[1] - 1) / 2 - max(focal_px, 0.0) * np.tan(np.clip(up, -1.5, 1.5)) - aslant
    return float(np.clip(row, 0.0, MOST_LEFT_OUT * size[1]))


def _reduced(frame: Frame) -> tuple[Frame, float]:
    """The frame reduced to the search's size, and the factor back to full size."""
    longer = max(frame.width, frame.height)
    if longer <= 1.25 * WORK_LONG_PX:
        return frame, 1.0
    factor = longer / WORK_LONG_PX
    size = (round(frame.width / factor / 2) * 2, round(frame.height / factor / 2) * 2)
    half = (size[0] // 2, size[1] // 2)
    area = cv2.INTER_AREA
    return (
        Frame(
            np.asarray(cv2.resize(frame.y, size, interpolation=area), np.uint8),
            np.asarray(cv2.resize(frame.u, half, interpolation=area), np.uint8),
            np.asarray(cv2.resize(frame.v, half, interpolation=area), np.uint8),
        ),
        frame.width / size[0],
    )
