"""Where the rods point: how far right or left of a target that was tapped in the picture.

The tapped pixel gives a ray from the lens. It passes the target at the target's distance from the
rods, and from each rod's own middle the target lies in another direction than from the lens: the
nearer it is, the more. Everything is horizontal, in the view frame of `vision.model`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.model import COUNT, STEP, cam_from_view, ends_in_view
from vision.pose import Pose
from vision.setup import AimPoint, Handed, Role, Setup, View

# How far away targets are; common practice, no source.
USUAL_DISTANCE_M = 150.0
USUAL_SPREAD = 0.5  # share of it, one sigma, log-normal
STATED_SPREAD = 0.05  # a board on the range, or paces
TAP_SIGMA = 4.0 / 1280  # share of the picture's longer side; a finger on a phone's screen
STEEP_RAD = math.radians(8.0)  # a ray that dips more meets the ground within a few metres
# From behind its rod an aim is known to 0.1 to 0.2 degrees, whatever the lens; beside it, where the
# target stands far from the rod in the picture, it rests on the lens (docs/performance.md).
ASIDE_RAD = math.radians(20.0)
WORTH_RAD = math.radians(0.2)  # a spread below which nobody is sent anywhere
BEYOND = 1.0  # a place so many picture sizes outside of it is no place in the picture
SAME_SHAPE = 0.05  # log of the ratio of two pictures' shapes


class AimReason(StrEnum):
    """Why nothing can be said. Keys of the texts file (`aim.none.<value>`)."""

    BEHIND = "behind"  # on the side away from which the rods point
    NEAR = "near"  # ground close by, and nobody said how far
    TOO_NEAR = "too-near"  # the stated distance ends before the tapped ray
    OUTSIDE = "outside"  # no place in the picture
    TURNED = "turned"  # the picture has another shape since
    MOVED = "moved"  # the camera has been moved since


@dataclass(frozen=True, slots=True)
class RodAim:
    """Where one rod's own line points, as seen by someone who looks along it to the target.

    `angle_rad` from the target's direction to the rod's, + where the rod points right of the
    target; `at_target_m` the same as metres beside the target, at `Aim.distance_m`. `points_px`
    is where it points in the picture: beside the tapped place, as far up; None where out of view.
    """

    role: Role
    angle_rad: float
    sigma_rad: float
    at_target_m: float
    at_target_sigma_m: float
    points_px: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Aim:
    """The aim of every rod that is laid to aim: T the target rod; pair the toe rod, the ball rod.

    `distance_m` of the target from the rods: stated, or what is usual (`stated` False).
    `distance_matters`: not knowing it better is most of the main aim's variance. `aside`: a T is
    seen from so far beside its target rod that from behind it its aim would be known better.
    """

    rods: tuple[RodAim, ...]
    distance_m: float
    stated: bool
    distance_matters: bool = False
    aside: bool = False

    @property
    def main(self) -> RodAim:
        """The target rod's or the toe rod's."""
        return self.rods[0]


@dataclass(frozen=True, slots=True)
class NoAim:
    """The target was given, but nothing can be said of it."""

    reason: AimReason


def aim(pose: Pose, size: tuple[int, int], setup: Setup, point: AimPoint) -> Aim | NoAim:
    """Where the rods of `pose` point, seen in a picture of `size` (width, height).

    First-order propagation of the pose's covariance, the tap's spread and the target's inverse
    distance (JCGM 100:2008, 5.1.2). In the inverse distance parallax is linear, so a distance
    that hardly anyone knows is taken by mean and spread of its inverse under a log-normal prior.
    """
    if point.moved:
        return NoAim(AimReason.MOVED)
    tap = _tap(point, size)
    if isinstance(tap, AimReason):
        return NoAim(tap)
    distance_m = point.distance_m or USUAL_DISTANCE_M
    spread = STATED_SPREAD if point.distance_m else USUAL_SPREAD
    variance = math.log(1.0 + spread**2)
    inverse = math.exp(variance / 2) / distance_m if point.distance_m is None else 1.0 / distance_m
    inverse_sigma = inverse * spread
    known = np.concatenate([pose.params, tap, [inverse]])
    ray = _ray(known)
    if ray is None:
        return NoAim(AimReason.OUTSIDE)
    if point.distance_m is None and math.asin(-ray[2]) > STEEP_RAD:
        return NoAim(AimReason.NEAR)
    angles = _aims(pose, setup)
    values = angles(known)
    if not np.isfinite(values).all():
        return NoAim(AimReason.TOO_NEAR)
    if np.abs(values).max() > math.pi / 2:
        return NoAim(AimReason.BEHIND)
    sigma_px = TAP_SIGMA * max(size) if point.sigma_px is None else point.sigma_px
    steps = np.concatenate([STEP, [1e-2, 1e-2, 1e-3 * inverse]])
    sides = np.eye(len(known)) * steps
    slopes = np.stack([(angles(known + s) - angles(known - s)) for s in sides]) / (
        2 * steps[:, None]
    )
    cov = np.zeros((len(known), len(known)))
    cov[:COUNT, :COUNT] = pose.cov
    cov[COUNT:, COUNT:] = np.diag(np.square([sigma_px, sigma_px, inverse_sigma]))
    sigmas = np.sqrt(np.maximum(np.diag(slopes.T @ cov @ slopes), 0.0))
    roles = setup.roles if pose.view.pair else setup.roles[:1]
    rods = tuple(
        RodAim(
            role=role,
            angle_rad=a,
            sigma_rad=s,
            at_target_m=distance_m * math.sin(a),
            at_target_sigma_m=distance_m * math.cos(a) * s,
            points_px=_pixel(_turned(ray, a), pose.params),
        )
        for role, a, s in zip(roles, values.tolist(), sigmas.tolist(), strict=True)
    )
    parallax = abs(float(slopes[-1, 0])) * inverse_sigma
    matters = parallax**2 > 0.5 * float(sigmas[0]) ** 2
    aside = not pose.view.pair and bool(sigmas[0] > WORTH_RAD) and _turn(pose) > ASIDE_RAD
    return Aim(rods, distance_m, point.distance_m is not None, matters, aside)


def _turn(pose: Pose) -> float:
    """Angle between a T's target rod and the level way from the lens to its middle, 0 to pi / 2."""
    target = ends_in_view(pose.view, pose.params)[0, :, :2]
    along, away = target[1] - target[0], target.mean(axis=0) - pose.params[:2]
    share = abs(float(along @ away)) / max(float(np.hypot(*along) * np.hypot(*away)), 1e-9)
    return math.acos(min(share, 1.0))


def _tap(point: AimPoint, size: tuple[int, int]) -> NDArray[np.float64] | AimReason:
    """The tapped place in pixels of a picture of `size`."""
    at = np.array(point.xy_px, np.float64)
    if point.size is not None and point.size != size:
        if abs(math.log(point.size[0] * size[1] / (point.size[1] * size[0]))) > SAME_SHAPE:
            return AimReason.TURNED
        at = (at + 0.5) * np.array(size) / np.array(point.size) - 0.5
    share = (at + 0.5) / np.array(size)
    if not (np.abs(share - 0.5) <= 0.5 + BEYOND).all():
        return AimReason.OUTSIDE
    return at


def _ray(known: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Unit vector (right, forward, up) from the lens through the tapped pixel."""
    params, tap = known[:COUNT], known[COUNT : COUNT + 2]
    distorted = (tap - params[7:9]) / np.exp(params[6])
    bent, share = float(params[9] * (distorted @ distorted)), 1.0
    for _ in range(20):
        share = 1.0 / (1.0 + bent * share**2)
    # Beyond the radius at which the model folds back no point of the world is drawn.
    if 1.0 + 3.0 * bent * share**2 < 0.2:
        return None
    ray = np.array([*(share * distorted), 1.0]) @ cam_from_view(params)
    return np.asarray(ray / np.linalg.norm(ray))


def _turned(ray: NDArray[np.float64], angle_rad: float) -> NDArray[np.float64]:
    """A ray turned to the right, seen from above.

    Turned about the lens instead of about the rod: the difference is the parallax's own change,
    a few per cent of the angle for a target of 100 m.
    """
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([c * ray[0] + s * ray[1], c * ray[1] - s * ray[0], ray[2]])


def _pixel(ray: NDArray[np.float64], params: NDArray[np.float64]) -> tuple[float, float] | None:
    """The pixel in which a ray from the lens is drawn; None beside or behind the lens."""
    seen = cam_from_view(params) @ ray
    if seen[2] < 0.1:
        return None
    ideal = seen[:2] / seen[2]
    at = params[7:9] + np.exp(params[6]) * ideal * (1.0 + params[9] * (ideal @ ideal))
    return float(at[0]), float(at[1])


def _aims(pose: Pose, setup: Setup) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Angles (rods,) as a function of (parameters, tap, inverse distance), NaN where there is none.

    With everything multiplied by the inverse distance w, the target at infinity is no exception:
    |w c + s u| = 1 gives the target at w c + s u from the rods' origin, for a lens at c that sees
    it along the horizontal unit vector u.
    """
    view = pose.view
    flip = -1.0 if setup.view is View.FACE_ON and setup.handed is Handed.LEFT else 1.0

    def angles(known: NDArray[np.float64]) -> NDArray[np.float64]:
        params, inverse = known[:COUNT], known[-1]
        ray = _ray(known)
        count = 2 if view.pair else 1
        if ray is None:
            return np.full(count, np.nan)
        u = ray[:2] / max(float(np.linalg.norm(ray[:2])), 1e-9)
        c = inverse * params[:2]
        left = 1.0 - (c @ c - (c @ u) ** 2)
        s = math.sqrt(left) - c @ u if left > 0 else -1.0
        if s <= 0:
            return np.full(count, np.nan)
        ends = ends_in_view(view, params)[:count, :, :2]
        # Far end first in a pair; left end first in a T, whose target is on a right-hander's right.
        along = ends[:, 0] - ends[:, 1] if view.pair else flip * (ends[:, 1] - ends[:, 0])
        q = c + s * u - inverse * ends.mean(axis=1)
        cross = along[:, 0] * q[:, 1] - along[:, 1] * q[:, 0]
        return np.asarray(np.arctan2(cross, (along * q).sum(axis=1)))

    return angles
