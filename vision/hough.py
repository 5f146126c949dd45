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

from vision.kernel import kernel

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
    scaled = np.rint(planes * SCALE).astype(np.int16)
    upright_ends, upright = _strongest_in_blocks(scaled, sizes)
    lying_ends, lying = _strongest_in_blocks(np.ascontiguousarray(scaled.transpose(0, 2, 1)), sizes)
    ends = np.concatenate([upright_ends, lying_ends[:, :, ::-1]])
    strength = np.concatenate([upright, lying])
    order = np.argsort(-strength, kind="stable")[: 15 * keep]
    kept = _distinct(ends[order], keep, sizes.strip / 8, 0.75 * sizes.strip)
    return Lines(ends[order][kept], strength[order][kept])


def _strongest_in_blocks(
    planes: NDArray[np.int16], sizes: Strips
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
    sums = np.empty((len(planes), slopes, pitch * len(tops)), np.int16)
    for plane, target in zip(planes, sums, strict=True):
        for i, top in enumerate(tops):
            side_by_side[:, i * pitch : i * pitch + width] = plane[top : top + strip]
        target[:] = cv2.ximgproc.FastHoughTransform(
            side_by_side,
            cv2.CV_16S,
            angleRange=cv2.ximgproc.ARO_315_45,
            op=cv2.ximgproc.FHT_ADD,
            makeSkew=cv2.ximgproc.HDO_RAW,
        )[:, : pitch * len(tops)]
    slope, column, strength = _best_of_blocks(sums, block, sizes.flank)
    shift = strip - 1 - slope.reshape(len(tops), -1)
    start = column.reshape(len(tops), -1) - pitch * np.arange(len(tops))[:, None]
    start = np.where(start >= width, start - pitch, start)
    rows = np.broadcast_to(np.array(tops)[:, None], start.shape)
    ends = np.stack(
        [np.stack([start, rows], -1), np.stack([start + shift, rows + strip - 1], -1)], -2
    )
    return ends.reshape(-1, 2, 2).astype(np.float32), strength.reshape(-1)


@kernel
def _best_of_blocks(
    sums: NDArray[np.int16], block: int, flank: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float32]]:
    """Slope, column and strength of the strongest line that starts in each block of columns.

    `sums` (planes, slopes, columns). A plane's response is the centre against each flank, the
    smaller difference where both have one sign, else 0; squares are added over the planes.
    """
    planes, slopes, columns = sums.shape
    blocks = columns // block
    slope_of = np.zeros(blocks, np.int32)
    column_of = np.zeros(blocks, np.int32)
    strength = np.full(blocks, -1.0, np.float32)
    energy = np.zeros(columns, np.float32)
    inner = energy[flank : columns - flank]
    for slope in range(slopes):
        inner[:] = 0.0
        for plane in range(planes):
            # Slices, not offsets in the index: those cost a check for negative ones at each step.
            centre = sums[plane, slope, flank : columns - flank]
            before = sums[plane, slope, : columns - 2 * flank]
            after = sums[plane, slope, 2 * flank :]
            for x in range(len(inner)):
                left = np.int32(centre[x]) - np.int32(before[x])
                right = np.int32(centre[x]) - np.int32(after[x])
                both = max(min(left, right), np.int32(0)) + min(max(left, right), np.int32(0))
                inner[x] += np.float32(both) * np.float32(both)
        for at in range(blocks):
            first = at * block
            best = energy[first]
            for x in range(first + 1, first + block):
                best = max(best, energy[x])
            if best > strength[at]:
                strength[at] = best
                slope_of[at] = slope
                for x in range(first, first + block):
                    if energy[x] == best:
                        column_of[at] = x
                        break
    return slope_of, column_of, strength


@kernel
def _distinct(ends: NDArray[np.float32], keep: int, apart: float, span: float) -> NDArray[np.intp]:
    """Indices of the first `keep` lines that are no near copies of a stronger one."""
    kept = np.empty(keep, np.intp)
    count = 0
    for i in range(len(ends)):
        new = True
        for m in range(count):
            k = kept[m]
            ax, ay = ends[k, 1, 0] - ends[k, 0, 0], ends[k, 1, 1] - ends[k, 0, 1]
            size = np.sqrt(ax * ax + ay * ay)
            ax, ay = ax / size, ay / size
            mx, my = (ends[k, 0, 0] + ends[k, 1, 0]) / 2, (ends[k, 0, 1] + ends[k, 1, 1]) / 2
            ux, uy = ends[i, 0, 0] - mx, ends[i, 0, 1] - my
            vx, vy = ends[i, 1, 0] - mx, ends[i, 1, 1] - my
            off = max(abs(uy * ax - ux * ay), abs(vy * ax - vx * ay))
            along = abs((ux + vx) * ax + (uy + vy) * ay) / 2
            if off < apart and along < span:
                new = False
                break
        if new:
            kept[count] = i
            count += 1
            if count == keep:
                break
    return kept[:count]
