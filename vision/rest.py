"""Between two measurements: whether a later picture shows the rods where the earlier one did.

Small patches on the rods are compared with what they showed. The shift of each comes from one
least-squares step on the brightness (Lucas and Kanade 1981, "An iterative image registration
technique"), which costs a hundredth of measuring. It can be too small where noise is taken for
texture, so it spares measurements for a second at most, and replaces none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel
from vision.rods import Rods

Luma = NDArray[np.uint8]

SIDE_PX = 24
ALONG = (0.0, 0.5, 1.0)  # where on each rod
LEAST = 4  # patches of six inside the picture
SHIFT_PX = 0.3  # 1 mm at the rods, from a tripod's distance
NOISE = 4.0  # grey levels, of a camera and its codec
SEEN_PX = 0.1  # a direction in which noise alone would shift a patch by more says nothing
# What no shift explains: of a patch's own variance. Two different pictures differ by twice that.
LEFT_OVER = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Landmarks:
    """Corners (n, 2), column and row, and what the picture showed there (n, SIDE_PX, SIDE_PX)."""

    corners_px: NDArray[np.int64]
    patches: NDArray[np.float32]
    shape: tuple[int, int]  # of the whole picture: rows, columns


def landmarks(luma: Luma, rods: Rods) -> Landmarks | None:
    """What `luma` (h, w), in any code range, shows at both rods; None where too few lie in it."""
    corners: list[tuple[int, int]] = []
    height, width = luma.shape
    for rod in rods.both:
        far, near = rod.ends_px
        for share in ALONG:
            x, y = (far + share * (near - far) - SIDE_PX / 2).round().astype(int).tolist()
            if 0 <= x <= width - SIDE_PX and 0 <= y <= height - SIDE_PX:
                corners.append((x, y))
    if len(corners) < LEAST:
        return None
    patches = np.stack([luma[y : y + SIDE_PX, x : x + SIDE_PX] for x, y in corners])
    return Landmarks(np.array(corners), patches.astype(np.float32), (height, width))


def unmoved(marks: Landmarks, luma: Luma) -> bool:
    """Whether a later picture of the same code range shows all of them in the same place."""
    return luma.shape == marks.shape and bool(_unmoved(luma, marks.corners_px, marks.patches))


@kernel
def _unmoved(luma: Luma, corners: NDArray[np.int64], patches: NDArray[np.float32]) -> bool:
    for k in range(len(corners)):
        if _differs(luma, corners[k, 0], corners[k, 1], patches[k]):
            return False
    return True


@kernel
def _differs(luma: Luma, left: int, top: int, before: NDArray[np.float32]) -> bool:
    """Whether one patch has changed, or has shifted in a direction in which that would show."""
    inner = SIDE_PX - 2
    mean, mean_now = 0.0, 0.0
    for i in range(1, SIDE_PX - 1):
        for k in range(1, SIDE_PX - 1):
            mean += before[i, k]
            mean_now += luma[top + i, left + k]
    brighter = (mean_now - mean) / inner**2
    mean /= inner**2
    spread, change = 0.0, 0.0
    xx, xy, yy, x_change, y_change = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(1, SIDE_PX - 1):
        for k in range(1, SIDE_PX - 1):
            was = before[i, k]
            step = luma[top + i, left + k] - was - brighter
            gx = 0.5 * (before[i, k + 1] - before[i, k - 1])
            gy = 0.5 * (before[i + 1, k] - before[i - 1, k])
            spread += (was - mean) ** 2
            change += step * step
            xx += gx * gx
            xy += gx * gy
            yy += gy * gy
            x_change += gx * step
            y_change += gy * step
    if change > LEFT_OVER * spread + 2.0 * (NOISE * inner) ** 2:
        return True
    # The two directions in which the patch's texture is strongest and weakest.
    half, apart = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy)
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    cos, sin = np.cos(angle), np.sin(angle)
    for strength, x, y in ((half + apart, cos, sin), (half - apart, -sin, cos)):
        if strength * SEEN_PX**2 < NOISE**2:
            continue
        if abs(x * x_change + y * y_change) > SHIFT_PX * strength:
            return True
    return False
