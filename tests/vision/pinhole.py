"""A camera built by hand and OpenCV's projection, for tests of signs; shares no code with `vision`.

Written from the conventions alone: ground frame with +X to the target and Z up; everything said of
the lens is as seen by someone who stands behind the phone and looks where it looks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from vision.placement import Layout, Placement
from vision.setup import Handed, View

UP = np.array([0.0, 0.0, 1.0])
TARGET = np.array([1.0, 0.0, 0.0])
VIEWS = [(view, hand) for view in View for hand in Handed]


def golfer_faces(hand: Handed) -> np.ndarray:
    """A right-handed golfer has the target at the left hand, a left-handed one at the right."""
    left_hand = TARGET if hand is Handed.RIGHT else -TARGET
    return np.cross(left_hand, UP)  # facing x up = right hand side, so left x up = facing


def line_of_sight(view: View, hand: Handed) -> np.ndarray:
    """Where a square lens looks: at the golfer's face, or along the target line."""
    return -golfer_faces(hand) if view is View.FACE_ON else TARGET


@dataclass
class Camera:
    """Lens position and the rotation whose rows are right, down, forward in the ground frame."""

    lens: np.ndarray
    rotation: np.ndarray
    focal_px: float = 1000.0
    size: tuple[int, int] = (1280, 720)

    @property
    def cam_from_ground(self) -> np.ndarray:
        matrix = np.eye(4)
        matrix[:3, :3] = self.rotation
        matrix[:3, 3] = -self.rotation @ self.lens
        return matrix

    @property
    def k(self) -> np.ndarray:
        w, h = self.size
        return np.array(
            [[self.focal_px, 0, (w - 1) / 2], [0, self.focal_px, (h - 1) / 2], [0, 0, 1]]
        )

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels (n, 2) of ground points (n, 3) by cv2.projectPoints."""
        rvec, _ = cv2.Rodrigues(self.rotation)
        tvec = -self.rotation @ self.lens
        pixels, _ = cv2.projectPoints(
            np.asarray(points, dtype=np.float64).reshape(-1, 1, 3), rvec, tvec, self.k, np.zeros(5)
        )
        return pixels.reshape(-1, 2)

    def depth(self, points: np.ndarray) -> np.ndarray:
        return (np.asarray(points) - self.lens) @ self.rotation[2]

    def drawn_on_plane(self, point: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """Where the pixel of `point` lies on the plane through the origin with that normal."""
        u, v = self.project(point[None])[0]
        w, h = self.size
        ray = self.rotation.T @ np.array(
            [(u - (w - 1) / 2) / self.focal_px, (v - (h - 1) / 2) / self.focal_px, 1.0]
        )
        return self.lens - ray * (self.lens @ normal) / (ray @ normal)


def turned(vectors: np.ndarray, axis: np.ndarray, angle: float) -> np.ndarray:
    """Rows turned about an axis by the right-hand rule."""
    matrix, _ = cv2.Rodrigues(np.asarray(axis, dtype=np.float64) * angle)
    return vectors @ matrix.T


def place(
    view: View,
    hand: Handed,
    offset: float = 0.0,
    distance: float = 3.5,
    height: float = 0.9,
    yaw: float = 0.0,
    pitch: float = 0.0,
    roll: float = 0.0,
    **kwargs,
) -> Camera:
    """A phone carried to its place: turned right by yaw, looking up by pitch, rolled clockwise."""
    ahead = line_of_sight(view, hand)
    right = np.cross(ahead, UP)
    lens = offset * right - distance * ahead + height * UP
    axes = np.stack([right, -UP, ahead])
    axes = turned(axes, UP, -yaw)  # right-handed about up is to the left
    axes = turned(axes, axes[0], pitch)  # about the right axis, forward goes up
    axes = turned(axes, axes[2], roll)  # about forward, seen from behind: clockwise
    return Camera(lens, axes, **kwargs)


def placement(
    offset: float = 0.0,
    distance: float = 3.5,
    height: float = 0.9,
    yaw: float = 0.0,
    pitch: float = 0.0,
    roll: float = 0.0,
    sigma: float | tuple[float, ...] = 1e-4,
) -> Placement:
    """A placement with independent standard deviations."""
    cov = np.diag(np.broadcast_to(np.asarray(sigma, dtype=np.float64), (6,)) ** 2)
    return Placement(offset, distance, height, yaw, pitch, roll, cov)


def laid(view: View, error: float = 0.0, sigma: float = 0.02, measured: bool = False) -> Layout:
    """A layout whose rods are off square or parallel by `error` radians."""
    if view is View.FACE_ON:
        return Layout(math.pi / 2 + error, sigma, measured, None, None)
    return Layout(error, sigma, measured, None, None, 0.5, 0.02)
