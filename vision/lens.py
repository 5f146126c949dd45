"""A lens: what is known of it, and its own distortion taken out of measured points."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import SetupError


class LensSource(StrEnum):
    """Where the focal length comes from."""

    GIVEN = "given"
    PROFILE = "profile"
    FIRST_LOOK = "first-look"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length in pixels of the analysed picture, with one standard deviation.

    `k1` is the first radial term of the Brown-Conrady model on normalised coordinates. A lens that
    was calibrated has `bend` instead, OpenCV's (k1, k2, p1, p2, k3), of which `k1` is then what is
    left over (`k1_sigma` its spread), and `centre_px`, the principal point, with the spread of
    each coordinate. None: as phones' lenses usually are (vision/model.py).
    """

    focal_px: float
    sigma_px: float
    source: LensSource = LensSource.GIVEN
    k1: float = 0.0
    k1_sigma: float | None = None
    centre_px: tuple[float, float] | None = None
    centre_sigma_px: float | None = None
    bend: tuple[float, float, float, float, float] | None = None

    def __post_init__(self) -> None:
        if not self.focal_px > 0 or not self.sigma_px >= 0:
            raise SetupError(
                f"focal length {self.focal_px} px with sigma {self.sigma_px} px cannot be used: "
                "give a positive focal length and a sigma of 0 or more"
            )

    def scaled(self, factor: float) -> Lens:
        """The same lens for a picture resized by `factor`."""
        centre, spread = self.centre_px, self.centre_sigma_px
        return replace(
            self,
            focal_px=self.focal_px * factor,
            sigma_px=self.sigma_px * factor,
            # Pixel 0 is the middle of the first pixel: half a pixel lies before it.
            centre_px=centre
            and ((centre[0] + 0.5) * factor - 0.5, (centre[1] + 0.5) * factor - 0.5),
            centre_sigma_px=None if spread is None else spread * factor,
        )


def straight(points_px: NDArray[np.float64], lens: Lens | None) -> NDArray[np.float64]:
    """Points (..., 2) where a lens of the same focal length and centre without bend would see them.

    Brown-Conrady as in OpenCV (k1, k2, p1, p2, k3). Unchanged for a lens without `bend`.
    """
    if lens is None or lens.bend is None or lens.centre_px is None:
        return points_px
    matrix = camera_matrix(lens.focal_px, lens.centre_px)
    flat = np.ascontiguousarray(points_px, float).reshape(-1, 1, 2)
    out = cv2.undistortPoints(flat, matrix, np.array(lens.bend), R=np.eye(3), P=matrix)
    return np.asarray(out, float).reshape(points_px.shape)


def camera_matrix(focal_px: float, centre_px: tuple[float, float]) -> NDArray[np.float64]:
    """K (3, 3) with square pixels."""
    return np.array([[focal_px, 0.0, centre_px[0]], [0.0, focal_px, centre_px[1]], [0.0, 0.0, 1.0]])
