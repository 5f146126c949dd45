"""How much the camera shakes: rms turn from the rods' motion, with the finder's noise taken off.

Each frame's rods give eight numbers against their mean (`vision.drift_solve.rod_numbers`), of which
a small turn of the camera explains three degrees of freedom. What is left over measures the noise
of the numbers, and so the noise of the turn, whose variance is subtracted from what was seen:
shake moves both rods alike, noise does not. Slow drift is no shake: a straight line is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.drift_solve import rod_numbers
from vision.placement import Placement
from vision.reading import Reading
from vision.rods import End, Rods
from vision.setup import Setup, View

WINDOW_S = 3.0
LEAST = 20  # frames
CALM_SIGMAS = 2.0  # below so many spreads nothing is said to shake


@dataclass(frozen=True, slots=True, eq=False)
class Glimpse:
    """One frame's rods: ends (2, 2, 2), sigmas across (2,) and along (2, 2), infinite if unseen."""

    time_s: float
    ends_px: NDArray[np.float64]
    line_sigma_px: NDArray[np.float64]
    end_sigma_px: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shake:
    """RMS turn about both axes across the view (radians), its spread, and the same at the ball."""

    rms_rad: float
    sigma_rad: float
    ball_m: float

    @property
    def told(self) -> bool:
        """Whether it is more than noise may be."""
        return self.rms_rad > CALM_SIGMAS * self.sigma_rad


def glimpse(reading: Reading, time_s: float) -> Glimpse | None:
    """What one reading says of shake, None without two rods."""
    rods = reading.rods
    if not isinstance(rods, Rods):
        return None
    seen = np.array([[kind is End.SEEN for kind in rod.ends] for rod in rods.both])
    along = np.array([rod.end_sigma_px for rod in rods.both], np.float64)
    return Glimpse(
        time_s,
        rods.ends_px,
        np.array([rod.line_sigma_px for rod in rods.both], np.float64),
        np.where(seen, along, np.inf),
    )


def kept(glimpses: tuple[Glimpse, ...], new: Glimpse | None, time_s: float) -> tuple[Glimpse, ...]:
    """The glimpses of the last `WINDOW_S` seconds with the new one."""
    within = tuple(g for g in glimpses if 0 <= time_s - g.time_s <= WINDOW_S)
    return within if new is None else (*within, new)


def ball_distance_m(place: Placement, setup: Setup) -> float:
    """From the lens to the ball, by plane geometry in the line's own axes."""
    if setup.view is View.FACE_ON:
        return math.hypot(place.distance_m - setup.player.ball_m, place.offset_m, place.height_m)
    return math.hypot(place.distance_m, setup.player.ball_m, place.height_m)


def shake(
    glimpses: tuple[Glimpse, ...], size: tuple[int, int], focal_px: float, ball_distance_m: float
) -> Shake | None:
    """The shake in a window of glimpses, None where there are too few.

    Spread: that of a variance from n normal numbers, 2 v^2 / (n - 1), of what was seen and of the
    noise in quadrature (Kendall's Advanced Theory of Statistics, from memory), over the slope of
    the root.
    """
    if len(glimpses) < LEAST:
        return None
    ends = np.stack([g.ends_px for g in glimpses])
    there = ends.mean(axis=0)
    numbers = rod_numbers(there, ends)  # (n, 8)
    across = np.median([g.line_sigma_px for g in glimpses], axis=0)
    ends_sigma = np.max([g.end_sigma_px for g in glimpses], axis=0)  # one unseen spoils the end
    sigma = np.concatenate([np.repeat(across, 2), ends_sigma.ravel()])
    weight = np.where(np.isfinite(sigma), 1.0 / np.maximum(sigma, 1e-3), 0.0)
    times = np.array([g.time_s for g in glimpses])
    numbers = _straightened(times, numbers)
    design = _design(there, size, focal_px) * weight[:, None]
    used = int((weight > 0).sum())
    normal = design.T @ design
    if used <= 3 or np.linalg.cond(normal) > 1e12:
        return None
    inverse = np.linalg.inv(normal)
    turns = (numbers * weight) @ design @ inverse  # (n, 3)
    left = numbers * weight - turns @ design.T
    freedom = len(glimpses) - 2
    noise = float((left**2).sum()) / (freedom * (used - 3))
    seen = float((turns[:, :2] ** 2).sum()) / freedom
    floor = noise * float(np.trace(inverse[:2, :2]))
    square = max(seen - floor, 0.0)
    spread = math.sqrt(2 * seen**2 / freedom + 2 * floor**2 / (freedom * (used - 3)))
    rms = math.sqrt(square)
    # Near zero the root has no slope: there the spread is that of the square, rooted.
    sigma_rms = min(spread / (2 * rms), math.sqrt(spread)) if rms > 0 else math.sqrt(spread)
    return Shake(rms, sigma_rms, rms * ball_distance_m)


def _straightened(times: NDArray[np.float64], numbers: NDArray[np.float64]) -> NDArray[np.float64]:
    """The numbers without their mean and their slope over time."""
    base = np.stack([np.ones_like(times), times - times.mean()], axis=1)
    fit, *_ = np.linalg.lstsq(base, numbers, rcond=None)
    return np.asarray(numbers - base @ fit)


def _design(
    ends_px: NDArray[np.float64], size: tuple[int, int], focal_px: float
) -> NDArray[np.float64]:
    """(8, 3): how the numbers change with a small turn right, up, clockwise of a pinhole camera.

    Derivatives of x = f X / Z by rotation (Hartley & Zisserman, Multiple View Geometry, ch. 8,
    from memory): a turn right by a moves a point by -a (f + x^2/f, x y/f).
    """
    middle = (np.array(size) - 1) / 2
    x, y = np.moveaxis(ends_px - middle, -1, 0)  # (2, 2) each
    f = focal_px
    right = -np.stack([f + x * x / f, x * y / f], axis=-1)
    up = np.stack([x * y / f, f + y * y / f], axis=-1)
    clockwise = np.stack([y, -x], axis=-1)
    span = ends_px[:, 1] - ends_px[:, 0]
    along = span / np.linalg.norm(span, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    moves = np.stack([right, up, clockwise], axis=-1)  # (rod, end, xy, 3)
    rows = [np.einsum("rect,rc->ret", moves, way).reshape(4, 3) for way in (across, along)]
    return np.asarray(np.concatenate(rows))
