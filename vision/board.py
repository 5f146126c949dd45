"""The calibration boards: what they are, and finding their corners in a picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibrate import MIN_CORNERS, BoardView

MAX_VIEWS = 24
NEW_SHARE = 0.02  # of the longer side: a clip's next picture counts when corners moved so far


@dataclass(frozen=True, slots=True)
class Charuco:
    """The printed ChArUco board; squares in metres as printed, across and along the sheet.

    Nine rows: OpenCV changed the pattern of boards with an even number of rows in 4.6.
    """

    columns: int = 7
    rows: int = 9
    square_m: tuple[float, float] = (0.025, 0.025)
    marker_share: float = 0.75
    dictionary: int = cv2.aruco.DICT_4X4_50


@dataclass(frozen=True, slots=True)
class Chessboard:
    """A plain chessboard with `columns` by `rows` inner corners."""

    columns: int
    rows: int
    square_m: tuple[float, float] = (0.025, 0.025)


Board = Charuco | Chessboard


@cache
def pattern(board: Charuco) -> cv2.aruco.CharucoBoard:
    """OpenCV's board of it, in squares."""
    dictionary = cv2.aruco.getPredefinedDictionary(board.dictionary)
    return cv2.aruco.CharucoBoard((board.columns, board.rows), 1.0, board.marker_share, dictionary)


def find_board(gray: NDArray[np.uint8], board: Board, name: str = "") -> BoardView | None:
    """The board's corners in a grey picture (h, w), to about 0.1 px; None: too few are seen."""
    size = (gray.shape[1], gray.shape[0])
    found = _charuco(gray, board) if isinstance(board, Charuco) else _chessboard(gray, board)
    if found is None or len(found[0]) < MIN_CORNERS:
        return None
    squares, px = found
    board_m = np.column_stack([squares * np.array(board.square_m), np.zeros(len(px))])
    return BoardView(board_m, px, size, name)


def _charuco(
    gray: NDArray[np.uint8], board: Charuco
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    corners, ids, *_ = cv2.aruco.CharucoDetector(pattern(board)).detectBoard(gray)
    if corners is None or ids is None or len(ids) < MIN_CORNERS:
        return None
    places = np.asarray(pattern(board).getChessboardCorners(), float)[np.ravel(ids), :2]
    if np.linalg.matrix_rank(places - places.mean(axis=0), tol=0.5) < 2:
        return None  # all on one line: no plane
    return places, _refined(gray, corners, places)


def _chessboard(
    gray: NDArray[np.uint8], board: Chessboard
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    found, corners = cv2.findChessboardCorners(gray, (board.columns, board.rows))
    if not found:
        return None
    grid = np.stack(np.meshgrid(range(board.columns), range(board.rows)), axis=-1)
    places = grid.reshape(-1, 2).astype(float)
    return places, _refined(gray, corners, places)


def _refined(
    gray: NDArray[np.uint8], corners: NDArray[Any], places: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Corners to a fraction of a pixel, in a window that holds no second corner."""
    px = np.asarray(corners, float).reshape(-1, 2)
    apart = np.linalg.norm(places[:, None] - places[None], axis=-1)
    first, second = np.nonzero(np.isclose(apart, 1.0))
    nearest = np.linalg.norm(px[first] - px[second], axis=-1).min() if len(first) else 10.0
    half = int(np.clip(nearest / 3, 2, 11))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
    start = np.ascontiguousarray(px, np.float32).reshape(-1, 1, 2)
    out = cv2.cornerSubPix(gray, start, (half, half), (-1, -1), stop)
    return np.asarray(out, float).reshape(-1, 2)


def is_new(view: BoardView, kept: BoardView | None) -> bool:
    """Whether a clip's next view shows the board somewhere else than the last one kept."""
    return kept is None or moved_share(view, kept) > NEW_SHARE


def moved_share(view: BoardView, other: BoardView) -> float:
    """How far the board's outline moved between two views, as a share of the longer side."""
    if other.size != view.size:
        return float("inf")
    return float(np.abs(_outline(view) - _outline(other)).max() / max(view.size))


def spread_out(views: list[BoardView], most: int = MAX_VIEWS) -> list[BoardView]:
    """At most `most` views that differ as much as can be (farthest first), in their order."""
    if len(views) <= most:
        return views
    outlines = np.array([_outline(view).ravel() for view in views])
    chosen = [int(np.abs(outlines - outlines.mean(axis=0)).max(axis=1).argmax())]
    away = np.linalg.norm(outlines - outlines[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.linalg.norm(outlines - outlines[chosen[-1]], axis=1))
    return [views[k] for k in sorted(chosen)]


def _outline(view: BoardView) -> NDArray[np.float64]:
    """Where four fixed places on the board (4, 2) lie in the picture, seen or not."""
    plane, _ = cv2.findHomography(view.board_m[:, :2], view.px)
    if plane is None:
        return np.repeat(view.px.mean(axis=0)[None], 4, axis=0)
    far = np.array([[0.025, 0.025], [0.15, 0.025], [0.15, 0.2], [0.025, 0.2]])
    return np.asarray(cv2.perspectiveTransform(far[:, None], plane)[:, 0])
