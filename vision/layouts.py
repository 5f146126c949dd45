"""Stage 1d: which two segments are the laid rods.

Each ordered pair of segments is laid on the ground by every camera tilt of a coarse grid; the rods'
known lengths give the height, and what comes out is compared with how rods are laid: a T or a pair,
seen from a phone on a small tripod. Penalties saturate, so that one odd quantity is no veto.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel
from vision.setup import Handed, Setup, View

Array = NDArray[np.float64]
Some = TypeVar("Some", float, Array)

PITCH_GRID_DEG = np.arange(-46.0, 4.1, 3.0)
ROLL_GRID_DEG = np.arange(-6.0, 6.1, 2.0)
PITCH_PRIOR_DEG = (-18.0, 14.0)
ROLL_PRIOR_DEG = 3.0
HOPELESS = 4.0  # no tilt within the sensor's noise makes up for that
MIN_DIP = 0.03  # a ray this near the horizon meets the ground nowhere useful

# (spread, largest penalty). Spreads are how people lay rods by eye; common practice, no source.
LENGTHS = (0.12, 4.0)  # log ratio of the two heights that the two lengths give
T_ANGLE = (np.deg2rad(3.0), 6.0)
T_FOOT_M = (0.06, 5.0)
T_CENTRE_M = (0.12, 4.0)
T_BEARING = (np.deg2rad(12.0), 4.0)
PAIR_ANGLE = (np.deg2rad(2.2), 6.0)
PAIR_SEPARATION_M = (0.54, 0.14, 5.0)
PAIR_STAGGER_M = (0.25, 4.0)
PAIR_BEARING = (np.deg2rad(12.0), 4.0)
LOG_HEIGHT = (np.log(1.15), 0.35, 5.0)
LOG_RANGE = (np.log(3.4), 0.4, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class LayoutGuess:
    """Two segments in the order of `Setup.roles`, with the grid's best tilt and height."""

    first: int
    second: int
    score: float
    pitch_rad: float
    roll_rad: float
    height_m: float


def rank_layouts(
    ends_px: NDArray[np.float64],
    logit: NDArray[np.float64],
    cut: NDArray[np.bool_],
    size: tuple[int, int],
    focal_px: float,
    setup: Setup,
    keep: int = 8,
) -> list[LayoutGuess]:
    """The `keep` best layouts, best first.

    `ends_px` (n, 2, 2) in pixels of a picture of `size` (width, height), `logit` (n,) the
    evidence for each segment, `cut` (n, 2) whether an end leaves the picture.
    """
    if len(ends_px) < 2:
        return []
    pitch, roll, prior = nodes(setup)
    ground = on_ground(ends_px, size, focal_px, pitch, roll)
    # Geometry only takes away: pairs in the order of their evidence, until none can catch up.
    either = logit[:, None] + logit[None]
    np.fill_diagonal(either, -np.inf)
    order = np.argsort(-either, axis=None, kind="stable")[: len(ends_px) * (len(ends_px) - 1)]
    first, second = setup.roles
    best, node, height = _best_of_pairs(
        ground,
        prior,
        np.stack(np.unravel_index(order, either.shape), axis=-1),
        either.ravel()[order],
        np.asarray(cut.any(axis=1)),
        (setup.length_m(first), setup.length_m(second)),
        setup.view is View.FACE_ON,
        -1.0 if setup.handed is Handed.LEFT else 1.0,
        keep,
        HOPELESS if setup.tilt is not None else np.inf,
    )
    return [
        LayoutGuess(
            int(order[k] // len(ends_px)),
            int(order[k] % len(ends_px)),
            float(best[k]),
            float(pitch[node[k]]),
            float(roll[node[k]]),
            float(height[k]),
        )
        for k in np.argsort(-best, kind="stable")[:keep]
        if np.isfinite(best[k])
    ]


def nodes(setup: Setup) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Tilts to try, the likeliest first where the sensor tells it, with their log prior."""
    if setup.tilt is not None:
        spread = float(np.hypot(setup.tilt.sigma_rad, setup.tilt.bias_sigma_rad))
        step = np.array([0.0, -1.5, 1.5]) * max(spread, np.deg2rad(0.2))
        pitch, roll = setup.tilt.pitch_rad + step, setup.tilt.roll_rad + step
        return np.tile(pitch, 3), np.repeat(roll, 3), np.zeros(9)
    pitch_deg, roll_deg = (g.ravel() for g in np.meshgrid(PITCH_GRID_DEG, ROLL_GRID_DEG))
    prior = -0.5 * ((pitch_deg - PITCH_PRIOR_DEG[0]) / PITCH_PRIOR_DEG[1]) ** 2
    prior -= 0.5 * (roll_deg / ROLL_PRIOR_DEG) ** 2
    return np.deg2rad(pitch_deg), np.deg2rad(roll_deg), prior


def on_ground(
    ends_px: NDArray[np.float64],
    size: tuple[int, int],
    focal_px: float,
    pitch: NDArray[np.float64],
    roll: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Where each end meets the ground: (nodes, n, 2, 2) as (right, forward) per metre of height.

    `ends_px` (n, 2, 2), `pitch` and `roll` (nodes,) in radians. NaN near and above the horizon.
    """
    out = np.empty((len(pitch), *ends_px.shape))
    _on_ground(ends_px.reshape(-1, 2), size, focal_px, pitch, roll, out.reshape(len(pitch), -1, 2))
    return out


@kernel
def _on_ground(
    points_px: Array, size: tuple[int, int], focal_px: float, pitch: Array, roll: Array, out: Array
) -> None:
    """Points (n, 2) on the ground of each tilt, into `out` (tilts, n, 2)."""
    for m in range(len(pitch)):
        cr, sr, cp, sp = np.cos(roll[m]), np.sin(roll[m]), np.cos(pitch[m]), np.sin(pitch[m])
        for i in range(len(points_px)):
            x = (points_px[i, 0] - (size[0] - 1) / 2) / focal_px
            y = (points_px[i, 1] - (size[1] - 1) / 2) / focal_px
            # A phone rolled clockwise by r sees the world turned counterclockwise: back again.
            right, down = cr * x - sr * y, sr * x + cr * y
            dip = cp * down - sp
            if dip > MIN_DIP:
                out[m, i, 0], out[m, i, 1] = right / dip, (cp + sp * down) / dip
            else:
                out[m, i, 0], out[m, i, 1] = np.nan, np.nan


def from_ground(
    ground_m: Array, size: tuple[int, int], focal_px: float, pitch: float, roll: float
) -> Array:
    """Where points on the ground, (..., 2) as (right, forward) at height 1 m, are seen (..., 2).

    The inverse of `on_ground` for one tilt, in pixels; NaN for points beside or behind the lens.
    """
    right, forward = ground_m[..., 0], ground_m[..., 1]
    down = np.cos(pitch) + np.sin(pitch) * forward
    depth = np.cos(pitch) * forward - np.sin(pitch)
    depth = np.where(depth > MIN_DIP, depth, np.nan)
    x = np.cos(roll) * right + np.sin(roll) * down
    y = np.cos(roll) * down - np.sin(roll) * right
    middle = (np.array(size) - 1) / 2
    return np.asarray(np.stack([x, y], axis=-1) / depth[..., None] * focal_px + middle)


@kernel
def _best_of_pairs(
    ground: Array,
    prior: Array,
    pairs: NDArray[np.intp],
    evidence: Array,
    cut: NDArray[np.bool_],
    lengths_m: tuple[float, float],
    face_on: bool,
    side: float,
    keep: int,
    hopeless: float,
) -> tuple[Array, NDArray[np.intp], Array]:
    """Score, tilt and height of each pair of segments (n,); -inf where it cannot be of the best.

    `ground` (nodes, segments, 2, 2) per metre of height; `pairs` (n, 2) and their `evidence` (n,),
    the strongest first; `side` +1 where the ball rod lies right of the toe rod. A pair that falls
    short of the best by `hopeless` at the first tilt is not laid by the others.
    """
    best = np.full(len(pairs), -np.inf)
    node = np.zeros(len(pairs), np.intp)
    height = np.zeros(len(pairs))
    leaders = np.full(keep, -np.inf)
    for k in range(len(pairs)):
        least = leaders.min()
        if evidence[k] + prior.max() < least:
            break
        i, j = pairs[k]
        for m in range(len(prior)):
            start = evidence[k] + prior[m]
            if start <= max(best[k], least):
                continue
            score, metres = _lie(
                ground[m, i], ground[m, j], cut[i], cut[j], lengths_m, face_on, side
            )
            if start + score > best[k]:
                best[k], node[k], height[k] = start + score, m, metres
            if m == 0 and start + score < least - hopeless:
                break
        if best[k] > least:
            leaders[leaders.argmin()] = best[k]
    return best, node, height


@kernel
def _lie(
    a: Array,
    b: Array,
    cut_a: bool,
    cut_b: bool,
    lengths_m: tuple[float, float],
    face_on: bool,
    side: float,
) -> tuple[float, float]:
    """How far two segments on the ground, (2, 2) per metre of height, lie from a T or a pair.

    The penalties' sum and the height; NaN for an end above the horizon, which nothing exceeds.
    """
    ax, ay = a[1, 0] - a[0, 0], a[1, 1] - a[0, 1]
    bx, by = b[1, 0] - b[0, 0], b[1, 1] - b[0, 1]
    size_a, size_b = np.hypot(ax, ay), np.hypot(bx, by)
    ax, ay, bx, by = ax / size_a, ay / size_a, bx / size_b, by / size_b
    log_a, log_b = np.log(lengths_m[0] / size_a), np.log(lengths_m[1] / size_b)
    weight_a, weight_b = 0.05 if cut_a else 1.0, 0.05 if cut_b else 1.0
    share = weight_a / (weight_a + weight_b)
    log_height = share * log_a + (1 - share) * log_b
    height = np.exp(log_height)
    score = saturating(log_a - log_b, LENGTHS[0], LENGTHS[1]) * (0.3 if cut_a or cut_b else 1.0)
    score += saturating(log_height - LOG_HEIGHT[0], LOG_HEIGHT[1], LOG_HEIGHT[2])
    mx, my = (a[0, 0] + a[1, 0]) / 2 * height, (a[0, 1] + a[1, 1]) / 2 * height
    score += saturating(np.log(np.hypot(mx, my)) - LOG_RANGE[0], LOG_RANGE[1], LOG_RANGE[2])
    if face_on:
        # The stem's foot is its end nearer the target line.
        x0, y0 = b[0, 0] * height - mx, b[0, 1] * height - my
        x1, y1 = b[1, 0] * height - mx, b[1, 1] * height - my
        off0, off1 = abs(x0 * ay - y0 * ax), abs(x1 * ay - y1 * ax)
        if off1 < off0:
            x0, y0, x1, y1, off0 = x1, y1, x0, y0, off1
        score += saturating(
            np.arcsin(min(max(ax * bx + ay * by, -1.0), 1.0)), T_ANGLE[0], T_ANGLE[1]
        )
        score += saturating(off0, T_FOOT_M[0], T_FOOT_M[1])
        score += saturating(x0 * ax + y0 * ay, T_CENTRE_M[0], T_CENTRE_M[1])
        # Foot to near end should point at the lens.
        tx, ty, lx, ly = x1 - x0, y1 - y0, -(mx + x0), -(my + y0)
        bearing = np.arctan2(tx * ly - ty * lx, tx * lx + ty * ly)
        return score + saturating(bearing, T_BEARING[0], T_BEARING[1]), height
    sine = min(max(ax * by - ay * bx, -1.0), 1.0)
    score += saturating(np.arcsin(sine), PAIR_ANGLE[0], PAIR_ANGLE[1])
    if ay < 0:
        ax, ay = -ax, -ay
    x, y = (b[0, 0] + b[1, 0]) / 2 * height - mx, (b[0, 1] + b[1, 1]) / 2 * height - my
    apart = side * (x * ay - y * ax)
    score += saturating(apart - PAIR_SEPARATION_M[0], PAIR_SEPARATION_M[1], PAIR_SEPARATION_M[2])
    score += saturating(x * ax + y * ay, PAIR_STAGGER_M[0], PAIR_STAGGER_M[1])
    bearing = np.arctan2(mx * ay - my * ax, mx * ax + my * ay)
    return score + saturating(bearing, PAIR_BEARING[0], PAIR_BEARING[1]), height


@kernel
def saturating(value: Some, spread: float, largest: float) -> Some:
    """-z^2/2 near zero, never below -largest (Geman-McClure shape), of a number or an array."""
    half = 0.5 * (value / spread) ** 2
    return -half / (1.0 + half / largest)
