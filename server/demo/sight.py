"""One camera in one pose before a made-up scene, with what all the drawing needs of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from server.demo import ground
from server.demo.geometry import Camera, Laid, Points, Pose, camera_axes
from vision.setup import Role

Picture = NDArray[np.uint8]

STICKS: dict[Role, str] = {
    Role.TARGET: "orange",
    Role.STEM: "yellow",
    Role.TOE: "orange",
    Role.BALL: "yellow",
}


@dataclass(frozen=True, slots=True)
class Scene:
    """A ground with two sticks and a ball on it, and the camera that looks at it."""

    laid: Laid = field(default_factory=Laid)
    camera: Camera = field(default_factory=Camera)
    seed: int = 1
    colours: dict[Role, str] = field(default_factory=lambda: dict(STICKS))
    ball: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """One camera in one pose, with what all the drawing needs of it."""

    scene: Scene
    pose: Pose
    rotation: Points
    shift: Points
    to_ground: Points  # (3, 3) pixels to ground (x, y, 1) over depth, so the third is 1 / depth

    @classmethod
    def of(cls, scene: Scene, pose: Pose) -> Sight:
        """The sight of a scene from a pose."""
        rotation, shift = camera_axes(pose, scene.laid)
        plane = np.column_stack([rotation[:, 0], rotation[:, 1], shift])
        from_ground = scene.camera.matrix @ plane
        to_ground = np.asarray(np.linalg.inv(from_ground), np.float64)
        return cls(scene, pose, rotation, shift, to_ground)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture."""
        return self.scene.camera.width, self.scene.camera.height

    def depth(self, points_m: Points) -> Points:
        """Depths (n,) of ground points (n, 3), metres before the lens."""
        return np.asarray(points_m @ self.rotation[2] + self.shift[2])

    def project(self, points_m: Points) -> Points:
        """Pixels (n, 2) of ground points (n, 3)."""
        seen = (points_m @ self.rotation.T + self.shift) @ self.scene.camera.matrix.T
        return np.asarray(seen[:, :2] / seen[:, 2:])

    @property
    def backdrop_map(self) -> Points:
        """(3, 3) backdrop texels to pixels."""
        forward = self.scene.laid.forward
        right = np.cross(forward, [0.0, 0.0, 1.0])
        width = ground.BACK_SIZE[0]
        m = ground.BACK_M
        corner = ground.BACK_DISTANCE_M * forward - right * (width / 2 * m)
        corner = corner + np.array([0.0, 0.0, ground.BACK_BASE * m])
        plane = np.column_stack(
            [
                self.rotation @ right * m,
                -self.rotation[:, 2] * m,
                self.rotation @ corner + self.shift,
            ]
        )
        return np.asarray(self.scene.camera.matrix @ plane)

    def horizon_rows(self) -> tuple[int, int]:
        """First row that holds grass and the row below the last that holds backdrop."""
        base = np.linalg.inv(self.backdrop_map).T @ [0.0, 1.0, -float(ground.BACK_BASE)]
        width, height = self.size
        if abs(base[1]) < 1e-9:
            return 0, height
        rows = [-(base[2] + base[0] * u) / base[1] for u in (0.0, width - 1.0)]
        top = math.floor(min(rows)) - 1
        bottom = math.ceil(max(rows)) + 2
        return min(max(top, 0), height), min(max(bottom, 0), height)
