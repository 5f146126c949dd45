"""Stage 1d: which two segments are the laid rods.

Each ordered pair of segments is laid on the ground by every camera tilt of a coarse grid; the rods'
known lengths give the height, and what comes out is compared with how rods are laid: a T or a pair,
seen from a phone on a small tripod. Penalties saturate, so that one odd quantity is no veto.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.setup import Handed, Setup, View

PITCH_GRID_DEG = np.arange(-46.0, 4.1, 3.0)
ROLL_GRID_DEG = np.arange(-6.0, 6.1, 2.0)
PITCH_PRIOR_DEG = (-18.0, 14.0)
ROLL_PRIOR_DEG = 3.0
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
    count = len(ends_px)
    if count < 2:
        return []
    pitch, roll, prior = _nodes(setup)
    ground = on_ground(ends_px, size, focal_px, pitch, roll)
    i, j = (g.ravel() for g in np.meshgrid(np.arange(count), np.arange(count), indexing="ij"))
    keep_pairs = (i != j) & (logit[i] + logit[j] > np.sort(logit)[::-1][:2].sum() - 18.0)
    i, j = i[keep_pairs], j[keep_pairs]
    first, second = setup.roles
    geometry, height = _score(
        ground,
        i,
        j,
        cut,
        (setup.length_m(first), setup.length_m(second)),
        setup,
    )
    total = geometry + prior[:, None] + (logit[i] + logit[j])[None]
    node = total.argmax(axis=0)
    best = total[node, np.arange(len(i))]
    order = np.argsort(-best, kind="stable")[:keep]
    return [
        LayoutGuess(
            int(i[k]),
            int(j[k]),
            float(best[k]),
            float(pitch[node[k]]),
            float(roll[node[k]]),
            float(height[node[k], k]),
        )
        for k in order
        if np.isfinite(best[k])
    ]


def _nodes(setup: Setup) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Tilts to try, with their log prior: around the sensor's reading, or a phone on a tripod."""
    if setup.tilt is not None:
        spread = float(np.hypot(setup.tilt.sigma_rad, setup.tilt.bias_sigma_rad))
        step = np.array([-1.5, 0.0, 1.5]) * max(spread, np.deg2rad(0.2))
        pitch, roll = np.meshgrid(setup.tilt.pitch_rad + step, setup.tilt.roll_rad + step)
        return pitch.ravel(), roll.ravel(), np.zeros(pitch.size)
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
    x = (ends_px[..., 0] - (size[0] - 1) / 2) / focal_px
    y = (ends_px[..., 1] - (size[1] - 1) / 2) / focal_px
    cr, sr = np.cos(roll)[:, None, None], np.sin(roll)[:, None, None]
    cp, sp = np.cos(pitch)[:, None, None], np.sin(pitch)[:, None, None]
    # A phone rolled clockwise by r sees the world turned counterclockwise: turn the ray back.
    right = cr * x - sr * y
    down = sr * x + cr * y
    forward = cp + sp * down
    dip = cp * down - sp
    dip = np.where(dip > MIN_DIP, dip, np.nan)
    return np.stack([right / dip, forward / dip], axis=-1)


def _saturating(value: NDArray[np.float64], spread: float, largest: float) -> NDArray[np.float64]:
    """-z^2/2 near zero, never below -largest (Geman-McClure shape)."""
    half = 0.5 * (value / spread) ** 2
    return -half / (1.0 + half / largest)


def _score(
    ground: NDArray[np.float64],
    i: NDArray[np.intp],
    j: NDArray[np.intp],
    cut: NDArray[np.bool_],
    lengths_m: tuple[float, float],
    setup: Setup,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    along = ground[:, :, 1] - ground[:, :, 0]
    size = np.hypot(along[..., 0], along[..., 1])
    weight = np.where(cut.any(axis=1), 0.05, 1.0)
    log_i = np.log(lengths_m[0] / size)[:, i]
    log_j = np.log(lengths_m[1] / size)[:, j]
    share = weight[i] / (weight[i] + weight[j])
    log_height = share * log_i + (1 - share) * log_j
    height = np.exp(log_height)
    agree = np.where((weight[i] < 1) | (weight[j] < 1), 0.3, 1.0)
    score = agree * _saturating(log_i - log_j, *LENGTHS)
    score += _saturating(log_height - LOG_HEIGHT[0], LOG_HEIGHT[1], LOG_HEIGHT[2])
    unit = along / size[..., None]
    a0 = ground[:, i] * height[..., None, None]  # (nodes, pairs, ends, 2) metres
    b0 = ground[:, j] * height[..., None, None]
    ua, ub = unit[:, i], unit[:, j]
    cross = ua[..., 0] * ub[..., 1] - ua[..., 1] * ub[..., 0]
    dot = ua[..., 0] * ub[..., 0] + ua[..., 1] * ub[..., 1]
    middle_a, middle_b = a0.mean(axis=2), b0.mean(axis=2)
    reach = np.hypot(middle_a[..., 0], middle_a[..., 1])
    score += _saturating(np.log(reach) - LOG_RANGE[0], LOG_RANGE[1], LOG_RANGE[2])
    if setup.view is View.FACE_ON:
        # Ends are ordered along the segment; the stem's foot is its end nearer the target line.
        rel = b0 - middle_a[..., None, :]
        off = rel[..., 0] * ua[..., None, 1] - rel[..., 1] * ua[..., None, 0]
        foot = np.abs(off).argmin(axis=-1)
        foot_off = np.take_along_axis(np.abs(off), foot[..., None], -1)[..., 0]
        foot_at = np.take_along_axis(rel, foot[..., None, None], -2)[..., 0, :]
        tip_at = np.take_along_axis(rel, 1 - foot[..., None, None], -2)[..., 0, :]
        slip = foot_at[..., 0] * ua[..., 0] + foot_at[..., 1] * ua[..., 1]
        score += _saturating(np.arcsin(np.clip(dot, -1, 1)), *T_ANGLE)
        score += _saturating(foot_off, *T_FOOT_M) + _saturating(slip, *T_CENTRE_M)
        toward = tip_at - foot_at  # foot to near end: should point at the lens
        to_lens = -(middle_a + foot_at)
        bearing = np.arctan2(
            toward[..., 0] * to_lens[..., 1] - toward[..., 1] * to_lens[..., 0],
            (toward * to_lens).sum(-1),
        )
        score += _saturating(bearing, *T_BEARING)
    else:
        score += _saturating(np.arcsin(np.clip(cross, -1, 1)), *PAIR_ANGLE)
        forward = np.where(ua[..., 1:] < 0, -ua, ua)
        rel = middle_b - middle_a
        # + = the ball rod lies to the right of the toe rod, seen along them from the lens
        side = rel[..., 0] * forward[..., 1] - rel[..., 1] * forward[..., 0]
        if setup.handed is Handed.LEFT:
            side = -side
        stagger = rel[..., 0] * forward[..., 0] + rel[..., 1] * forward[..., 1]
        score += _saturating(side - PAIR_SEPARATION_M[0], *PAIR_SEPARATION_M[1:])
        score += _saturating(stagger, *PAIR_STAGGER_M)
        bearing = np.arctan2(
            middle_a[..., 0] * forward[..., 1] - middle_a[..., 1] * forward[..., 0],
            (middle_a * forward).sum(-1),
        )
        score += _saturating(bearing, *PAIR_BEARING)
    return np.where(np.isfinite(score), score, -np.inf), height
