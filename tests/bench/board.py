"""The pose from two rods beside the pose from a printed A4 board lying at the junction.

Same camera, same focal length known, corners to 0.3 px as `cv2.aruco` refines them. The board is a
ChArUco of 5 x 7 squares of 38 mm (24 inner corners) or a single marker of 190 mm (4 corners); its
pose comes from cv2.solvePnP. The board is taken to lie exactly along the line, which by eye it
does not: one degree of a 30 cm sheet's edge is 5 mm, and 6 cm at 3.5 m.
"""

from dataclasses import replace

import cv2
import numpy as np

from tests.synthetic import SIZE, Draw, camera, draw
from vision.placement import place
from vision.pose import solve_pose
from vision.setup import View

CORNER_PX = 0.3
SQUARE_M = 0.038
MARKER_M = 0.19
SHEET_M = (0.210, 0.297)
COLUMNS, ROWS = 5, 7
DICTIONARY = cv2.aruco.DICT_4X4_50
DOTS_PER_M = 5000
OVERSAMPLING = 4
CONTRAST = (40.0, 200.0)  # print on paper in daylight
SENSOR_NOISE = 2.0


def corners(kind: str) -> np.ndarray:
    """Points (n, 3) on the ground, right and forward of the sheet's middle."""
    if kind == "charuco":
        x = (np.arange(1, COLUMNS) - COLUMNS / 2) * SQUARE_M
        y = (np.arange(1, ROWS) - ROWS / 2) * SQUARE_M
    else:
        x = y = np.array([-0.5, 0.5]) * MARKER_M
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return np.column_stack([grid, np.zeros(len(grid))])


def sheet(kind: str) -> np.ndarray:
    """The printed A4 page as a picture, DOTS_PER_M to the metre."""
    size = tuple(round(side * DOTS_PER_M) for side in SHEET_M)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    if kind == "charuco":
        board = cv2.aruco.CharucoBoard((COLUMNS, ROWS), SQUARE_M, 0.75 * SQUARE_M, dictionary)
        inner = tuple(round(n * SQUARE_M * DOTS_PER_M) for n in (COLUMNS, ROWS))
        print_ = board.generateImage(inner)
    else:
        inner = (round(MARKER_M * DOTS_PER_M),) * 2
        print_ = cv2.aruco.generateImageMarker(dictionary, 7, inner[0])
    page = np.full(size[::-1], 255, np.uint8)
    left, top = ((a - b) // 2 for a, b in zip(size, inner, strict=True))
    page[top : top + inner[1], left : left + inner[0]] = print_
    return page


def photograph(case: Draw, kind: str, page: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The page on even ground as the draw's camera sees it, without lens distortion."""
    matrix, rvec, tvec = lens_of(case)
    width, height = SHEET_M
    outline = np.array([[-1, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]]) / 2.0
    ground = outline * [width, height, 0]
    seen = cv2.projectPoints(ground, rvec, tvec, matrix, None)[0].reshape(4, 2)
    h, w = page.shape
    printed = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
    large = ((seen + 0.5) * OVERSAMPLING - 0.5).astype(np.float32)
    warp = cv2.getPerspectiveTransform(printed, large)
    at = (SIZE[0] * OVERSAMPLING, SIZE[1] * OVERSAMPLING)
    drawn = cv2.warpPerspective(page, warp, at, flags=cv2.INTER_AREA, borderValue=110)
    small = cv2.resize(drawn, SIZE, interpolation=cv2.INTER_AREA).astype(np.float64)
    low, high = CONTRAST
    small = low + (high - low) * small / 255 + rng.normal(0, SENSOR_NOISE, small.shape)
    return np.clip(small, 0, 255).astype(np.uint8)


def detected(kind: str, picture: np.ndarray) -> int:
    """How many corners OpenCV's detector finds."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    if kind == "charuco":
        board = cv2.aruco.CharucoBoard((COLUMNS, ROWS), SQUARE_M, 0.75 * SQUARE_M, dictionary)
        found = cv2.aruco.CharucoDetector(board).detectBoard(picture)[0]
        return 0 if found is None else len(found)
    found = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)[0]
    return 4 * len(found)


def lens_of(case: Draw) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The draw's true camera matrix and pose."""
    p = case.params
    matrix = np.array([[np.exp(p[6]), 0, p[7]], [0, np.exp(p[6]), p[8]], [0, 0, 1.0]])
    rvec, tvec = camera(*p[3:6], np.array([p[0], p[1], np.exp(p[2])]))
    return matrix, rvec, tvec


def from_board(case: Draw, kind: str, rng: np.random.Generator) -> dict[str, float]:
    """Offset, distance, height and yaw of the lens to the board's own line, by cv2.solvePnP."""
    matrix, rvec, tvec = lens_of(case)
    points = corners(kind)
    distortion = np.array([case.params[9], 0, 0, 0.0])
    seen = cv2.projectPoints(points, rvec, tvec, matrix, distortion)[0].reshape(-1, 2)
    seen = seen + rng.normal(0, CORNER_PX, seen.shape)
    focal = case.setup.lens.focal_px
    told = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1.0]])
    _, turn, shift = cv2.solvePnP(points, seen, told, None, flags=cv2.SOLVEPNP_IPPE)
    turn, shift = cv2.solvePnPRefineLM(points, seen, told, None, turn, shift)
    rotation = cv2.Rodrigues(turn)[0]
    centre = (-rotation.T @ shift).ravel()
    return {
        "offset_m": float(centre[0]),
        "distance_m": float(-centre[1]),
        "height_m": float(centre[2]),
        "yaw_rad": float(np.arctan2(rotation[2, 0], rotation[2, 1])),
    }


def on_line(case: Draw) -> dict[str, float]:
    """The truth relative to the view frame's own forward axis, along which the board lies."""
    right, forward, log_height, heading = case.params[:4]
    return {
        "offset_m": float(right),
        "distance_m": float(-forward),
        "height_m": float(np.exp(log_height)),
        "yaw_rad": float(heading),
    }


def rows(draws: int, seed: int = 2, photographs: int = 20) -> list[dict]:
    """Median and p95 errors of each way, and how often OpenCV's detector finds the print."""
    rng = np.random.default_rng(seed)
    errors: dict[str, list[dict[str, float]]] = {}
    seen: dict[str, list[int]] = {"charuco": [], "marker": []}
    pages = {kind: sheet(kind) for kind in seen}
    for k in range(draws):
        case = draw(rng, View.FACE_ON, know_tilt=0.5)
        placement, _ = place(solve_pose(case.rods, SIZE, case.setup), case.setup)
        from_rods = {q: getattr(placement, q) - case.truth[q] for q in on_line(case)}
        errors.setdefault("two rods, tilt sensor 0.5°", []).append(from_rods)
        bare = solve_pose(case.rods, SIZE, replace(case.setup, tilt=None))
        placement, _ = place(bare, case.setup)
        from_rods = {q: getattr(placement, q) - case.truth[q] for q in on_line(case)}
        errors.setdefault("two rods, no sensor", []).append(from_rods)
        for kind in seen:
            truth, got = on_line(case), from_board(case, kind, rng)
            name = "A4 ChArUco, 24 corners" if kind == "charuco" else "A4 marker, 4 corners"
            errors.setdefault(name, []).append({q: got[q] - truth[q] for q in truth})
            if k < photographs:
                seen[kind].append(detected(kind, photograph(case, kind, pages[kind], rng)))
    out = []
    for name, each in errors.items():
        row = {"bench": "board", "from": name, "draws": draws}
        for quantity in each[0]:
            unit = 1.0 if quantity.endswith("_m") else float(np.rad2deg(1))
            size = np.abs([e[quantity] for e in each]) * unit
            key = quantity.replace("_rad", "_deg")
            row[f"{key}_median"] = float(np.median(size))
            row[f"{key}_p95"] = float(np.percentile(size, 95))
        kind = {"A4 C": "charuco", "A4 m": "marker"}.get(name[:4])
        row["detected_share"] = None if kind is None else float(np.mean(np.array(seen[kind]) >= 4))
        row["corners_found"] = None if kind is None else float(np.mean(seen[kind]))
        out.append(row)
    return out
