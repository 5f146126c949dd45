"""Stage 1b: short straight lines by the fast Hough transform in strips.

A rod is shorter than the picture, so a vote along whole lines drowns it. The picture is cut into
overlapping strips; inside each, the dyadic fast Hough transform (Brady 1998, in OpenCV's ximgproc)
sums every line within 45 degrees of the strip's short side. What counts is the coherent contrast
of the line against *both* of its flanks, which steps (mat edges, shadow borders) do not have.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

SCALE = 40.0  # contrast to int16: 32 rows of +-3 stay below 4000


@dataclass(frozen=True, slots=True)
class Strips:
    """The search's sizes in pixels of the planes.

    `strip` a power of two, `step` between strips, `block` for one best line each, `flank` the
    distance of the flanks from the centre.
    """

    strip: int
    step: int
    block: int
    flank: int


FINE = Strips(32, 16, 8, 3)  # for planes at half of a 1280-pixel picture's size
COARSE = Strips(16, 8, 4, 2)  # at a quarter: four times less to do, a few rods in a hundred lost


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Line pieces one strip long. `ends_px` (n, 2, 2) in pixels of the planes; best first."""

    ends_px: NDArray[np.float32]
    strength: NDArray[np.float32]


def find_lines(planes: NDArray[np.float32], keep: int, sizes: Strips = FINE) -> Lines:
    """The `keep` strongest line pieces of contrast planes (3, h, w), duplicates removed."""
    upright_ends, upright = _strongest_in_blocks(planes, sizes)
    lying_ends, lying = _strongest_in_blocks(np.ascontiguousarray(planes.transpose(0, 2, 1)), sizes)
    ends = np.concatenate([upright_ends, lying_ends[:, :, ::-1]])
    strength = np.concatenate([upright, lying])
    order = np.argsort(-strength, kind="stable")[: 15 * keep]
    kept = _distinct(ends[order], keep, sizes)
    return Lines(ends[order][kept], strength[order][kept])


def _strongest_in_blocks(
    planes: NDArray[np.float32], sizes: Strips
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Strips of rows: the strongest line of each block, as ends (n, 2, 2) and strength (n,)."""
    _, height, width = planes.shape
    strip, block = sizes.strip, sizes.block
    slopes = 2 * strip - 1
    if height < strip:
        return np.empty((0, 2, 2), np.float32), np.empty(0, np.float32)
    tops = list(range(0, height - strip + 1, sizes.step))
    if tops[-1] + strip < height:
        tops.append(height - strip)
    # Slanted lines wrap around, so the strips stand side by side with a gap of their own height.
    pitch = (width + strip + block - 1) // block * block
    side_by_side = np.zeros((strip, pitch * len(tops)), np.int16)
    energy = np.zeros((slopes, pitch * len(tops)), np.float32)
    for plane in planes:
        scaled = np.rint(plane * SCALE).astype(np.int16)
        for i, top in enumerate(tops):
            side_by_side[:, i * pitch : i * pitch + width] = scaled[top : top + strip]
        sums = cv2.ximgproc.FastHoughTransform(
            side_by_side,
            cv2.CV_16S,
            angleRange=cv2.ximgproc.ARO_315_45,
            op=cv2.ximgproc.FHT_ADD,
            makeSkew=cv2.ximgproc.HDO_RAW,
        )[:, : pitch * len(tops)]
        response = _above_both_flanks(np.asarray(sums, np.int16), sizes.flank).astype(np.float32)
        cv2.accumulateSquare(response, energy)
    by_slope = energy.reshape(slopes, len(tops), pitch // block, block)
    blocks = by_slope.transpose(1, 2, 0, 3).reshape(len(tops), pitch // block, -1)
    best = blocks.argmax(axis=-1)
    strength = np.take_along_axis(blocks, best[..., None], axis=-1)[..., 0]
    shift = strip - 1 - best // block
    start = np.arange(pitch // block)[None] * block + best % block
    start = np.where(start >= width, start - pitch, start)
    rows = np.broadcast_to(np.array(tops)[:, None], start.shape)
    ends = np.stack(
        [np.stack([start, rows], -1), np.stack([start + shift, rows + strip - 1], -1)], -2
    )
    return ends.reshape(-1, 2, 2).astype(np.float32), strength.reshape(-1)


def _above_both_flanks(sums: NDArray[np.int16], flank: int) -> NDArray[np.int16]:
    """Centre against each flank: the smaller difference where both have one sign, else 0."""
    left = np.zeros_like(sums)
    right = np.zeros_like(sums)
    np.subtract(sums[:, flank:], sums[:, :-flank], out=left[:, flank:])
    np.subtract(sums[:, :-flank], sums[:, flank:], out=right[:, :-flank])
    low = np.minimum(left, right)
    high = np.maximum(left, right)
    return np.maximum(low, 0) + np.minimum(high, 0)


def _distinct(ends: NDArray[np.float32], keep: int, sizes: Strips) -> list[int]:
    """Indices of the first `keep` lines that are no near copies of a stronger one."""
    middle = ends.mean(axis=1)
    along = ends[:, 1] - ends[:, 0]
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    alive = np.ones(len(ends), bool)
    kept: list[int] = []
    for i in range(len(ends)):
        if not alive[i]:
            continue
        kept.append(i)
        if len(kept) == keep:
            break
        off = np.abs((ends - middle[i]) @ across[i]).max(axis=1)
        apart = np.abs((middle - middle[i]) @ along[i])
        alive &= ~((off < sizes.strip / 8) & (apart < 0.75 * sizes.strip))
    return kept
