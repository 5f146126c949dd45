"""Between two looks at unmoved rods: by how much the camera has moved, from pixels alone.

Differential: lens, layout, rod lengths and the reference's own misfit stay as they were, so their
errors, which are what makes a single pose unsure, cancel. Only the six numbers of the camera's
place change.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.model import STEP, View2D, ends_in_view, project

FREE = 6  # right, forward, log height, heading, pitch, roll: the first of `vision.model.NAMES`
ROUNDS = 5
# Spread of a move, beforehand: a knock or a tripod that sinks, where the picture says nothing.
LOOSE = np.array([0.05, 0.05, 0.05, 0.03, 0.03, 0.03])
PLACED_PX = (0.06, 0.6)  # across, along, of 1280: the finder's error of place, measured
FITS = 25.0  # chi^2 per degree of freedom above which the rods are not what they were
COVERED_PX = 3.0  # an end that stops short by more than this is covered by something
COVERED_SIGMAS = 8.0
STAYS = 0.1  # a rod that changes by less than this share of the other's change has stayed
CLEAR_SIGMAS = 8.0
BENT = 0.01  # share of the largest change by which the others may be wrong


def rod_numbers(there_px: NDArray[np.float64], ends_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far two rods (..., 2, 2, 2) lie from where they lay (2, 2, 2), (..., 8) pixels.

    First across each rod, of its line at the ends that it had; then along it, of its ends.
    """
    span = there_px[:, 1] - there_px[:, 0]
    length = np.linalg.norm(span, axis=1)
    right, down = (span / length[:, None]).T[..., None]
    away = ends_px - there_px[:, :1]
    u = away[..., 0] * right + away[..., 1] * down
    v = away[..., 1] * right - away[..., 0] * down
    slope = (v[..., 1] - v[..., 0]) / (u[..., 1] - u[..., 0])
    out = np.empty((*u.shape[:-2], 2, 2, 2))
    out[..., 0, :, 0] = v[..., 0] - slope * u[..., 0]
    out[..., 0, :, 1] = out[..., 0, :, 0] + slope * length
    out[..., 1, :, 0] = u[..., 0]
    out[..., 1, :, 1] = u[..., 1] - length
    return np.asarray(out.reshape(*out.shape[:-3], 8))


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """Two rods as they lay in the picture when a place was remembered.

    `ends_px` (2, 2, 2) means over some seconds in a picture of `size`; `seen` (2, 2);
    `params` (COUNT,) of the pose solved from them; `noise_px` (8,) sigma of a block's numbers, in
    the order of `numbers`, and `memory` their correlation from one block to the next; `blocks`
    that were averaged; `roles` of the two rods.
    """

    ends_px: NDArray[np.float64]
    seen: NDArray[np.bool_]
    size: tuple[int, int]
    view: View2D
    params: NDArray[np.float64]
    noise_px: NDArray[np.float64]
    memory: float
    blocks: int
    roles: tuple[str, str]

    def numbers(self, ends_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far lines and ends (..., 2, 2, 2) lie from here, (..., 8) pixels.

        First across each rod, of its line at the reference's ends; then along it, of its ends.
        """
        return rod_numbers(self.ends_px, ends_px)

    def drawn(self, params: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where the model's rods end in the picture (..., 2, 2, 2) for parameters (..., COUNT)."""
        shape = params.shape[:-1]
        ends = ends_in_view(self.view, params)
        ideal = project(params, ends.reshape(*shape, 4, 3)).reshape(*shape, 2, 2, 2)
        wide = params[..., None, None, :]
        bent = 1.0 + wide[..., 9:10] * (ideal**2).sum(axis=-1, keepdims=True)
        return np.asarray(wide[..., 7:9] + np.exp(wide[..., 6:7]) * ideal * bent)


@dataclass(frozen=True, slots=True, eq=False)
class Move:
    """How the camera stands now, seen from where it stood: right, forward, up; as for placement.

    `move_m` (3,) right, forward, up; `turn_rad` (3,) right, up, clockwise; `cov` (6, 6) of both.
    `surprise`: chi^2 of the rods' numbers if nothing at all had moved, of up to 8 numbers.
    """

    move_m: NDArray[np.float64]
    turn_rad: NDArray[np.float64]
    cov: NDArray[np.float64]
    surprise: float = 0.0

    @property
    def distance_m(self) -> float:
        """Length of the way."""
        return float(np.linalg.norm(self.move_m))

    @property
    def distance_sigma_m(self) -> float:
        """Its spread, along the way."""
        return _along(self.move_m, self.cov[:3, :3])

    @property
    def way_main(self) -> tuple[int, float]:
        """Which of right, forward, up is surest to have changed, and its size over its sigma."""
        return _surest(self.move_m, self.cov[:3, :3])

    @property
    def turn_main(self) -> tuple[int, float]:
        """Which of right, up, clockwise is surest to have changed, and its size over its sigma."""
        return _surest(self.turn_rad, self.cov[3:, 3:])

    @property
    def angle_rad(self) -> float:
        """Size of the turn about all three axes."""
        return float(np.linalg.norm(self.turn_rad))

    @property
    def angle_sigma_rad(self) -> float:
        """Its spread, along the turn."""
        return _along(self.turn_rad, self.cov[3:, 3:])


def _surest(vector: NDArray[np.float64], cov: NDArray[np.float64]) -> tuple[int, float]:
    z = np.abs(vector) / np.sqrt(np.maximum(np.diag(cov), 1e-18))
    return int(z.argmax()), float(z.max())


def _along(vector: NDArray[np.float64], cov: NDArray[np.float64]) -> float:
    size = float(np.linalg.norm(vector))
    unit = vector / size if size > 0 else np.array([1.0, 0.0, 0.0])
    return math.sqrt(max(float(unit @ cov @ unit), 0.0))


class Unsolved(StrEnum):
    """Why there is no move."""

    RODS = "rods"  # the rods do not lie to each other as they did
    COVERED = "covered"  # too few ends show


def moved_camera(
    reference: Reference,
    numbers: NDArray[np.float64],
    sigma: NDArray[np.float64],
    seen: NDArray[np.bool_],
) -> Move | Unsolved:
    """The move that explains the rods' numbers (8,) with spreads `sigma` (8,), or why none does.

    `seen` (2, 2): ends that show. One end that stops short and spoils the fit is taken as covered:
    a person who stands over a rod has not moved the camera. Lines and ends are 8 numbers for the
    6 of a move: a rod that was moved by itself leaves a misfit, or has left the other one exactly
    where it was, which no camera that moves does but for a turn about that rod's own axis.
    """
    seen = seen & reference.seen
    spread = _spread(reference, numbers, sigma)
    kept = seen.ravel()
    least = max(2, int(reference.seen.sum()) - 1)
    if int(kept.sum()) < least:
        return Unsolved.COVERED
    surprise = float(((numbers / sigma) ** 2)[np.concatenate([np.ones(4, bool), kept])].sum())
    move, chi2 = _fit(reference, numbers, spread, kept)
    move = replace(move, surprise=surprise)
    if chi2 <= FITS * _freedom(kept):
        return Unsolved.RODS if _one_stays(numbers, sigma, kept) else move
    short = [k for k in range(4) if kept[k] and _stops_short(k, numbers, sigma)]
    if not short:
        return Unsolved.RODS
    if len(short) > 1 or int(kept.sum()) - 1 < least:
        return Unsolved.COVERED
    rest = kept.copy()
    rest[short] = False
    move, chi2 = _fit(reference, numbers, spread, rest)
    surprise = float(((numbers / sigma) ** 2)[np.concatenate([np.ones(4, bool), rest])].sum())
    if chi2 > FITS * _freedom(rest) or _one_stays(numbers, sigma, rest):
        return Unsolved.RODS
    return replace(move, surprise=surprise)


def _spread(
    reference: Reference, numbers: NDArray[np.float64], sigma: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sigma (8,) of numbers that have changed, as evidence of how far.

    What the finder errs by depends on how the rods lie to the pixels. That error is the same for
    rods that stay where they are, and another one for rods that have come a pixel away. Lens and
    lengths that are a little wrong bend large moves.
    """
    change = float(np.abs(numbers).max())
    scale = max(reference.size) / 1280
    placed = np.repeat(PLACED_PX, 4) * scale * min(1.0, change / scale)
    return np.sqrt(sigma**2 + placed**2 + (BENT * change) ** 2)


def _freedom(kept: NDArray[np.bool_]) -> int:
    return max(4 + int(kept.sum()) - FREE, 1)


def _one_stays(
    numbers: NDArray[np.float64], sigma: NDArray[np.float64], kept: NDArray[np.bool_]
) -> bool:
    """Whether one rod has clearly changed in the picture and the other one hardly at all."""
    size = np.abs(numbers) * np.concatenate([np.ones(4, bool), kept])
    changed = size.reshape(2, 2, 2).max(axis=(0, 2))
    clear = (size / sigma).reshape(2, 2, 2).max(axis=(0, 2)) > CLEAR_SIGMAS
    return bool((clear & (changed[::-1] < STAYS * changed)).any())


def _stops_short(k: int, numbers: NDArray[np.float64], sigma: NDArray[np.float64]) -> bool:
    """Whether end `k` has come nearer to the rod's middle than noise explains."""
    inward = numbers[4 + k] if k % 2 == 0 else -numbers[4 + k]
    return bool(inward > max(COVERED_PX, COVERED_SIGMAS * sigma[4 + k]))


def _fit(
    reference: Reference,
    numbers: NDArray[np.float64],
    sigma: NDArray[np.float64],
    kept: NDArray[np.bool_],
) -> tuple[Move, float]:
    """Gauss-Newton in the six numbers of the camera's place, and chi^2 of what is left."""
    used = np.concatenate([np.ones(4, bool), kept])
    start = reference.params
    base = reference.numbers(reference.drawn(start))

    def model(steps: NDArray[np.float64]) -> NDArray[np.float64]:
        params = np.broadcast_to(start, (*steps.shape[:-1], len(start))).copy()
        params[..., :FREE] += steps
        rows = reference.numbers(reference.drawn(params)) - base
        return np.asarray(rows[..., used] / sigma[used])

    wanted = numbers[used] / sigma[used]
    step = np.zeros(FREE)
    sides = np.diag(STEP[:FREE] * 10)
    for _ in range(ROUNDS):
        here, plus, minus = np.split(model(step + np.vstack([step * 0, sides, -sides])), [1, 7])
        slopes = (plus - minus).T / (20 * STEP[:FREE])
        normal = np.asarray(slopes.T @ slopes + np.diag(LOOSE**-2), np.float64)
        change = np.linalg.solve(normal, slopes.T @ (wanted - here[0]) - step * LOOSE**-2)
        step = np.clip(step + change, -1.0, 1.0)
        if np.abs(change).max() < 1e-6:
            break
    left = wanted - model(step)
    cov = np.asarray(np.linalg.inv(normal), np.float64)
    height = float(np.exp(start[2]))
    scale = np.array([1.0, 1.0, height, 1.0, 1.0, 1.0])
    rise = height * float(np.expm1(step[2]))
    move = Move(np.array([step[0], step[1], rise]), step[3:6].copy(), scale[:, None] * cov * scale)
    return move, float(left @ left)
