"""Stage 4b: does the whole swing stay in the picture, and what cures it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.envelope import Part, facing_y, swing_envelope
from vision.errors import SetupError
from vision.kernel import kernel
from vision.placement import HAND_LINE_M
from vision.setup import Line, Setup, View

__all__ = ["Cure", "Framing", "Part", "frame_swing"]

EDGE = 0.01  # of the shorter side: a club head is no point
NEAR_M = 0.2  # a point nearer than this to the lens's plane is not in the picture
MAX_BACK_M = 8.0
MAX_TILT_RAD = math.radians(12)  # more than this and verticals lean too much to read off the film
TILT_STEP_RAD = math.radians(0.25)
TILT_STEPS = round(MAX_TILT_RAD / TILT_STEP_RAD)
TILT_COST_M_PER_RAD = math.degrees(0.1)  # one degree of tilt is worth 10 cm of walking
TURN_GAIN_M = 0.5  # turning the phone is worth it from this much less walking


class Cure(StrEnum):
    """What brings the swing back into the picture."""

    BACK = "back"  # by back_m
    TILT = "tilt"  # by tilt_rad (+ up)
    UPRIGHT = "upright"  # turn the phone upright
    SIDEWAYS = "sideways"  # turn the phone on its side


@dataclass(frozen=True, slots=True)
class Framing:
    """Whether the swing's envelope fits, what leaves the picture, and the least cure.

    `cure` is None where squaring the lens up is all it takes. `back_m` counts from where the
    lens is, or from the stated distance where the goal states one; `tilt_rad` is the tilt that
    goes with the cure (+ up), 0 where the present tilt will do.
    """

    ok: bool
    out: tuple[Part, ...]
    cure: Cure | None = None
    back_m: float = 0.0
    tilt_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class _Pose:
    """The lens in numbers that a cure can change. `right_m` + = right of the squared line."""

    right_m: float
    distance_m: float
    height_m: float
    yaw_rad: float
    pitch_rad: float
    roll_rad: float


def frame_swing(
    cam_from_ground: NDArray[np.float64],
    focal_px: float,
    size: tuple[int, int],
    setup: Setup,
) -> Framing:
    """Project the swing's envelope through the pose and compute the least cure for what is out.

    `cam_from_ground` (4, 4) maps ground metres to the camera (x right, y down, z forward);
    `size` (width, height) px, the principal point in its middle. What is out is told of the
    picture as it is. The cure is found for a lens squared up at the same place (offset, yaw and
    roll are the other instructions' business), with a margin that leaves room for their
    tolerances: tilt alone, else turning the phone, else the least walk back, with the tilt that
    goes with it. Raises SetupError for a matrix or focal length that cannot be used.
    """
    width, height = size
    if cam_from_ground.shape != (4, 4) or not focal_px > 0 or min(size) < 1:
        raise SetupError(
            f"a pose of shape {cam_from_ground.shape}, focal length {focal_px} px and picture "
            f"{width}x{height} cannot be used: give (4, 4), a positive length and a real size"
        )
    points, parts = swing_envelope(setup)
    edge_px = EDGE * min(size)
    fits = _fits(_project(points, cam_from_ground), focal_px, size, edge_px)
    outside = {part for part, fit in zip(parts, fits, strict=True) if not fit}
    out = tuple(part for part in Part if part in outside)
    stated = setup.goal.distance_m if setup.goal.framing else None
    if not out and stated is None:
        return Framing(True, ())

    pose = _pose_of(cam_from_ground, setup)
    squared = _Pose(_line_right_m(setup), pose.distance_m, pose.height_m, 0.0, pose.pitch_rad, 0.0)
    # Inside the tolerances nothing else will move the lens any more: cure the pose as it is.
    start = squared if _off(pose, squared, setup) else pose
    if stated is not None:
        start = replace(start, distance_m=stated)
    cure, back_m, tilt_rad = _least_cure(points, start, focal_px, size, setup)
    return Framing(not out, out, cure, back_m, tilt_rad)


def _least_cure(
    points: NDArray[np.float64],
    start: _Pose,
    focal_px: float,
    size: tuple[int, int],
    setup: Setup,
) -> tuple[Cure | None, float, float]:
    """(cure, back_m, tilt_rad); (None, 0, 0) where the start itself fits or nothing helps."""
    margin_px = _margin_px(start, focal_px, size, setup)
    matrix = _matrix(start, setup)
    camera = np.ascontiguousarray(_project(points, matrix))
    away = matrix[:3, :3] @ _axes(setup)[0]  # where points go for each metre of walking back
    turned = (size[1], size[0])
    turn = Cure.SIDEWAYS if size[1] > size[0] else Cure.UPRIGHT
    here_px, there_px = (
        ((w - 1) / 2 - margin_px, (h - 1) / 2 - margin_px) for w, h in (size, turned)
    )
    tilt = _least_tilt(camera, focal_px, here_px, start.pitch_rad)
    if not math.isnan(tilt):
        return (Cure.TILT, 0.0, tilt) if tilt else (None, 0.0, 0.0)
    tilt = _least_tilt(camera, focal_px, there_px, start.pitch_rad)
    if not math.isnan(tilt):
        return turn, 0.0, tilt
    back_m, tilt = _least_back(camera, away, focal_px, here_px, start.pitch_rad)
    turned_back_m, _ = _least_back(camera, away, focal_px, there_px, start.pitch_rad)
    if turned_back_m < back_m - TURN_GAIN_M:  # infinite where nothing helps
        return turn, 0.0, 0.0
    if math.isinf(back_m):
        return None, 0.0, 0.0
    return Cure.BACK, back_m, tilt


@kernel
def _least_back(
    camera: NDArray[np.float64],
    away: NDArray[np.float64],
    focal_px: float,
    half_px: tuple[float, float],
    pitch_rad: float,
) -> tuple[float, float]:
    """The walk back (to 1 cm) from which some tilt holds everything, and that tilt.

    The shortest walk may want a large tilt; a little further often does without, and verticals
    then stay upright on the film. Infinite where none helps.
    """
    if np.isnan(_least_tilt(camera + MAX_BACK_M * away, focal_px, half_px, pitch_rad)):
        return np.inf, 0.0
    low, high = 0.0, MAX_BACK_M
    while high - low > 0.01:
        middle = (low + high) / 2
        if np.isnan(_least_tilt(camera + middle * away, focal_px, half_px, pitch_rad)):
            low = middle
        else:
            high = middle
    best, least_m, tilt_rad = np.inf, np.inf, 0.0
    for k in range(9):
        back_m = high + 0.1 * k
        tilt = _least_tilt(camera + back_m * away, focal_px, half_px, pitch_rad)
        cost = back_m + TILT_COST_M_PER_RAD * abs(tilt)
        if cost < best:  # never for NaN
            best, least_m, tilt_rad = cost, back_m, tilt
    return least_m, tilt_rad


@kernel
def _least_tilt(
    camera: NDArray[np.float64], focal_px: float, half_px: tuple[float, float], pitch_rad: float
) -> float:
    """The smallest change of pitch that holds every point, to 0.25 degrees; NaN if none does.

    `camera` (n, 3) in camera axes; `half_px`: half the picture's sides less the margin.
    """
    limit = max(MAX_TILT_RAD, abs(pitch_rad))
    for k in range(2 * TILT_STEPS + 1):
        tilt = (k + 1) // 2 * TILT_STEP_RAD * (-1.0 if k % 2 else 1.0)
        if abs(pitch_rad + tilt) > limit:
            continue
        cos, sin = np.cos(tilt), np.sin(tilt)
        good = True
        for i in range(len(camera)):
            y = cos * camera[i, 1] + sin * camera[i, 2]
            z = cos * camera[i, 2] - sin * camera[i, 1]
            far_x, far_y = half_px[0] * z, half_px[1] * z
            if z <= NEAR_M or focal_px * abs(camera[i, 0]) > far_x or focal_px * abs(y) > far_y:
                good = False
                break
        if good:
            return tilt
    return np.nan


def _fits(
    camera: NDArray[np.float64], focal_px: float, size: tuple[int, int], margin_px: float
) -> NDArray[np.bool_]:
    """Which points (..., 3) in camera axes lie inside the picture less a margin."""
    z = camera[..., 2]
    safe = np.where(z > NEAR_M, z, np.inf)
    half = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2]) - margin_px
    inside = (np.abs(focal_px * camera[..., :2] / safe[..., None]) <= half).all(axis=-1)
    return np.asarray(inside & (z > NEAR_M))


def _margin_px(pose: _Pose, focal_px: float, size: tuple[int, int], setup: Setup) -> float:
    """Room that a lens inside its tolerances may use up, at most a tenth of the shorter side."""
    tol = setup.tolerance
    angle = tol.yaw_rad + tol.offset_m / max(pose.distance_m, 1.0)
    return EDGE * min(size) + min(focal_px * math.tan(min(angle, 0.5)), 0.1 * min(size))


def _project(points: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ground points (n, 3) in camera axes (n, 3)."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])


def _axes(setup: Setup) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(ahead, right) of a lens square to the target line, in the ground frame."""
    if setup.view is View.DOWN_THE_LINE:
        return np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
    # The golfer faces the camera.
    toward = facing_y(setup)
    return np.array([0.0, -toward, 0.0]), np.array([-toward, 0.0, 0.0])


def _line_right_m(setup: Setup) -> float:
    """How far right of the origin the lens belongs (roughly: the framing's margin covers it)."""
    if setup.view is View.FACE_ON or setup.line is Line.TOE:
        return 0.0
    outside = HAND_LINE_M if setup.line is Line.HANDS else setup.player.ball_m / 2
    # The ball's side is y = facing_y, and right is -y.
    return -facing_y(setup) * outside


def _pose_of(matrix: NDArray[np.float64], setup: Setup) -> _Pose:
    """Numbers from the matrix; the inverse of `_matrix`."""
    rotation = matrix[:3, :3]
    lens = -rotation.T @ matrix[:3, 3]
    ahead, right = _axes(setup)
    forward = rotation[2]
    return _Pose(
        right_m=float(lens @ right),
        distance_m=float(-lens @ ahead),
        height_m=float(lens[2]),
        yaw_rad=math.atan2(float(forward @ right), float(forward @ ahead)),
        pitch_rad=math.asin(max(-1.0, min(1.0, float(forward[2])))),
        roll_rad=math.atan2(-float(rotation[0, 2]), -float(rotation[1, 2])),
    )


def _matrix(pose: _Pose, setup: Setup) -> NDArray[np.float64]:
    """`cam_from_ground` (4, 4) of a pose: yaw about the vertical, then pitch, then roll."""
    ahead, right = _axes(setup)
    up = np.array([0.0, 0.0, 1.0])
    cy, sy = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    cp, sp = math.cos(pose.pitch_rad), math.sin(pose.pitch_rad)
    cr, sr = math.cos(pose.roll_rad), math.sin(pose.roll_rad)
    level = cy * ahead + sy * right
    x = cy * right - sy * ahead
    forward = cp * level + sp * up
    down = sp * level - cp * up
    # A phone rolled clockwise: its x axis dips toward the ground.
    rotation = np.stack([cr * x + sr * down, cr * down - sr * x, forward])
    lens = pose.right_m * right - pose.distance_m * ahead + pose.height_m * up
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = -rotation @ lens
    return matrix


def _off(pose: _Pose, squared: _Pose, setup: Setup) -> bool:
    """Whether other instructions will still move the lens."""
    tol = setup.tolerance
    return (
        abs(pose.right_m - squared.right_m) > tol.offset_m
        or abs(pose.yaw_rad) > tol.yaw_rad
        or abs(pose.roll_rad) > tol.roll_rad
    )
