"""Whether the rods lie as they were measured, frame after frame, and what stays known if not.

A phone that stands shows it best: one rod stays in the picture, along itself too, in every frame,
and the other does not. A phone that is moved takes both from their places while it moves, even if
it ends where one of them shows as before. Where both have left, each view is held against what was
measured:
A view of unmoved rods disagrees (chi^2 beyond its tail's point) in `FALSE_ALARM` of independent
views, so `ROW_FRAMES` in a row never happen by noise alone. What may last for many frames is one
thing covered or one edge found wrongly; therefore the same view must also fit rods that lie
otherwise, by far better and by more than such a find could feign, while lens and rods stay those
that were measured. A phone that moves is not asked: its tilt reading is late.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.agree import Agreement, agreement
from vision.known import LEAN, KnownRods
from vision.model import (
    PAIR_LEAN_RAD,
    PAIR_SEPARATION_M,
    PAIR_STAGGER_M,
    T_CENTRE_M,
    T_FOOT_M,
    T_LEAN_RAD,
)
from vision.rods import Rods
from vision.setup import Setup, View

STAYS = 0.002  # of the longer side: a line that stays, with its noise
GOES = 0.005  # and one that does not: a T's stem turned by some 0.7 degrees at 3.5 m
STAND_FRAMES = 8
STAYS_ALONG = 0.005  # its ends are found less well than its line
STRAYED = 4  # frames in a row with neither rod in its place: the phone moves
FALSE_ALARM = 1e-4
ROW_FRAMES = 6
ROW_S = 0.8
BETTER = 20.0  # chi^2 that rods lying otherwise must save; by chance in 2e-4 (3 degrees of freedom)
LEAST_TURN_RAD = float(np.deg2rad(0.5))
LEAST_SHIFT_M = 0.01
WIDER = 2.0  # rods that were moved may lie further off than rods just laid
LAYOUT = slice(LEAN, LEAN + 3)


@dataclass(frozen=True, slots=True)
class Doubt:
    """Frames in a row, and since when, that say that the rods have been moved."""

    frames: int = 0
    since_s: float = float("-inf")

    @property
    def none(self) -> bool:
        """Whether nothing speaks for moved rods."""
        return self.frames == 0


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """Where both rods showed (2 rods, 2 ends, 2) while the phone stood, mean of `frames`."""

    size: tuple[int, int]
    ends_px: NDArray[np.float64]
    frames: int

    @property
    def ready(self) -> bool:
        """Whether it is a mean of enough frames to be held against."""
        return self.frames >= STAND_FRAMES

    def more(self, rods: Rods) -> Stand:
        """The mean with one more frame."""
        ends = rods.ends_px
        mean = self.ends_px + (ends - self.ends_px) / (self.frames + 1)
        return replace(self, ends_px=mean, frames=self.frames + 1)

    def aside(self, rods: Rods) -> NDArray[np.float64]:
        """How far each rod's line (2,) has gone across itself, of the picture's longer side.

        Along itself says nothing: ends are covered and uncovered.
        """
        ends = rods.ends_px
        span = ends[:, 1] - ends[:, 0]
        normal = np.stack([-span[:, 1], span[:, 0]], axis=1)
        normal /= np.linalg.norm(span, axis=1, keepdims=True)
        off = np.einsum("rek,rk->re", self.ends_px - ends[:, :1], normal)
        return np.asarray(np.abs(off).max(axis=1) / max(self.size))

    def along(self, rods: Rods) -> NDArray[np.float64]:
        """How far each rod (2,) has gone along itself at the end that went less."""
        ends = rods.ends_px
        span = ends[:, 1] - ends[:, 0]
        span /= np.linalg.norm(span, axis=1, keepdims=True)
        gone = np.einsum("rek,rk->re", self.ends_px - ends, span)
        return np.asarray(np.abs(gone).min(axis=1) / max(self.size))


def stand(rods: Rods, size: tuple[int, int]) -> Stand:
    """The first frame of a stand."""
    return Stand(size, rods.ends_px, 1)


def widened(known: KnownRods) -> KnownRods:
    """What stays known of moved rods: lens, lengths and the tilt sensor's bias, not how they lie.

    How they lie is left to how people lay rods, twice as widely.
    """
    mean, cov = known.mean.copy(), known.cov.copy()
    cov[LAYOUT, :] = 0.0
    cov[:, LAYOUT] = 0.0
    if known.view is View.FACE_ON:
        mean[LAYOUT] = 0.0
        sigma = np.array([T_LEAN_RAD, T_CENTRE_M, T_FOOT_M])
    else:
        mean[LAYOUT] = 0.0, PAIR_SEPARATION_M[0], 0.0
        sigma = np.array([PAIR_LEAN_RAD, PAIR_SEPARATION_M[1], PAIR_STAGGER_M])
    cov[LAYOUT, LAYOUT] = np.diag((WIDER * sigma) ** 2)
    return replace(known, mean=mean, cov=cov)


def lying_otherwise(rods: Rods, size: tuple[int, int], setup: Setup) -> Agreement:
    """The view's agreement with the lens that is known and rods that lie anyhow."""
    known = setup.known
    assert known is not None
    return agreement(rods, size, replace(setup, known=widened(known)))


def speaks_for_moved(rods: Rods, size: tuple[int, int], setup: Setup, seen: Agreement) -> bool:
    """Whether one view says that the rods lie otherwise than `setup.known`.

    `seen` is its agreement with them. Raises SetupError where nothing is known.
    """
    if not seen.moved(FALSE_ALARM):
        return False
    known = setup.known
    assert known is not None
    free = lying_otherwise(rods, size, setup)
    if free.moved(FALSE_ALARM) or seen.chi2 - free.chi2 < BETTER:
        return False  # no layout at all fits, or none fits better: found wrongly, or another lens
    turn, *shift = np.abs(free.pose.params[12:15] - known.mean[LAYOUT])
    return bool(turn > LEAST_TURN_RAD or max(shift) > LEAST_SHIFT_M)


def doubted(doubt: Doubt, says_moved: bool, time_s: float) -> Doubt:
    """The row with one more view."""
    if not says_moved:
        return Doubt()
    if doubt.none or time_s < doubt.since_s:
        return Doubt(1, time_s)
    return replace(doubt, frames=doubt.frames + 1)


def is_moved(doubt: Doubt, time_s: float) -> bool:
    """Whether the row is long enough to say it."""
    return doubt.frames >= ROW_FRAMES and time_s - doubt.since_s >= ROW_S
