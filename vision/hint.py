"""Taps on the picture: "a rod is here", for pictures in which the search alone fails.

A tap raises the evidence of the segments that pass under it. Between frames the mark travels with
the rod that it lies on, so that a phone that moves does not leave it behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.rods import Rods

NEAR = 0.02  # of the picture's longer side: how well a finger meets a rod (one sigma)
RAISE = 6.0  # log-odds for a segment right under a tap
LOWER = 0.5  # log-odds taken from the others once both rods are marked
ON_ROD = 2.0  # a mark lies on a rod within so many times `NEAR`
SAME_SHAPE = 0.05  # log of the ratio of two pictures' shapes


@dataclass(frozen=True, slots=True)
class Hint:
    """A tap at `xy_px` in a picture of `size` (width, height); None: in the picture at hand."""

    xy_px: tuple[float, float]
    size: tuple[int, int] | None = None

    def within(self, size: tuple[int, int]) -> tuple[float, float] | None:
        """The tap in pixels of a picture of `size`; None for a picture of another shape or edge."""
        x, y = self.xy_px
        if self.size is not None and self.size != size:
            if abs(math.log(self.size[0] * size[1] / (self.size[1] * size[0]))) > SAME_SHAPE:
                return None  # the phone has been turned since
            x = (x + 0.5) * size[0] / self.size[0] - 0.5
            y = (y + 0.5) * size[1] / self.size[1] - 0.5
        inside = -0.5 <= x <= size[0] - 0.5 and -0.5 <= y <= size[1] - 0.5
        return (x, y) if inside else None


def hinted(
    ends_px: NDArray[np.float64],
    logit: NDArray[np.float64],
    hints: tuple[Hint, ...],
    size: tuple[int, int],
) -> NDArray[np.float64]:
    """The evidence (n,) of segments with ends (n, 2, 2) in a picture of `size`, given the taps.

    A segment right under a tap gains `RAISE`, one `NEAR` of the longer side away 61 % of it
    (Gaussian). Two taps mark both rods: what neither touches loses `LOWER`.
    """
    points = [at for hint in hints if (at := hint.within(size)) is not None]
    if not points or len(ends_px) == 0:
        return logit
    near = NEAR * max(size)
    away = np.stack([_distance(ends_px, point) for point in points])
    touch = np.exp(-0.5 * (away / near) ** 2).max(axis=0)
    lowered = LOWER * (1 - touch) if len(points) > 1 else 0.0
    return np.asarray(logit + RAISE * touch - lowered)


def carried(
    hints: tuple[Hint, ...], before: Rods, now: Rods, size: tuple[int, int]
) -> tuple[Hint, ...]:
    """The marks after the rods have moved in the picture from `before` to `now`.

    A mark on a rod keeps its place along it; one on no rod stays where it is.
    """
    return tuple(_carry(hint, before, now, size) for hint in hints)


def on_rods(hints: tuple[Hint, ...], rods: Rods, size: tuple[int, int]) -> bool:
    """Whether every mark lies on one of the rods."""
    return all(_rod_of(hint, rods, size) is not None for hint in hints)


def _carry(hint: Hint, before: Rods, now: Rods, size: tuple[int, int]) -> Hint:
    found = _rod_of(hint, before, size)
    if found is None:
        return hint
    rod, share = found
    ends = now.both[rod].ends_px
    x, y = ends[0] + share * (ends[1] - ends[0])
    return Hint((float(x), float(y)), size)


def _rod_of(hint: Hint, rods: Rods, size: tuple[int, int]) -> tuple[int, float] | None:
    """Which rod the mark lies on, and where along it (0 to 1)."""
    at = hint.within(size)
    if at is None:
        return None
    ends = rods.ends_px
    away = _distance(ends, at)
    rod = int(away.argmin())
    if away[rod] > ON_ROD * NEAR * max(size):
        return None
    return rod, float(_share(ends, at)[rod])


def _share(ends_px: NDArray[np.float64], point: tuple[float, float]) -> NDArray[np.float64]:
    """Where along each segment (n, 2, 2) lies its point nearest to `point`: 0 to 1 (n,)."""
    span = ends_px[:, 1] - ends_px[:, 0]
    rel = np.asarray(point) - ends_px[:, 0]
    length2 = np.maximum((span**2).sum(axis=-1), 1e-12)
    return np.asarray(np.clip((rel * span).sum(axis=-1) / length2, 0.0, 1.0))


def _distance(ends_px: NDArray[np.float64], point: tuple[float, float]) -> NDArray[np.float64]:
    """Distance (n,) of a point from segments (n, 2, 2)."""
    nearest = ends_px[:, 0] + _share(ends_px, point)[:, None] * (ends_px[:, 1] - ends_px[:, 0])
    return np.asarray(np.linalg.norm(nearest - np.asarray(point), axis=-1))
