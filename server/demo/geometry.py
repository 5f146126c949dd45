"""Where things lie in the made-up scene, and how a pinhole camera sees them.

Written from the conventions alone and sharing no code with `vision`'s projection, so that what
the demo and the tests call true is an independent check. Ground frame: metres, Z up, z = 0 on
the grass, +X along the target rod toward the target. Camera frame: x right, y down, z forward;
pixel (0, 0) is the middle of the first pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.setup import STICK_LENGTH_M, Handed, Role, View

Points = NDArray[np.float64]

UP = np.array([0.0, 0.0, 1.0])
STANDARD_GRAVITY = 9.80665  # m/s^2, conventional value (3rd CGPM, 1901)


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the lens stands and looks, relative to the line it belongs on.

    As seen from behind the phone: offset + right of the line, yaw + turned right, pitch +
    looking up, roll + clockwise. Distance along the line, from the junction (T) or the toe
    rod's middle (pair).
    """

    offset_m: float = 0.0
    distance_m: float = 3.5
    height_m: float = 1.0
    yaw_rad: float = 0.0
    pitch_rad: float = math.radians(-9.0)
    roll_rad: float = 0.0


START = Pose(offset_m=-0.5, yaw_rad=math.radians(8.0), roll_rad=math.radians(2.5))
"""Where the demo begins: half a metre left, turned right so that the rods stay in the picture."""


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera with square pixels and its axis through the picture's middle."""

    width: int = 1280
    height: int = 720
    focal_px: float = 1040.0

    def turned(self, upright: bool) -> Camera:
        """The same camera with the phone held upright or on its side."""
        long, short = max(self.width, self.height), min(self.width, self.height)
        return Camera(short, long, self.focal_px) if upright else Camera(long, short, self.focal_px)

    @property
    def matrix(self) -> Points:
        """(3, 3) camera matrix; the middle of a picture w wide is at (w - 1) / 2."""
        f = self.focal_px
        return np.array(
            [[f, 0.0, (self.width - 1) / 2], [0.0, f, (self.height - 1) / 2], [0.0, 0.0, 1.0]]
        )


@dataclass(frozen=True, slots=True)
class Laid:
    """How two sticks were laid on the grass.

    `lean_rad` turns the stem's near end toward the target (T) or closes the pair toward the
    target (the ball rod turns). `gap_m` is the stem's gap to the target line.
    """

    view: View = View.FACE_ON
    handed: Handed = Handed.RIGHT
    lengths_m: dict[Role, float] = field(default_factory=dict)
    diameter_m: float = 0.0085
    lean_rad: float = 0.0
    gap_m: float = 0.03
    separation_m: float = 0.5
    target_shift_m: float = 0.05  # the target rod's middle, along +X from the junction

    def length_m(self, role: Role) -> float:
        """The true length of one stick."""
        return self.lengths_m.get(role, STICK_LENGTH_M)

    @property
    def mirror(self) -> float:
        """+1 for a right-handed golfer, -1 for a left-handed one."""
        return 1.0 if self.handed is Handed.RIGHT else -1.0

    @property
    def forward(self) -> Points:
        """(3,) unit vector along which the lens should look, level."""
        if self.view is View.DOWN_THE_LINE:
            return np.array([1.0, 0.0, 0.0])
        # The golfer faces the camera; the target is on his left if he is right-handed.
        s, c = math.sin(self.lean_rad), math.cos(self.lean_rad)
        return np.array([-s, self.mirror * c, 0.0])

    def rods_m(self) -> dict[Role, Points]:
        """Each stick's axis as (2, 3) points, a radius above the grass."""
        z = self.diameter_m / 2
        if self.view is View.FACE_ON:
            half = self.length_m(Role.TARGET) / 2
            near = -self.forward
            mid = np.array([self.target_shift_m, 0.0, z])
            foot = np.array([0.0, 0.0, z]) + self.gap_m * near
            reach = np.array([half, 0.0, 0.0])
            return {
                Role.TARGET: np.array([mid - reach, mid + reach]),
                Role.STEM: np.array([foot, foot + self.length_m(Role.STEM) * near]),
            }
        toe = self.length_m(Role.TOE) / 2
        ball = self.length_m(Role.BALL) / 2
        side = -self.mirror  # a right-handed golfer stands left of the ball
        along = np.array([math.cos(self.lean_rad), -side * math.sin(self.lean_rad), 0.0])
        mid = np.array([0.0, side * self.separation_m, z])
        return {
            Role.TOE: np.array([[toe, 0.0, z], [-toe, 0.0, z]]),
            Role.BALL: np.array([mid + ball * along, mid - ball * along]),
        }

    def ball_m(self) -> Points:
        """(3,) middle of the golf ball (42.67 mm across, the least that the Rules allow)."""
        r = 0.04267 / 2
        if self.view is View.FACE_ON:
            return np.array([0.09, 0.0, r]) - 0.42 * self.forward
        return np.array([0.02, -self.mirror * (self.separation_m - 0.09), r])


def camera_axes(pose: Pose, laid: Laid) -> tuple[Points, Points]:
    """`cam_from_ground` as (R (3, 3), t (3,)): ground points p are seen at R p + t."""
    f0 = laid.forward
    right0 = np.cross(f0, UP)
    position = -pose.distance_m * f0 + pose.offset_m * right0 + pose.height_m * UP
    cy, sy = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
    level = cy * f0 + sy * right0
    right = cy * right0 - sy * f0
    z = math.cos(pose.pitch_rad) * level + math.sin(pose.pitch_rad) * UP
    down = np.cross(z, right)
    cr, sr = math.cos(pose.roll_rad), math.sin(pose.roll_rad)
    rotation = np.array([cr * right + sr * down, cr * down - sr * right, z])
    return rotation, -rotation @ position


def project(points_m: Points, pose: Pose, laid: Laid, camera: Camera) -> Points:
    """Ground points (n, 3) to pixels (n, 2). Points must lie before the lens."""
    rotation, shift = camera_axes(pose, laid)
    seen = points_m @ rotation.T + shift
    pixels = seen @ camera.matrix.T
    return np.asarray(pixels[:, :2] / pixels[:, 2:])


def gravity(pose: Pose, laid: Laid) -> tuple[float, float, float]:
    """What a phone at rest reports as `accelerationIncludingGravity` (W3C DeviceMotion), m/s^2.

    In the picture's own axes (x right, y up, z out of the screen, so screen_deg is 0): the axis
    that points up reads +9.8.
    """
    rotation, _ = camera_axes(pose, laid)
    x, y, z = STANDARD_GRAVITY * (rotation @ UP)
    return float(x), float(-y), float(-z)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What a perfect observer would say of one rendered picture.

    `ends_px`: far end first for a stem and a pair's rods, (left, right) for the target rod; ends
    may lie outside the picture.
    """

    placement: Pose
    ends_px: dict[Role, Points]
    angle_deg: float
    square_offset_m: float | None


def truth(pose: Pose, laid: Laid, camera: Camera | None = None) -> Truth:
    """The rods' ends in pixels and the placement, by the project's conventions."""
    camera = camera or Camera()
    ends = {r: project(p, pose, laid, camera) for r, p in laid.rods_m().items()}
    if laid.view is View.DOWN_THE_LINE:
        return Truth(pose, ends, math.degrees(laid.lean_rad), None)
    if ends[Role.TARGET][0, 0] > ends[Role.TARGET][1, 0]:
        ends[Role.TARGET] = ends[Role.TARGET][::-1]
    # Offset from the true perpendicular: the lens's x, as someone behind the phone sees it.
    rotation, shift = camera_axes(pose, laid)
    position = -rotation.T @ shift
    square = float(position[0]) * laid.mirror
    return Truth(pose, ends, 90.0 + math.degrees(laid.lean_rad), square)
