"""Stage 1c, second half: the cues that tell a grown segment on a rod from one on anything else."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.band import Array
from vision.kernel import kernel

CUES = (
    "contrast",
    "snr",
    "chroma",
    "length",
    "fill",
    "step",
    "steady",
    "ends",
    "narrow",
    "parallels",
    "luma",
    "noise",
    *(f"share of {plane}" for plane in ("luma", "red-green", "blue-yellow")),
    *(f"along {share}" for share in (10, 25, 50, 75)),
)
# Behind these: the profile across, its even part and its odd part, from 1 pixel to 3 flanks out.
QUANTILES = (0.10, 0.25, 0.50, 0.75)
NAMED = len(CUES)


def cue_count(flank: int) -> int:
    """Number of cues that `measure_cues` gives."""
    return NAMED + 2 * 3 * flank


@kernel
def measure_cues(
    band: Array,
    thin: Array,
    column: NDArray[np.uint32],
    first: int,
    last: int,
    inside: NDArray[np.bool_],
    noise: float,
    cell: int,
    flank: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The cues of one segment (`cue_count`,) and its colour (3,).

    Its cells `first` to `last` lie in `column` (cells,) of `band` and `thin` (cells, offsets, 3).
    """
    cells, across, _ = band.shape
    number = last - first + 1
    reach = 3 * flank
    profile = np.zeros((2 * reach + 1, 3))
    for c in range(first, last + 1):
        for k in range(2 * reach + 1):
            o = min(max(np.int64(column[c]) + k - reach, 0), across - 1)
            for p in range(3):
                profile[k, p] += band[c, o, p]
    profile /= number
    left = (profile[reach - flank - 1] + profile[reach - flank]) / 2
    right = (profile[reach + flank] + profile[reach + flank + 1]) / 2
    colour = profile[reach] - 0.5 * (left + right)
    size = np.sqrt((colour * colour).sum()) + 1e-6
    unit = colour / size
    # Contrast across, along the rod's own colour.
    shape = np.zeros(2 * reach + 1)
    for k in range(2 * reach + 1):
        shape[k] = ((profile[k] - 0.5 * (left + right)) * unit).sum()
    local = np.zeros(number)
    fill, spread = 0.0, 0.0
    for c in range(first, last + 1):
        path = thin[c, column[c]]
        along, energy = 0.0, 0.0
        for p in range(3):
            along += path[p] * unit[p]
            energy += path[p] * path[p]
        local[c - first] = along / size
        if np.sqrt(energy) > 0.35 * size:
            fill += 1.0
        spread += (along - size) ** 2
    outside, seen = 0.0, 0
    for c in range(max(first - 5, 0), min(last + 6, cells)):
        if inside[c] and (c < first - 1 or c > last + 1):
            for p in range(3):
                outside += thin[c, column[c], p] * unit[p]
            seen += 1
    away = 0.0
    for k in range(2 * reach + 1):
        if abs(k - reach) > flank:
            away = max(away, abs(shape[k]))
    narrow = (abs(shape[reach - flank + 1]) + abs(shape[reach + flank - 1])) / 2
    step = np.sqrt(((left - right) ** 2).sum())
    cues = np.zeros(NAMED + 2 * reach)
    cues[0] = size
    cues[1] = np.log1p(size * np.sqrt(number) / noise)
    cues[2] = np.sqrt(colour[1] ** 2 + colour[2] ** 2)
    cues[3] = np.log(number * cell / flank)
    cues[4] = fill / number
    cues[5] = min(step / size, 3.0)
    cues[6] = min(np.sqrt(spread / number) / size, 3.0)
    cues[7] = min(max(outside / max(seen, 1) / size, -1.0), 2.0)
    cues[8] = min(narrow / size, 2.0)
    cues[9] = min(away / size, 3.0)
    cues[10] = colour[0]
    cues[11] = noise
    for p in range(3):
        cues[12 + p] = abs(unit[p])
    local.sort()
    for q in range(len(QUANTILES)):
        value = local[int(np.rint(QUANTILES[q] * (number - 1)))]
        cues[15 + q] = min(max(value, -3.0), 3.0)
    for k in range(1, reach + 1):
        out, back = shape[reach + k], shape[reach - k]
        even, odd = (out + back) / (2 * size), abs(out - back) / (2 * size)
        cues[NAMED + k - 1] = min(max(even, -3.0), 3.0)
        cues[NAMED + reach + k - 1] = min(odd, 3.0)
    return cues, colour
