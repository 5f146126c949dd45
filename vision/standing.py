"""Where a lens stood, and which of its errors stay with the phone, the lens and the rods.

Two placements of one phone by the same sticks err alike in what belongs to these: focal length,
principal point, distortion, the sticks' lengths, the tilt sensor's fixed error. Their *difference*
is known far better than either. `shared` holds what one standard deviation of each such error does
to the placement, so that a difference's covariance is

    own_a + own_b + (shared_a - shared_b)(shared_a - shared_b)^T,  own = cov - shared shared^T

(JCGM 100:2008, 5.2.2 and F.1.2.3, correlated inputs). Equipment that is not the same has no error
in common: cov_a + cov_b.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.budget import MEASURED_ROWS
from vision.errors import SetupError
from vision.model import NAMES
from vision.placement import QUANTITIES, Placement, slopes
from vision.pose import Pose, whitened_jacobian
from vision.setup import Setup

SHARED_ERRORS = (
    "pitch_rad",
    "roll_rad",
    "log_focal",
    "cx_px",
    "cy_px",
    "k1",
    "log_length_1",
    "log_length_2",
)
_CAUTION = 0.9  # of what a measured setup could share at most: its own part stays positive


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """A placement with what it shares (6, n) with others of the same `kit`.

    `kit` names phone, lens and rods; two standings share their errors where both name the same.
    """

    placement: Placement
    shared: NDArray[np.float64]
    kit: str = ""

    def __post_init__(self) -> None:
        if self.shared.ndim != 2 or self.shared.shape[0] != len(QUANTITIES):
            raise SetupError(
                f"shared errors of shape {self.shared.shape} fit no placement: give (6, n)"
            )

    @property
    def values(self) -> NDArray[np.float64]:
        """The six of `QUANTITIES`."""
        return np.array([getattr(self.placement, name) for name in QUANTITIES])


def shared_errors(pose: Pose, setup: Setup) -> NDArray[np.float64]:
    """What one sigma of each of `SHARED_ERRORS` does to the placement (6, 8), metres and radians.

    Rows are those of `QUANTITIES`. Rods measured by a first look were measured apart each time;
    what they share is the sticks' length, which scales every place: then (6, 1).
    """
    if setup.known is not None:
        return _scale(pose, setup)
    jacobian = whitened_jacobian(pose)
    gain = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True) @ jacobian.T
    rows = [MEASURED_ROWS + NAMES.index(name) for name in SHARED_ERRORS]
    effect = slopes(pose.params, setup)[: len(QUANTITIES)] @ gain[:, rows]
    tilt = setup.tilt
    if tilt is None:
        effect[:, :2] = 0.0  # how a phone was held is another each time
    else:
        noise = np.array(tilt.noise_rad)
        effect[:, :2] *= tilt.bias_sigma_rad / np.hypot(noise, tilt.bias_sigma_rad)
    return np.asarray(effect)


def _scale(pose: Pose, setup: Setup) -> NDArray[np.float64]:
    """The common part of both sticks' length, as a column; bounded by what the pose says."""
    by = slopes(pose.params, setup)[: len(QUANTITIES)]
    cov = by @ pose.cov @ by.T
    centre = np.array([pose.params[0], pose.params[1], np.exp(pose.params[2])])
    column = np.zeros(len(QUANTITIES))
    # offset, distance and height grow with the sticks; slopes of right, forward, log height
    column[:3] = by[:3, :3] @ np.array([centre[0], centre[1], 1.0])
    most = 1.0 / np.sqrt(max(float(column @ np.linalg.pinv(cov, hermitian=True) @ column), 1e-12))
    return np.asarray((column * min(setup.rod_length_sigma / np.sqrt(2), _CAUTION * most))[:, None])


def difference(a: Standing, b: Standing) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The second minus the first (6,), in the order of `QUANTITIES`, and its covariance (6, 6)."""
    return b.values - a.values, of_both(a, b, np.eye(len(QUANTITIES)), np.eye(len(QUANTITIES)))


def of_both(
    a: Standing, b: Standing, by_a: NDArray[np.float64], by_b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Covariance (n, n) of f(b) - f(a) with the derivatives `by_a`, `by_b` (n, 6) of f."""
    cov_a, cov_b = a.placement.cov, b.placement.cov
    if not (a.kit and a.kit == b.kit and a.shared.shape == b.shared.shape):
        return np.asarray(by_a @ cov_a @ by_a.T + by_b @ cov_b @ by_b.T)
    own_a, own_b = cov_a - a.shared @ a.shared.T, cov_b - b.shared @ b.shared.T
    rest = by_b @ b.shared - by_a @ a.shared
    return np.asarray(by_a @ own_a @ by_a.T + by_b @ own_b @ by_b.T + rest @ rest.T)
