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
TIE = 1e-3  # pixels: distances on a grid tie, and rounding must not decide


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
    if height < strip:
        return np.empty((0, 2, 2), np.float32), np.empty(0, np.float32)
    tops = np.arange(0, height - strip + 1, sizes.step)
    if tops[-1] + strip < height:
        tops = np.append(tops, height - strip)
    # Slanted lines wrap around, so the strips stand side by side with a gap of their own height.
    pitch = (width + strip + block - 1) // block * block
    luma, red_green, blue_yellow = (
        np.asarray(
            cv2.ximgproc.FastHoughTransform(
                _side_by_side(plane, tops, strip, pitch),
                cv2.CV_16S,
                angleRange=cv2.ximgproc.ARO_315_45,
                op=cv2.ximgproc.FHT_ADD,
                makeSkew=cv2.ximgproc.HDO_RAW,
            ),
            np.int16,
        )
        for plane in planes
    )
    sums = (luma, red_green, blue_yellow)
    return _best_of_blocks(sums, tops, width, strip, pitch, block, sizes.flank)


def _side_by_side(
    plane: NDArray[np.int16], tops: NDArray[np.intp], strip: int, pitch: int
) -> NDArray[np.int16]:
    """The strips of rows that begin at `tops`, each in `pitch` columns of (strip, columns)."""
    out = np.zeros((strip, pitch * len(tops)), np.int16)
    width = plane.shape[1]
    for i, top in enumerate(tops):
        out[:, i * pitch : i * pitch + width] = plane[top : top + strip]
    return out


@kernel
def _best_of_blocks(
    sums: tuple[NDArray[np.int16], NDArray[np.int16], NDArray[np.int16]],
    tops: NDArray[np.intp],
    width: int,
    strip: int,
    pitch: int,
    block: int,
    flank: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The strongest line that starts in each block of columns: ends (n, 2, 2) and strength (n,).

    `sums` (slopes, columns) of each plane. A plane's response is the centre against each flank, the
    smaller difference where both have one sign, else 0; squares are added over the planes.
    """
    columns = pitch * len(tops)
    blocks = columns // block
    slope_of = np.zeros(blocks, np.int32)
    column_of = np.zeros(blocks, np.int32)
    strength = np.full(blocks, -1.0, np.float32)
    energy = np.zeros(columns, np.float32)
    inner = energy[flank : columns - flank]
    for slope in range(2 * strip - 1):
        inner[:] = 0.0
        for plane in sums:
            # Slices, not offsets in the index: those cost a check for negative ones at each step.
            centre = plane[slope, flank : columns - flank]
            before = plane[slope, : columns - 2 * flank]
            after = plane[slope, 2 * flank : columns]
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
    ends = np.empty((blocks, 2, 2), np.float32)
    for at in range(blocks):
        i = at * block // pitch
        start = column_of[at] - pitch * i
        if start >= width:
            start -= pitch
        ends[at, 0, 0], ends[at, 1, 0] = start, start + strip - 1 - slope_of[at]
        ends[at, 0, 1], ends[at, 1, 1] = tops[i], tops[i] + strip - 1
    return ends, strength


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
            if off < apart - TIE and along < span - TIE:
                new = False
                break
        if new:
            kept[count] = i
            count += 1
            if count == keep:
                break
    return kept[:count]
