"""What a first look leaves for every later picture: rods and lens as measured.

They come with their joint covariance and enter every later pose as one correlated prior, so that a
layout that is known only together with the focal length is used as exactly that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.errors import SetupError
from vision.lens import Lens, LensSource
from vision.view import Handed, View

# The first nine are the last ones of `vision.model.NAMES`: what views of unmoved rods share.
SHARED = (
    "log_focal",
    "cx_px",
    "cy_px",
    "k1",
    "log_length_1",
    "log_length_2",
    "lean_rad",
    "place_a_m",
    "place_b_m",
    "pitch_bias_rad",
    "roll_bias_rad",
)
LEAN = SHARED.index("lean_rad")
SAME_SHAPE = 0.01  # log of the ratio of two pictures' shapes
# An angle whose spread is larger than this cannot be called square to 1 degree (1.96 sigma): it
# counts as not measured, and its spread is told.
MEASURED_RAD = float(np.deg2rad(0.6))


@dataclass(frozen=True, slots=True, eq=False)
class KnownRods:
    """The unmoved rods, the lens and the tilt sensor as measured from several views together.

    `mean` (11,) and `cov` (11, 11) in the order of `SHARED`: radians, metres, and pixels of a
    picture of `size` (width, height). `source` is where the focal length comes from.
    """

    view: View
    handed: Handed
    size: tuple[int, int]
    mean: NDArray[np.float64]
    cov: NDArray[np.float64]
    source: LensSource = LensSource.FIRST_LOOK

    @property
    def angle_sigma_rad(self) -> float:
        """One standard deviation of the angle between the rods."""
        return float(np.sqrt(self.cov[LEAN, LEAN]))

    @property
    def angle_measured(self) -> bool:
        """Whether the angle between the rods is known well enough to be judged."""
        return self.angle_sigma_rad <= MEASURED_RAD

    @property
    def lens(self) -> Lens:
        """The lens, for pictures of `size`."""
        focal_px = float(np.exp(self.mean[0]))
        sigma_px = focal_px * float(np.sqrt(self.cov[0, 0]))
        return Lens(focal_px, sigma_px, self.source, float(self.mean[3]))

    @property
    def lengths_m(self) -> tuple[float, float]:
        """The rods' lengths, in the order of `Setup.roles`."""
        return float(np.exp(self.mean[4])), float(np.exp(self.mean[5]))

    def at(self, size: tuple[int, int]) -> KnownRods:
        """The same for pictures of another `size` (width, height) of the same lens and zoom.

        A phone that has been turned shows the principal point elsewhere: what was learnt of it is
        given up. Raises SetupError for a picture of another shape, which another crop made.
        """
        if size == self.size:
            return self
        shape = abs(np.log(size[0] * self.size[1] / (size[1] * self.size[0])))
        swapped = abs(np.log(size[0] * self.size[0] / (size[1] * self.size[1])))
        if min(shape, swapped) > SAME_SHAPE:
            raise SetupError(
                f"a picture of {size[0]} x {size[1]} pixels is of another shape than the "
                f"{self.size[0]} x {self.size[1]} of the first look: look at the rods again"
            )
        factor = max(size) / max(self.size)
        mean, cov = self.mean.copy(), self.cov.copy()
        mean[0] += np.log(factor)
        middle = (np.array(self.size) - 1) / 2
        mean[1:3] = (np.array(size) - 1) / 2 + factor * (mean[1:3] - middle)
        cov[1:3] *= factor
        cov[:, 1:3] *= factor
        if shape > swapped:
            spread = np.diag(cov)[1:3] + (mean[1:3] - (np.array(size) - 1) / 2) ** 2
            mean[1:3] = (np.array(size) - 1) / 2
            cov[1:3] = 0.0
            cov[:, 1:3] = 0.0
            cov[1, 1], cov[2, 2] = spread.max(), spread.max()
        return replace(self, size=size, mean=mean, cov=cov)
