"""Stage 0: one picture as luma and half-size chroma planes, as video decoders deliver it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import FrameError

MIN_SIDE_PX = 120


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Planes of a 4:2:0 picture (ITU-R BT.601, full range as in JFIF).

    `y` (h, w); `u` and `v` of half that size, rounded up.
    """

    y: NDArray[np.uint8]
    u: NDArray[np.uint8]
    v: NDArray[np.uint8]

    def __post_init__(self) -> None:
        h, w = self.y.shape
        if self.u.shape != ((h + 1) // 2, (w + 1) // 2) or self.v.shape != self.u.shape:
            raise FrameError(
                f"chroma planes of {self.u.shape} and {self.v.shape} do not belong to luma of "
                f"{self.y.shape}: give 4:2:0 planes of half the size, rounded up"
            )

    @property
    def width(self) -> int:
        """Picture width in pixels."""
        return int(self.y.shape[1])

    @property
    def height(self) -> int:
        """Picture height in pixels."""
        return int(self.y.shape[0])

    @classmethod
    def from_bgr(cls, bgr: NDArray[np.uint8]) -> Frame:
        """From an OpenCV picture (h, w, 3) uint8. Raises FrameError for anything else."""
        if bgr.ndim != 3 or bgr.shape[2] != 3 or bgr.dtype != np.uint8:
            raise FrameError(
                f"a picture of shape {bgr.shape} and type {bgr.dtype} cannot be analysed: "
                "give (height, width, 3) uint8 in BGR order"
            )
        yuv = cv2.cvtColor(bgr, cv2.COLOR_BGR2YCrCb)
        h, w = yuv.shape[:2]
        y, cr, cb = cv2.split(yuv)
        half = ((w + 1) // 2, (h + 1) // 2)
        u = cv2.resize(cb, half, interpolation=cv2.INTER_AREA)
        v = cv2.resize(cr, half, interpolation=cv2.INTER_AREA)
        return cls(np.asarray(y), np.asarray(u), np.asarray(v))
