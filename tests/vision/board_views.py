"""Views of a board by a camera that is known, made with OpenCV's projection alone."""

import cv2
import numpy as np

from server.sheet import DOTS_PER_INCH, MM_PER_INCH, Sheet, draw_sheet
from vision.board import Charuco
from vision.calibrate import BoardView

SIZE = (1280, 720)
GRID = (6, 8)
SQUARE_M = 0.025


def corners_m() -> np.ndarray:
    grid = np.stack(np.meshgrid(range(GRID[0]), range(GRID[1])), axis=-1).reshape(-1, 2)
    return np.column_stack([grid * SQUARE_M, np.zeros(len(grid))])


def poses(rng, count, tilt_deg=(-35, 35), toward=None):
    """Rotation vectors and translations of boards that stay within the picture."""
    out = []
    for k in range(count):
        tip, swing = np.deg2rad(rng.uniform(*tilt_deg, 2)) if toward is None else toward
        twist = rng.uniform(-0.4, 0.4)
        turn = (
            cv2.Rodrigues(np.array([0, 0, twist]))[0]
            @ cv2.Rodrigues(np.array([tip, 0.0, 0]))[0]
            @ cv2.Rodrigues(np.array([0.0, swing, 0]))[0]
        )
        away = rng.uniform(0.28, 0.42)
        # Toward one after another of the picture's parts.
        at = np.array([(k % 3 - 1) * 0.32, (k // 3 % 3 - 1) * 0.14]) * away
        middle = corners_m().mean(axis=0)
        out.append((cv2.Rodrigues(turn)[0], np.array([*at, away]) - turn @ middle))
    return out


def view(rng, matrix, bend, pose, noise_px=0.15, name="") -> BoardView:
    px = cv2.projectPoints(corners_m(), *pose, matrix, bend)[0].reshape(-1, 2)
    px = px + rng.normal(0, noise_px, px.shape)
    inside = ((px > 0) & (px < np.array(SIZE) - 1)).all(axis=1)
    return BoardView(corners_m()[inside], px[inside], SIZE, name)


def printed_page():
    """The A4 sheet (grey, 300 dots an inch), its dots per metre, where its board begins (m)."""
    sheet = Sheet("a4")
    page = np.asarray(draw_sheet(sheet).convert("L"))
    page = cv2.resize(page, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return page, DOTS_PER_INCH / 2 / MM_PER_INCH * 1000, [at / 1000 for at in sheet.corner_mm]


def photograph(rng, printed, matrix, bend, pose, noise=2.0, size=SIZE):
    """A `printed_page` as a camera with distortion sees it: two rays a pixel meet the sheet."""
    page, dots_per_m, corner_m = printed
    turn = cv2.Rodrigues(pose[0])[0]
    width, height = size
    total = np.zeros((height, width))
    for dx, dy in ((-0.25, -0.25), (0.25, 0.25)):
        x, y = np.meshgrid(np.arange(width) + dx, np.arange(height) + dy)
        px = np.stack([x, y], axis=-1).reshape(-1, 1, 2)
        rays = cv2.undistortPoints(px, matrix, bend).reshape(-1, 2)
        rays = np.column_stack([rays, np.ones(len(rays))]) @ turn  # in the board's axes
        centre = -turn.T @ np.ravel(pose[1])
        reach = -centre[2] / rays[:, 2]
        # `pose` is of the inner corners' frame, one square inside the board.
        inner_m = np.array(Charuco().square_m)
        at = centre[:2] + reach[:, None] * rays[:, :2] + inner_m + np.array(corner_m)
        dots = (at * dots_per_m - 0.5).astype(np.float32).reshape(height, width, 2)
        drawn = cv2.remap(page, dots[..., 0], dots[..., 1], cv2.INTER_LINEAR, borderValue=110)
        total += drawn
    grey = 40 + 160 * (total / 2) / 255
    grey = cv2.GaussianBlur(grey, (0, 0), 0.6) + rng.normal(0, noise, grey.shape)
    return np.clip(grey, 0, 255).astype(np.uint8)
