"""Stage 1b: short straight lines by the fast Hough transform in strips.

A rod is shorter than the picture, so a vote along whole lines drowns it. The picture is cut into
overlapping strips; inside each, the dyadic fast Hough transform (Brady 1998) sums every line within
45 degrees of the strip's short side. What counts is the coherent contrast of the line against
*both* of its flanks, which steps (mat edges, shadow borders) do not have.

OpenCV's ximgproc has the transform too, and the tests hold these sums against it; here they stay in
the processor's cache until the contrast is taken, which is twice as quick.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

SCALE = 40.0  # contrast to int16: 32 rows of +-3 stay below 4000
TOGETHER = 8  # strips side by side: wide enough for long loops, narrow enough for the cache
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
    flat = planes.reshape(-1, planes.shape[2])
    scaled = np.asarray(cv2.addWeighted(flat, SCALE, flat, 0.0, 0.0, dtype=cv2.CV_16S), np.int16)
    scaled = scaled.reshape(planes.shape)
    upright_ends, upright = _strongest_in_blocks(scaled, sizes)
    lying_ends, lying = _strongest_in_blocks(np.ascontiguousarray(scaled.transpose(0, 2, 1)), sizes)
    ends = np.concatenate([upright_ends, lying_ends[:, :, ::-1]])
    strength = np.concatenate([upright, lying])
    order = np.argsort(-strength, kind="stable")[: 15 * keep]
    kept = distinct(ends[order], keep, sizes.strip / 8, 0.75 * sizes.strip)
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
    # Slanted lines leave a strip on either side, so the next one begins that much later.
    pitch = (width + strip + block - 1) // block * block
    groups = [
        _best_of_blocks(planes, tops[i : i + TOGETHER], strip, pitch, block, sizes.flank)
        for i in range(0, len(tops), TOGETHER)
    ]
    ends, strength = zip(*groups, strict=True)
    return np.concatenate(ends), np.concatenate(strength)


@kernel
def _best_of_blocks(
    planes: NDArray[np.int16],
    tops: NDArray[np.intp],
    strip: int,
    pitch: int,
    block: int,
    flank: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The strongest line that starts in each block of columns: ends (n, 2, 2) and strength (n,).

    Of the strips that begin at rows `tops`, side by side. A plane's response is the centre against
    each flank, the smaller difference where both have one sign, else 0; squares are added over the
    three planes.
    """
    number, _, width = planes.shape
    columns = pitch * len(tops)
    rows = np.zeros((number, strip, columns), np.int16)
    for p in range(number):
        for r in range(strip):
            for i in range(len(tops)):
                rows[p, r, i * pitch : i * pitch + width] = planes[p, tops[i] + r]
    spare = (np.empty_like(rows), np.empty_like(rows))
    energy = np.zeros(columns, np.int32)
    inner = energy[flank : columns - flank]
    high = np.full(columns, -1, np.int32)
    slope = np.zeros(columns, np.int32)
    for turn in (1, -1):
        luma, red_green, blue_yellow = (
            _sums(rows[0], turn, spare[0][0], spare[1][0]),
            _sums(rows[1], turn, spare[0][1], spare[1][1]),
            _sums(rows[2], turn, spare[0][2], spare[1][2]),
        )
        for steps in range(0 if turn > 0 else 1, strip):  # upright lines once
            inner[:] = 0
            for sums in (luma, red_green, blue_yellow):
                # Slices, not offsets in the index: those cost a check for negative ones. All in 16
                # bits, where the processor's registers hold twice as many.
                centre = sums[steps, flank : columns - flank]
                before = sums[steps, : columns - 2 * flank]
                after = sums[steps, 2 * flank :]
                for x in range(len(inner)):
                    left, right = np.int16(centre[x] - before[x]), np.int16(centre[x] - after[x])
                    low, top = min(left, right), max(left, right)
                    both = np.int16(max(low, np.int16(0)) + min(top, np.int16(0)))
                    inner[x] += np.int32(both) * np.int32(both)
            now = np.int32(steps * turn)
            for x in range(columns):
                better = energy[x] > high[x]
                high[x] = energy[x] if better else high[x]
                slope[x] = now if better else slope[x]
    blocks = columns // block
    ends = np.empty((blocks, 2, 2), np.float32)
    strength = np.empty(blocks, np.float32)
    for at in range(blocks):
        best = at * block
        for x in range(at * block + 1, (at + 1) * block):
            if high[x] > high[best]:
                best = x
        i = at * block // pitch
        start = best - pitch * i
        if start >= width:
            start -= pitch
        ends[at, 0, 0], ends[at, 1, 0] = start, start + slope[best]
        ends[at, 0, 1], ends[at, 1, 1] = tops[i], tops[i] + strip - 1
        strength[at] = high[best]
    return ends, strength


@kernel
def _sums(
    rows: NDArray[np.int16], turn: int, one: NDArray[np.int16], other: NDArray[np.int16]
) -> NDArray[np.int16]:
    """Sums (steps, columns) along lines from each column of the first of `rows` (strip, columns).

    To the column that many steps further right in the last row (`turn` 1) or left (-1). In halves:
    the line through the upper rows, and the one that goes on in the lower ones. `one` and `other`,
    of the same size, are written over; one of them is what is returned.
    """
    strip, columns = rows.shape
    source = rows
    size = 1
    while size < strip:
        for group in range(0, strip, 2 * size):
            for steps in range(2 * size):
                upper = source[group + steps // 2]
                lower = source[group + size + steps // 2]
                whole = one[group + steps]
                shift = (steps + 1) // 2
                if turn > 0:
                    here, far = upper[: columns - shift], lower[shift:]
                    both = whole[: columns - shift]
                    whole[columns - shift :] = upper[columns - shift :]
                else:
                    here, far = upper[shift:], lower[: columns - shift]
                    both = whole[shift:]
                    whole[:shift] = upper[:shift]
                for x in range(len(both)):
                    both[x] = np.int16(here[x] + far[x])
        source = one
        one, other = other, one
        size *= 2
    return source


@kernel
def distinct(ends: NDArray[np.floating], keep: int, apart: float, span: float) -> NDArray[np.intp]:
    """Indices of the first `keep` lines (n, 2, 2) that are no near copies of an earlier one.

    A copy's ends are less than `apart` off the other's line, its middle less than `span` along it.
    """
    kept = np.empty(min(keep, len(ends)), np.intp)
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
