"""Stage 1d': where the partner of a rod-like segment would lie, and what is there.

A rod on ground of its own lightness gives no line piece that stands out among a whole picture's.
But one rod says where the other can be: across its middle or its end for a T, beside it for a
pair. Few lines are left, and each can be summed over a rod's whole length: a Hough transform of
the lines that fit. Only for pictures whose best layout is not believed.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from vision.hough import Lines, Strips, distinct
from vision.kernel import kernel
from vision.layouts import LOG_HEIGHT, LOG_RANGE, from_ground, nodes, on_ground, saturating
from vision.model import focal_prior
from vision.setup import Handed, Setup
from vision.view import Role, View

Array = NDArray[np.float64]

ANCHORS = 6  # segments whose partners are looked for
LEAST = -4.0  # evidence that makes a segment one of them
STANCES = 3  # tilts of the camera that are tried where it is not known
ODD = -8.0  # prior of a stance that no laid rod is seen from
KEPT = 16  # lines kept of each anchor's
STEP_PX = 2.0  # between the lines that are tried, in pixels of the planes
SAMPLE_PX = 1.5
NEAR_PX = 1.2 * STEP_PX  # nearer ones of an anchor's lines show the same
PARTS = 4  # a club's grip, and what covers a rod, leave the other parts as they are
REACH = 0.8  # of the partner's length
REACH_STEP_PX = 16
TRIM = 0.08  # of the length at both ends: rods are not laid so exactly
FACING = (np.deg2rad(15.0), 4.0)  # how far an anchor is turned from where it should face
# How far from its place the partner is looked for, metres, and how far turned (sine).
FOOT_M = 0.16
CROSS_M = 0.12
APART_M = (0.2, 0.9)
TURN = {View.FACE_ON: 0.12, View.DOWN_THE_LINE: 0.08}


def partner_pieces(
    planes: NDArray[np.float32],
    to_planes: Callable[[Array], Array],
    ends_px: Array,
    logit: Array,
    size: tuple[int, int],
    setup: Setup,
    strips: Strips,
) -> list[tuple[int, Lines]]:
    """The strongest line pieces, half a strip long, where the segments' partners would lie.

    In groups, each with how far from a piece's middle its rod may reach: a long shadow beside a
    short rod would else lead away from it. `planes` (3, h, w) contrast, `to_planes` their points
    (..., 2) from those of the whole picture of `size` (width, height); `ends_px` (n, 2, 2) in the
    whole picture, `logit` (n,) the evidence.
    """
    focal_px, _ = focal_prior(size, setup)
    planes_focal_px = focal_px * planes.shape[2] / size[0]
    pieces, strengths, reaches = [], [], []
    for anchor in np.argsort(-logit, kind="stable")[:ANCHORS]:
        if logit[anchor] < LEAST:
            break
        for role in setup.roles:
            for ground_m, height_m, *tilt in _stances(ends_px[anchor], role, size, focal_px, setup):
                step_m = STEP_PX * _away(ground_m, height_m) / planes_focal_px
                lines_m = _family(ground_m, role, setup, step_m)
                lines = from_ground(lines_m / height_m, size, focal_px, *tilt)
                lines = to_planes(lines[np.isfinite(lines).all(axis=(1, 2))])
                strength, part = _along(planes, lines, strips.flank)
                order = np.argsort(-strength, kind="stable")
                kept = order[distinct(lines[order], KEPT, NEAR_PX, math.inf)]
                kept = kept[strength[kept] > 0.0]
                pieces.append(_piece(lines[kept], part[kept], strips.strip // 2))
                strengths.append(strength[kept])
                span = lines[kept, 1] - lines[kept, 0]
                reaches.append(REACH * np.hypot(span[:, 0], span[:, 1]))
    if not pieces:
        return []
    every, strength = np.concatenate(pieces), np.concatenate(strengths)
    # In steps, so that few different bands are made.
    reach = np.ceil(np.concatenate(reaches) / REACH_STEP_PX).astype(int) * REACH_STEP_PX
    groups = []
    for far in np.unique(reach):
        mine = np.flatnonzero(reach == far)
        order = mine[np.argsort(-strength[mine], kind="stable")]
        kept = order[distinct(every[order], len(order), STEP_PX, STEP_PX)]
        found = Lines(every[kept].astype(np.float32), strength[kept].astype(np.float32))
        groups.append((int(far), found))
    return groups


def _stances(
    ends_px: Array, role: Role, size: tuple[int, int], focal_px: float, setup: Setup
) -> list[tuple[Array, float, float, float]]:
    """How the camera may stand to the anchor: its ends on the ground and its height, m; tilt."""
    pitch, roll, prior = nodes(setup)
    ground = on_ground(ends_px[None], size, focal_px, pitch, roll)[:, 0]
    span = ground[:, 1] - ground[:, 0]
    per_height = np.hypot(span[:, 0], span[:, 1])
    height = setup.length_m(role) / per_height
    ground = ground * height[:, None, None]
    middle = ground.mean(axis=1)
    far = np.hypot(middle[:, 0], middle[:, 1])
    toward = np.abs((span * middle).sum(axis=1)) / (per_height * far)
    across = setup.view is View.FACE_ON and role is setup.roles[0]
    turned = np.arcsin(np.clip(toward, 0, 1)) if across else np.arccos(np.clip(toward, 0, 1))
    score = (
        prior
        + saturating(np.log(height) - LOG_HEIGHT[0], LOG_HEIGHT[1], LOG_HEIGHT[2])
        + saturating(np.log(far) - LOG_RANGE[0], LOG_RANGE[1], LOG_RANGE[2])
        + saturating(turned, *FACING)
    )
    score = np.where(np.isfinite(score), score, -np.inf)
    best = np.argsort(-score, kind="stable")[: 1 if setup.tilt is not None else STANCES]
    return [
        (ground[k], float(height[k]), float(pitch[k]), float(roll[k]))
        for k in best
        if score[k] > max(ODD, score[best[0]] - 0.5 * abs(ODD))
    ]


def _away(ground_m: Array, height_m: float) -> float:
    """How far from the lens the middle of a segment on the ground (2, 2) is."""
    return math.hypot(*ground_m.mean(axis=0).tolist(), height_m)


def _family(anchor: Array, role: Role, setup: Setup, step: float) -> Array:
    """The lines (n, 2, 2) on the ground, metres, where the anchor's partner may lie.

    `step` between them, twice that along the line of sight, where the picture shows it shorter.
    """
    middle, span = anchor.mean(axis=0), anchor[1] - anchor[0]
    along = span / np.hypot(*span)
    across = np.array([-along[1], along[0]])
    first = role is setup.roles[0]
    length = setup.length_m(setup.roles[1] if first else setup.roles[0])
    if setup.view is View.FACE_ON and first:
        toward = -across if across @ middle > 0 else across
        foot, move, reach = middle, along, (-FOOT_M, FOOT_M)
        base = np.stack([foot, foot + toward * length])
    elif setup.view is View.FACE_ON:
        foot = anchor[int(np.argmax(np.hypot(anchor[:, 0], anchor[:, 1])))]
        move, reach = along, (-CROSS_M, CROSS_M)
        base = np.stack([foot - across * length / 2, foot + across * length / 2])
    else:
        along = along if along[1] > 0 else -along
        side = (-1.0 if setup.handed is Handed.LEFT else 1.0) * (1.0 if first else -1.0)
        move, reach = np.array([along[1], -along[0]]) * side, APART_M
        base = np.stack([middle - along * length / 2, middle + along * length / 2])
    if abs(move @ middle) > 0.7 * float(np.hypot(*middle)):
        step *= 2.0
    shift = np.arange(reach[0], reach[1] + step / 2, step)
    most = TURN[setup.view] * length
    turn = np.arange(-most, most + step / 2, step)
    middle_shift, end_shift = (g.ravel() for g in np.meshgrid(shift, turn))
    if setup.view is View.FACE_ON and first:
        shifts = np.stack([middle_shift, middle_shift + end_shift], axis=1)
    else:
        shifts = np.stack([middle_shift - end_shift / 2, middle_shift + end_shift / 2], axis=1)
    return np.asarray(base[None] + shifts[..., None] * move)


@kernel
def _along(planes: NDArray[np.float32], lines: Array, flank: int) -> tuple[Array, NDArray[np.intp]]:
    """Each line's strength (n,) and its strongest part (n,): contrast against both flanks.

    In each of `PARTS` the smaller of the two mean differences, where both have one sign; its square
    times the number of samples, added over parts and planes.
    """
    _, height, width = planes.shape
    strength = np.zeros(len(lines))
    strongest = np.zeros(len(lines), np.intp)
    sums = np.zeros((3, 3))
    for i in range(len(lines)):
        x0, y0 = lines[i, 0, 0], lines[i, 0, 1]
        dx, dy = lines[i, 1, 0] - x0, lines[i, 1, 1] - y0
        length = np.sqrt(dx * dx + dy * dy)
        if length < 8.0:
            continue
        ox, oy = -dy / length * flank, dx / length * flank
        each = max(int(length * (1 - 2 * TRIM) / (PARTS * SAMPLE_PX)), 2)
        high = 0.0
        for part in range(PARTS):
            sums[:] = 0.0
            count = 0
            for k in range(each):
                at = TRIM + (1 - 2 * TRIM) * (part + (k + 0.5) / each) / PARTS
                x, y = x0 + dx * at, y0 + dy * at
                if not (flank < x < width - 1 - flank and flank < y < height - 1 - flank):
                    continue
                count += 1
                for side in range(3):
                    column = np.int64(x + (side - 1) * ox + 0.5)
                    row = np.int64(y + (side - 1) * oy + 0.5)
                    for p in range(3):
                        sums[side, p] += planes[p, row, column]
            if count == 0:
                continue
            energy = 0.0
            for p in range(3):
                left, right = sums[1, p] - sums[0, p], sums[1, p] - sums[2, p]
                both = max(min(left, right), 0.0) + min(max(left, right), 0.0)
                energy += both * both / count
            strength[i] += energy
            if energy > high:
                high, strongest[i] = energy, part
    return strength, strongest


def _piece(lines: Array, part: NDArray[np.intp], length: float) -> Array:
    """Pieces (n, 2, 2) of this length at the middle of each line's strongest part."""
    span = lines[:, 1] - lines[:, 0]
    middle = lines[:, 0] + span * ((part + 0.5) / PARTS)[:, None]
    half = span * (length / 2 / np.maximum(np.hypot(span[:, 0], span[:, 1]), 1.0))[:, None]
    return np.stack([middle - half, middle + half], axis=1)
