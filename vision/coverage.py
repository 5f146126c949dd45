"""What a set of board views still lacks: hints for whoever takes the pictures."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.lens import camera_matrix

WISHED_VIEWS = 8
WISHED_TILT_RAD = np.deg2rad(25.0)
CLOSE_SHARE = 0.25  # of the picture's area, that a near board covers
CELLS = 3  # by 3
CELL_CORNERS = 4  # corners that make a cell reached


class Seen(Protocol):
    """As `vision.calibrate.BoardView`."""

    @property
    def board_m(self) -> NDArray[np.float64]:
        """(n, 3) on the board."""

    @property
    def px(self) -> NDArray[np.float64]:
        """(n, 2) in the picture."""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture."""


class CoverageHint(StrEnum):
    """What the next views should show."""

    UPPER_LEFT = "upper-left"
    UPPER_RIGHT = "upper-right"
    LOWER_LEFT = "lower-left"
    LOWER_RIGHT = "lower-right"
    TIP = "tip"  # tilt the board away at its top or bottom
    SWING = "swing"  # turn it away at its left or right
    CLOSER = "closer"
    MORE = "more"


_CORNERS = {
    CoverageHint.UPPER_LEFT: (0, 0),
    CoverageHint.UPPER_RIGHT: (0, CELLS - 1),
    CoverageHint.LOWER_LEFT: (CELLS - 1, 0),
    CoverageHint.LOWER_RIGHT: (CELLS - 1, CELLS - 1),
}


def coverage_hints(views: Sequence[Seen]) -> tuple[CoverageHint, ...]:
    """What is missing, the most needed first; () when nothing is. Works from the first view on.

    Views must be of one size. Tilts are judged with a phone's usual focal length.
    """
    if not views:
        return (CoverageHint.MORE,)
    out: list[CoverageHint] = []
    size = views[0].size
    normals = _normals(views, 0.78 * max(size))
    # The normal's lean about the picture's x axis (tip) and about its y axis (swing).
    if np.abs(np.arcsin(np.clip(normals[:, 1], -1, 1))).max() < WISHED_TILT_RAD:
        out.append(CoverageHint.TIP)
    if np.abs(np.arcsin(np.clip(normals[:, 0], -1, 1))).max() < WISHED_TILT_RAD:
        out.append(CoverageHint.SWING)
    reached = cells_reached(views)
    out += [hint for hint, cell in _CORNERS.items() if not reached[cell]]
    areas = [_hull_area(view.px) / (size[0] * size[1]) for view in views]
    if max(areas) < CLOSE_SHARE:
        out.append(CoverageHint.CLOSER)
    if len(views) < WISHED_VIEWS:
        out.append(CoverageHint.MORE)
    return tuple(out)


def cells_reached(views: Sequence[Seen]) -> NDArray[np.bool_]:
    """(3, 3), row by row from the top: where in the picture the views' corners have been."""
    count = np.zeros((CELLS, CELLS), int)
    for view in views:
        cell = (view.px / np.array(view.size) * CELLS).astype(int).clip(0, CELLS - 1)
        np.add.at(count, (cell[:, 1], cell[:, 0]), 1)
    return np.asarray(count >= CELL_CORNERS)


def tilts_rad(turns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles between each board's normal and the optical axis, from rotations (n, 3, 3)."""
    return np.asarray(np.arccos(np.clip(np.abs(turns[:, 2, 2]), 0.0, 1.0)))


def steepest(views: Sequence[Seen], focal_px: float) -> float:
    """The largest tilt (radians) if the lens had this focal length and no distortion."""
    normals = _normals(views, focal_px)
    return float(np.arccos(np.clip(np.abs(normals[:, 2]), 0.0, 1.0)).max())


def _normals(views: Sequence[Seen], focal_px: float) -> NDArray[np.float64]:
    """Unit normals (n, 3) of the boards in the camera's axes, for an assumed focal length."""
    out = []
    for view in views:
        width, height = view.size
        matrix = camera_matrix(focal_px, ((width - 1) / 2, (height - 1) / 2))
        # Of the two poses that a flat board allows, the one that fits better comes first.
        _, turns, *_ = cv2.solvePnPGeneric(
            view.board_m, view.px, matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        out.append(cv2.Rodrigues(turns[0])[0][:, 2] if len(turns) else np.array([0.0, 0.0, 1.0]))
    return np.array(out)


def _hull_area(px: NDArray[np.float64]) -> float:
    return float(cv2.contourArea(cv2.convexHull(px.astype(np.float32))))
