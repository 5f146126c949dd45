"""Stage 1c, first half: a line piece straightened into a band of cells, and its run along the line.

Every line through the band within a small shear is tried; its extent is the run of cells that best
fits "a thin thing of this colour is here" against "nothing is here" (maximum sum of a clipped
log-likelihood ratio).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

Array = NDArray[np.float32]

SEED_CELLS = 4  # on either side of the piece's middle
SHEAR = 0.06
SLOPES = 15
CLIP_LLR = 1.5
OTHER_LLR = 0.7  # a cell of another colour: clubs have several


@kernel
def straighten(
    image: Array, middle: Array, along: Array, half: int, cell: int, sample: int, wide: int
) -> tuple[Array, NDArray[np.bool_]]:
    """Band (2 half, 2 wide + 1, 3) along one piece, and which of its cells lie in the picture.

    `image` (h, w, 3); `middle` and `along` (2,) place the line; a cell of `cell` pixels averages
    samples `sample` pixels apart, bilinear, the border repeated.
    """
    height, width, _ = image.shape
    parts = cell // sample
    across = 2 * wide + 1
    band = np.zeros((2 * half, across, 3), np.float32)
    inside = np.zeros(2 * half, np.bool_)
    share = np.float32(1.0) / np.float32(parts)
    for c in range(2 * half):
        x_sum = np.float32(0.0)
        y_sum = np.float32(0.0)
        for part in range(parts):
            t = np.float32((c - half) * cell + part * sample + (sample - 1) * 0.5)
            x0 = middle[0] + along[0] * t
            y0 = middle[1] + along[1] * t
            x_sum += x0 * share
            y_sum += y0 * share
            for k in range(across):
                o = np.float32(k - wide)
                x = min(max(x0 - along[1] * o, np.float32(0.0)), np.float32(width - 1.001))
                y = min(max(y0 + along[0] * o, np.float32(0.0)), np.float32(height - 1.001))
                # Unsigned: signed indices cost a check for negative ones.
                column = np.uint32(x)
                row = np.uint32(y)
                fx = x - np.float32(column)
                fy = y - np.float32(row)
                after = column + np.uint32(1)
                below = row + np.uint32(1)
                w11 = fx * fy * share
                w01 = fx * share - w11
                w10 = fy * share - w11
                w00 = share - w01 - fy * share
                for p in range(3):
                    band[c, k, p] += (
                        w00 * image[row, column, p]
                        + w01 * image[row, after, p]
                        + w10 * image[below, column, p]
                        + w11 * image[below, after, p]
                    )
        inside[c] = 0 <= x_sum <= width - 1 and 0 <= y_sum <= height - 1
    return band, inside


@kernel
def thin_of(band: Array, flank: int) -> Array:
    """Contrast of each offset against both its flanks, the smaller with its sign; edges are 0."""
    cells, across, planes = band.shape
    thin = np.zeros_like(band)
    flat = band.reshape(cells, across * planes)
    out = thin.reshape(cells, across * planes)
    step = flank * planes
    number = across * planes - 2 * step
    for c in range(cells):
        centre = flat[c, step : step + number]
        before = flat[c, :number]
        after = flat[c, 2 * step : 2 * step + number]
        target = out[c, step : step + number]
        for i in range(number):
            left = centre[i] - before[i]
            right = centre[i] - after[i]
            target[i] = max(min(left, right), np.float32(0.0)) + min(
                max(left, right), np.float32(0.0)
            )
    return thin


@kernel
def likeness(
    thin: Array, inside: NDArray[np.bool_], noise: float, half: int, wide: int, shift: int
) -> Array:
    """Clipped log-likelihood ratio (cells, offsets): the piece's own colour, or any colour."""
    cells, across, planes = thin.shape
    size = -1.0
    unit = np.zeros(3, np.float32)
    for k in range(wide - shift, wide + shift + 1):
        seed = np.zeros(3, np.float32)
        for c in range(half - SEED_CELLS, half + SEED_CELLS):
            for p in range(planes):
                seed[p] += thin[c, k, p] / (2 * SEED_CELLS)
        strength = np.sqrt((seed * seed).sum())
        if strength > size:
            size = strength
            unit = seed
    size += 1e-6
    unit = unit / np.float32(size)
    variance = (1.5 * noise) ** 2
    gain = np.float32(size / variance)
    threshold = np.float32(0.5 * size)
    weight = np.float32(0.25 / variance)
    clip = np.float32(CLIP_LLR)
    most = np.float32(OTHER_LLR)
    out = np.empty((cells, across), np.float32)
    for c in range(cells):
        if not inside[c]:
            out[c, :] = -clip
            continue
        for k in range(across):
            own = np.float32(0.0)
            energy = np.float32(0.0)
            for p in range(planes):
                value = thin[c, k, p]
                own += value * unit[p]
                energy += value * value
            same = (own - threshold) * gain
            other = min(weight * energy - np.float32(0.75), most)
            out[c, k] = min(max(max(same, other), -clip), clip)
    return out


@lru_cache(maxsize=64)
def paths_of(half: int, cell: int, wide: int, shift: int) -> tuple[Array, NDArray[np.uint32]]:
    """The lines tried: shift and slope (n, 2), and the band's column in each cell (n, cells)."""
    shifts, slopes = np.meshgrid(
        np.arange(-shift, shift + 1.0), np.linspace(-SHEAR, SHEAR, SLOPES), indexing="ij"
    )
    lines = np.stack([shifts.ravel(), slopes.ravel()], axis=-1)
    t = (np.arange(2 * half) - half + 0.5) * cell
    columns = np.rint(lines[:, :1] + lines[:, 1:] * t) + wide
    return lines.astype(np.float32), np.clip(columns, 0, 2 * wide).astype(np.uint32)


@kernel
def best_run(llr: Array, columns: NDArray[np.uint32], half: int) -> tuple[int, int, int]:
    """The best of the lines of `paths_of` and its run: index, first and last cell.

    Runs pass through the piece's middle.
    """
    paths, cells = columns.shape
    best = np.float32(-np.inf)
    path, first, last = 0, half - 1, half
    for i in range(paths):
        column = columns[i]
        right, high, stop = np.float32(0.0), np.float32(-1e9), half
        for c in range(half, cells):
            right += llr[c, column[c]]
            if right > high:
                high, stop = right, c
        left, far, start = np.float32(0.0), np.float32(-1e9), half - 1
        for back in range(half):
            c = half - 1 - back
            left += llr[c, column[c]]
            if left > far:
                far, start = left, c
        if high + far > best:
            best = high + far
            path, first, last = i, start, stop
    return path, first, last
