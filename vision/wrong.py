"""Why two rods that were seen are not the layout asked for, told from how they lie on the ground.

Each camera tilt of a coarse grid lays both rods on the ground; the tilts vote with their prior and
with how well the rods' known lengths agree, so that no single guess of the tilt decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.layouts import PITCH_PRIOR_DEG, on_ground
from vision.model import focal_prior
from vision.rods import NotFound, Reason, Rod
from vision.setup import Setup, View

PITCH_DEG = np.arange(-50.0, 2.1, 2.0)
ROLL_DEG = np.arange(-8.0, 8.1, 2.0)
# How phones stand and how high; common practice, no source.
ROLL_PRIOR_DEG = 4.0
LOG_HEIGHT_PRIOR = (float(np.log(1.15)), 0.4)
LENGTHS_AGREE = 0.1  # spread of the log ratio of the two heights that the two lengths give
CUT_AGREE = 0.7  # the same where an end leaves the picture
EDGE_SHARE = 0.008  # of the longer side: an end this near the picture's edge is cut

PARALLEL_DEG = 15.0
PAIR_DEG = 8.0  # a pair laid by eye closes by less
ACROSS_DEG = 65.0
ONE_LINE_M = 0.1  # nearer than this, two lines are one rod and its shadow or its other half
PAIR_APART_M = 1.0
PAIR_SHIFT_M = 0.9
# Where the lines cross, in half lengths from a rod's middle.
MIDDLE = 0.6  # within the middle part of a rod
CENTRE = 0.35  # where a stem belongs, give or take
REACH = 1.35  # still at a rod's end
STEM_TURN_RAD = float(np.deg2rad(50.0))
SHARE = 0.5  # of the votes that a reason needs


# What no covered or cut end can feign: shorter rods still point the same way.
_CERTAIN = frozenset({Reason.PAIR_LAID, Reason.T_LAID, Reason.T_TURNED})
# A T whose target rod is half covered looks like an L: only rods of full length tell.
_WHOLE_ONLY = frozenset({Reason.CORNER, Reason.APART})
WHOLE = 0.12  # log ratio of the two rods' lengths, each over its own
# The same from which a rod seems to run on into something else, a leg say: where both lengths are
# known, and where not.
RUNS_ON, RUNS_ON_UNSTATED = 0.2, 0.4


@dataclass(frozen=True, slots=True, eq=False)
class _Lie:
    """Both rods on the ground for each tilt (n): places in metres, the lens above (0, 0)."""

    ends: NDArray[np.float64]  # (n, 2 rods, 2 ends, 2)
    weight: NDArray[np.float64]  # (n,), sums to 1
    unequal: float  # weighted |log ratio| of the rods' lengths, each over its own; inf where cut


def why_not(ends_px: NDArray[np.float64], size: tuple[int, int], setup: Setup) -> Reason:
    """What is wrong with the layout of two rods with ends (2, 2, 2) in a picture of `size`.

    UNSURE where they lie as asked, so that it was not the layout that failed. WRONG_LAYOUT where
    no reason has most of the votes, or where they lie like neither a T nor a pair.
    """
    lie = _on_ground(ends_px, size, setup)
    return Reason.WRONG_LAYOUT if lie is None else _vote(lie, setup)


def refused(
    likely: tuple[Rod, ...], size: tuple[int, int], setup: Setup, hopeful: bool = False
) -> NotFound:
    """No layout believed: one rod, a wrong layout and nothing told apart.

    `likely`: what looks like rods, best first. `hopeful`: a layout was nearly believed, so that
    rods are there but hard to see.
    """
    if len(likely) >= 2:
        ends_px = np.stack([rod.ends_px for rod in likely[:2]])
        return NotFound(why_not(ends_px, size, setup), likely)
    if hopeful:
        return NotFound(Reason.UNSURE, likely)
    return NotFound(Reason.ONE_ROD if likely else Reason.NO_RODS, likely)


def surely_not(ends_px: NDArray[np.float64], size: tuple[int, int], setup: Setup) -> Reason | None:
    """The reason of `why_not` where no covered or cut end could be behind it, else None.

    For rods that were taken for the layout: a pose may set a wrong rod's ends aside as covered.
    """
    lie = _on_ground(ends_px, size, setup)
    if lie is None:
        return None
    reason = _vote(lie, setup)
    if reason is Reason.CROSSED:
        stated = setup.tilt is not None and setup.stated
        runs_on = RUNS_ON if stated else RUNS_ON_UNSTATED
        return None if runs_on <= lie.unequal < np.inf else reason
    whole = setup.tilt is not None and lie.unequal < WHOLE
    return reason if reason in _CERTAIN or (whole and reason in _WHOLE_ONLY) else None


def _vote(lie: _Lie, setup: Setup) -> Reason:
    reasons = _judge(lie.ends, setup)
    votes = {reason: float(lie.weight[where].sum()) for reason, where in reasons.items()}
    best = max(votes, key=lambda reason: votes[reason])
    return best if votes[best] >= SHARE else Reason.WRONG_LAYOUT


def _on_ground(ends_px: NDArray[np.float64], size: tuple[int, int], setup: Setup) -> _Lie | None:
    pitch, roll, prior = _tilts(setup)
    focal_px, _ = focal_prior(size, setup)
    ends = on_ground(np.asarray(ends_px), size, focal_px, pitch, roll)
    usable = np.isfinite(ends).all(axis=(1, 2, 3))
    if not usable.any():
        return None
    ends = ends[usable]
    span = np.maximum(np.linalg.norm(ends[:, :, 1] - ends[:, :, 0], axis=-1), 1e-9)
    log_height = np.log([setup.length_m(role) for role in setup.roles]) - np.log(span)
    edge = EDGE_SHARE * max(size)
    ratio = np.abs(log_height[:, 0] - log_height[:, 1])
    cut = ((ends_px < edge) | (ends_px > np.array(size) - 1 - edge)).any(axis=(1, 2))
    agree = CUT_AGREE if cut.any() else LENGTHS_AGREE
    if cut.sum() == 1:
        log_height = np.repeat(log_height[:, ~cut], 2, axis=1)  # only a whole rod has a length
    mean = log_height.mean(axis=1)
    score = prior[usable]
    score = score - 0.5 * ((mean - LOG_HEIGHT_PRIOR[0]) / LOG_HEIGHT_PRIOR[1]) ** 2
    score = score - 0.5 * ((log_height[:, 0] - log_height[:, 1]) / agree) ** 2
    weight = np.exp(score - score.max())
    weight = weight / weight.sum()
    unequal = float("inf") if cut.any() else float(weight @ ratio)
    return _Lie(ends * np.exp(mean)[:, None, None, None], weight, unequal)


def _tilts(setup: Setup) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Tilts to try, with their log prior: around the sensor's reading, or a phone on a tripod."""
    if setup.tilt is not None:
        spread = max(float(np.hypot(setup.tilt.sigma_rad, setup.tilt.bias_sigma_rad)), 1e-3)
        step = np.array([-1.5, 0.0, 1.5])
        up, over = (g.ravel() for g in np.meshgrid(step, step))
        prior = -0.5 * (up**2 + over**2)
        return setup.tilt.pitch_rad + spread * up, setup.tilt.roll_rad + spread * over, prior
    up, over = (g.ravel() for g in np.meshgrid(PITCH_DEG, ROLL_DEG))
    prior = -0.5 * ((up - PITCH_PRIOR_DEG[0]) / PITCH_PRIOR_DEG[1]) ** 2
    return np.deg2rad(up), np.deg2rad(over), prior - 0.5 * (over / ROLL_PRIOR_DEG) ** 2


def _judge(ends: NDArray[np.float64], setup: Setup) -> dict[Reason, NDArray[np.bool_]]:
    """For which tilts (n,) each reason holds; `ends` (n, 2 rods, 2 ends, 2), lens above (0, 0)."""
    middle = ends.mean(axis=2)
    half = (ends[:, :, 1] - ends[:, :, 0]) / 2
    length = np.maximum(np.linalg.norm(half, axis=-1), 1e-9)
    unit = half / length[..., None]
    sine = _cross(unit[:, 0], unit[:, 1])
    angle_deg = np.rad2deg(np.arcsin(np.minimum(np.abs(sine), 1.0)))
    between = middle[:, 1] - middle[:, 0]
    parallel = angle_deg < PARALLEL_DEG
    pair_like = angle_deg <= PAIR_DEG
    # Side by side: how far apart, and how far one is shifted along the other.
    other = unit[:, 1] * np.where((unit[:, 0] * unit[:, 1]).sum(axis=-1) < 0, -1.0, 1.0)[:, None]
    along = unit[:, 0] + other
    along = along / np.maximum(np.linalg.norm(along, axis=-1), 1e-9)[:, None]
    apart = np.abs(_cross(between, along))
    far = (apart > PAIR_APART_M) | (np.abs((between * along).sum(axis=-1)) > PAIR_SHIFT_M)
    # Across: where the two lines meet, in half lengths from each rod's middle.
    safe = np.where(parallel, 1.0, sine)
    at = np.stack([_cross(between, unit[:, 1]), _cross(between, unit[:, 0])], axis=-1)
    at = at / safe[:, None] / length
    where = np.abs(at)
    # The stem is the rod that is met nearer its end; it should point at the lens.
    row, stem = np.arange(len(ends)), where.argmax(axis=-1)
    toward = -at[row, stem][:, None] * half[row, stem]
    to_lens = -(middle[row, stem] - toward)
    turn = np.abs(np.arctan2(_cross(toward, to_lens), (toward * to_lens).sum(axis=-1)))
    ahead = np.abs(along[:, 1]) > np.cos(STEM_TURN_RAD)  # a toe line points away from the lens
    centred = where.min(axis=-1) < CENTRE
    face_on = setup.view is View.FACE_ON
    wrong = Reason.WRONG_LAYOUT
    tests: list[tuple[Reason, NDArray[np.bool_]]] = [
        (Reason.ONE_ROD, parallel & (apart < ONE_LINE_M)),
        (Reason.APART, parallel & far),
        (wrong, parallel & ~pair_like),
        (Reason.PAIR_LAID if face_on else Reason.UNSURE, parallel & (ahead | face_on)),
        (wrong, parallel),
        (Reason.APART, (where > REACH).any(axis=-1)),
        (wrong, angle_deg < ACROSS_DEG),
        (Reason.CROSSED, (where < MIDDLE).all(axis=-1)),
        (Reason.CORNER, (where >= MIDDLE).all(axis=-1)),
        (wrong if face_on else Reason.T_LAID, ~centred | (not face_on)),
        (Reason.T_TURNED, turn > STEM_TURN_RAD),
        (Reason.UNSURE, np.ones(len(ends), bool)),
    ]
    out: dict[Reason, NDArray[np.bool_]] = {}
    open_ = np.ones(len(ends), bool)
    for reason, holds in tests:
        out[reason] = out.get(reason, np.zeros(len(ends), bool)) | (open_ & holds)
        open_ &= ~holds
    return out


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
