"""When in a clip the camera stands: its pictures in stretches between which the rods' lines jump.

Works on numbers (n, 8) as of `vision.drift_solve.Reference.numbers`: 4 of the lines, 4 of the ends.
Lines alone tell a jump, since ends are what feet and bags cover.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

JUMP_PX = 1.5  # of 1280: half a centimetre, or a twelfth of a degree, at 3.5 m
NOISE_PX = (0.1, 1.0)  # of 1280: of one picture's lines, at least and at most, if the camera stands
JUMP_SIGMAS = 6.0
LEAST = 2  # pictures in a stretch
PASSING = 0.1  # share of all pictures below which another place of the rods is a slip of the search


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Finds that follow on one another and agree: their positions among all finds."""

    which: NDArray[np.intp]
    middle: NDArray[np.float64]  # (8,) medians


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """`main`: positions of the finds where most agree. `before`, `after`: lasting other places.

    `slips`: positions of finds elsewhere that did not last. `noise_px`: of one picture's lines.
    """

    main: NDArray[np.intp]
    before: Stretch | None
    after: Stretch | None
    slips: NDArray[np.intp]
    noise_px: float


def stretches(numbers: NDArray[np.float64], long_px: int) -> Stretches:
    """The stretches of finds (n, 8) in order of time; pictures are `long_px` wide or high."""
    scale = long_px / 1280
    noise = _noise(numbers[:, :4], scale)
    parts = [
        Stretch(np.arange(a, b), np.median(numbers[a:b], axis=0))
        for a, b in _split(numbers[:, :4], 0, noise, scale)
    ]
    seed = max(parts, key=lambda part: len(part.which))
    same = [_apart(part, seed) <= JUMP_PX * scale + JUMP_SIGMAS * noise for part in parts]
    mine = np.flatnonzero(same)
    main = np.concatenate([parts[k].which for k in mine])
    middle = np.median(numbers[main, :4], axis=0)
    away = np.abs(numbers[main, :4] - middle).max(axis=1)
    near = away <= max(2 * JUMP_PX * scale, JUMP_SIGMAS * noise)
    before = _longest(parts[: mine[0]], len(numbers))
    after = _longest(parts[mine[-1] + 1 :], len(numbers))
    kept = [main[near], *(p.which for p in (before, after) if p is not None)]
    slips = np.setdiff1d(np.arange(len(numbers)), np.concatenate(kept))
    return Stretches(main[near], before, after, slips, noise)


def _longest(parts: list[Stretch], count: int) -> Stretch | None:
    """Of other places before or after the main one, the longest, where any lasted."""
    lasting = [p for p in parts if len(p.which) >= max(LEAST, PASSING * count)]
    return max(lasting, key=lambda part: len(part.which), default=None)


def _apart(a: Stretch, b: Stretch) -> float:
    return float(np.abs(a.middle[:4] - b.middle[:4]).max())


def _noise(lines: NDArray[np.float64], scale: float) -> float:
    """Sigma of one picture's lines, from the median step: 0.954 = sqrt(2) * 0.6745."""
    if len(lines) < 2:
        return NOISE_PX[1] * scale
    steps = np.median(np.abs(np.diff(lines, axis=0)), axis=0) / 0.954
    return float(np.clip(steps.max(), NOISE_PX[0] * scale, NOISE_PX[1] * scale))


def _split(
    lines: NDArray[np.float64], start: int, noise: float, scale: float
) -> list[tuple[int, int]]:
    """Bounds of the stretches, by binary segmentation (Scott and Knott 1974) in absolute sums."""
    count = len(lines)
    best, cut = 0.0, None
    whole = _spread(lines)
    for k in range(LEAST, count - LEAST + 1):
        jump = np.abs(np.median(lines[:k], axis=0) - np.median(lines[k:], axis=0)).max()
        least = max(JUMP_PX * scale, JUMP_SIGMAS * noise * math.sqrt(1 / k + 1 / (count - k)))
        gain = whole - _spread(lines[:k]) - _spread(lines[k:])
        if jump > least and gain > best:
            best, cut = gain, k
    if cut is None:
        return [(start, start + count)]
    return [
        *_split(lines[:cut], start, noise, scale),
        *_split(lines[cut:], start + cut, noise, scale),
    ]


def _spread(lines: NDArray[np.float64]) -> float:
    return float(np.abs(lines - np.median(lines, axis=0)).sum())
