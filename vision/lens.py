"""A calibrated lens's own distortion, taken out of measured points before the pose is solved."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.setup import Lens


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
