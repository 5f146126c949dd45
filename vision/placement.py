"""Stage 3: where the lens stands relative to the line it belongs on, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.known import MEASURED_RAD
from vision.pose import Pose
from vision.setup import Handed, Line, Setup, View

QUANTITIES = ("offset_m", "distance_m", "height_m", "yaw_rad", "pitch_rad", "roll_rad")


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """The lens's place; signs as seen from behind the phone (docs/conventions.md).

    offset + right of the line, yaw + turned right, pitch + looking up, roll + clockwise.
    `cov` (6, 6) in the order of `QUANTITIES`.
    """

    offset_m: float
    distance_m: float
    height_m: float
    yaw_rad: float
    pitch_rad: float
    roll_rad: float
    cov: NDArray[np.float64]

    def sigma(self, quantity: str) -> float:
        """One standard deviation of a quantity named as in `QUANTITIES`."""
        i = QUANTITIES.index(quantity)
        return float(np.sqrt(self.cov[i, i]))


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rods lie to each other.

    T: `angle_rad` is pi/2 plus the lean of the stem's near end toward the target, and
    `square_offset_m` the lens's offset from the true perpendicular through the junction.
    Pair: the angle by which the rods close toward the target; no square offset.
    `measured` is False while only a prior says what the angle is.
    """

    angle_rad: float
    sigma_rad: float
    measured: bool
    square_offset_m: float | None
    square_offset_sigma_m: float | None
    separation_m: float | None = None  # pair: toe to ball rod
    separation_sigma_m: float | None = None


HAND_LINE_M = (
    0.15  # down the line, hands hang this far outside the toes; common practice, no source
)
STEP = 1e-5


def place(pose: Pose, setup: Setup) -> tuple[Placement, Layout]:
    """The lens's place and the rods' layout from a pose, with covariances by propagation.

    First-order propagation J C J^T of the pose's covariance (JCGM 100:2008, 5.2.2).
    """
    values = _quantities(pose.params, setup)
    jacobian = slopes(pose.params, setup)
    cov = jacobian @ pose.cov @ jacobian.T
    offset, distance, height, yaw, pitch, roll, angle, square, separation = (
        float(v) for v in values
    )
    sigma = np.sqrt(np.maximum(np.diag(cov), 0.0))
    face_on = setup.view is View.FACE_ON
    placement = Placement(offset, distance, height, yaw, pitch, roll, cov[:6, :6])
    layout = Layout(
        angle_rad=angle,
        sigma_rad=float(sigma[6]),
        # one view hardly sees it: without a first look, the prior speaks
        measured=setup.known is not None and bool(sigma[6] <= MEASURED_RAD),
        square_offset_m=square if face_on else None,
        square_offset_sigma_m=float(sigma[7]) if face_on else None,
        separation_m=None if face_on else separation,
        separation_sigma_m=None if face_on else float(sigma[8]),
    )
    return placement, layout


def slopes(params: NDArray[np.float64], setup: Setup) -> NDArray[np.float64]:
    """Derivatives (9, COUNT) of placement and layout by the pose's parameters.

    Rows: the six of `QUANTITIES`, the layout's angle, the square offset (T), the separation (pair).
    """
    step = np.eye(len(params)) * STEP
    rise = _quantities(params + step, setup) - _quantities(params - step, setup)
    return np.asarray(rise / (2 * STEP))


def _quantities(params: NDArray[np.float64], setup: Setup) -> NDArray[np.float64]:
    """(9, ...): the six of `QUANTITIES`, layout angle, square offset, separation."""
    params = np.moveaxis(params, -1, 0)
    right, forward, height = params[0], params[1], np.exp(params[2])
    heading, pitch, roll, lean, a = params[3], params[4], params[5], params[12], params[13]
    side = 1.0 if setup.handed is Handed.RIGHT else -1.0
    if setup.view is View.FACE_ON:
        # The stem's extension leans by `lean` to the right at the near end.
        offset = right * np.cos(lean) + forward * np.sin(lean)
        distance = right * np.sin(lean) - forward * np.cos(lean)
        yaw = heading + lean
        angle = np.pi / 2 + side * lean  # the target is on the right of a right-hander's camera
        return np.stack(
            [offset, distance, height, yaw, pitch, roll, angle, right, np.zeros_like(right)]
        )
    outward = {Line.TOE: 0.0, Line.HANDS: HAND_LINE_M, Line.MIDDLE: a / 2}
    shift = side * outward[setup.line]
    return np.stack(
        [right - shift, -forward, height, heading, pitch, roll, lean, np.zeros_like(right), a]
    )


def ground_from_view(setup: Setup) -> NDArray[np.float64]:
    """Rigid transform (4, 4) from the view frame (right, forward, up) to the ground frame.

    Ground: +X along the target rod toward the target, Z up, right-handed axes.
    """
    out = np.eye(4)
    if setup.view is View.DOWN_THE_LINE:
        out[:2, :2] = [[0.0, 1.0], [-1.0, 0.0]]  # forward is +X, right is -Y
    elif setup.handed is Handed.LEFT:
        out[:2, :2] = [[-1.0, 0.0], [0.0, -1.0]]  # the target is on the camera's left
    return out
