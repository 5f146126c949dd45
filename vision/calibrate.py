"""Views of a flat board -> a calibrated lens with its uncertainty, or why the set will not do.

Zhang's method (IEEE TPAMI 22, 2000) as OpenCV's calibrateCamera, with square pixels. Of the
distortion only what the views surely show is kept: phones' pictures need k1, a wide lens more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.coverage import CoverageHint, cells_reached, coverage_hints, steepest, tilts_rad
from vision.lens import camera_matrix

MIN_VIEWS = 5
MIN_CORNERS = 8
MIN_TILT_RAD = np.deg2rad(15.0)
# Foreshortening grows with focal length times tilt: with a usual focal length a tilted board must
# look tilted too, or a wild focal length has explained noise as tilt.
MIN_USUAL_TILT_RAD = np.deg2rad(7.0)
MIN_TURN_RAD = np.deg2rad(20.0)
MIN_CELLS = 6  # of nine
MAX_RMS_SHARE = 0.8e-3  # of the longer side: 1 px at 1280
MAX_RMS_PX = 0.8  # in small pictures, whose corners are no finer for it
MAX_FOCAL_SHARE = 0.01
HELD_BACK_FACTOR = 3.0
OUTLIER_FACTOR = 3.0
MAX_LEFT_OUT = 0.25  # of the views
USUAL_FOCAL = 0.78  # of the longer side, as in vision/model.py
# chi^2 by which each further set of distortion terms must improve the fit, per residual variance.
# Corners of one view share errors (a board that is not flat), so it is far above the 4 of a test.
TERM_GAIN = 40.0

_SQUARE = cv2.CALIB_FIX_ASPECT_RATIO
_MODELS = (
    _SQUARE | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3,
    _SQUARE | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3,
    _SQUARE,
)
_STOP = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-10)


@dataclass(frozen=True, slots=True, eq=False)
class BoardView:
    """One picture's corners: `board_m` (n, 3) on the board (z = 0), `px` (n, 2), picture `size`.

    `name` tells people which picture it was.
    """

    board_m: NDArray[np.float64]
    px: NDArray[np.float64]
    size: tuple[int, int]
    name: str = ""


class Fault(StrEnum):
    """Why a set of views cannot give a lens."""

    TOO_FEW = "too-few"
    MIXED_SIZES = "mixed-sizes"
    NO_TILT = "no-tilt"
    SAME_TILT = "same-tilt"
    COVERAGE = "coverage"
    FAILED = "failed"
    RESIDUAL = "residual"
    FOCAL_UNSURE = "focal-unsure"
    HELD_BACK = "held-back"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why not: `found` is what was measured, `limit` what is needed (counts, px, rad, shares).

    `hints` say what further views should show.
    """

    fault: Fault
    found: float
    limit: float
    hints: tuple[CoverageHint, ...] = ()


@dataclass(frozen=True, slots=True)
class ViewFit:
    """One view's part in the result (pixels, radians).

    `held_back_px` is its rms under the lens found from the other views alone; `used` is False
    for a view left out because it did not fit.
    """

    name: str
    corners: int
    rms_px: float
    held_back_px: float
    tilt_rad: float
    used: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A lens for pictures of `size`; every spread is one standard deviation.

    `bend` is OpenCV's (k1, k2, p1, p2, k3), terms that the views do not show being 0. `cov` (4, 4)
    is of focal_px, cx, cy and k1, the larger of the fit's own and the delete-one-view jackknife's
    (Efron and Tibshirani, An Introduction to the Bootstrap, 11.2), since a view's corners err
    together.
    """

    size: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    bend: tuple[float, float, float, float, float]
    cov: NDArray[np.float64]
    rms_px: float
    views: tuple[ViewFit, ...]
    hints: tuple[CoverageHint, ...]

    @property
    def focal_sigma_px(self) -> float:
        """Spread of the focal length."""
        return float(np.sqrt(self.cov[0, 0]))

    @property
    def centre_sigma_px(self) -> float:
        """Spread of each coordinate of the principal point, the larger of both."""
        return float(np.sqrt(max(self.cov[1, 1], self.cov[2, 2])))

    @property
    def k1_sigma(self) -> float:
        """Spread of k1."""
        return float(np.sqrt(self.cov[3, 3]))

    @property
    def held_back_px(self) -> float:
        """The check: the worst rms of a view under a lens that was found without it."""
        return max(view.held_back_px for view in self.views if view.used)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    values: NDArray[np.float64]  # f, cx, cy, k1, k2, p1, p2, k3
    sigma: NDArray[np.float64]  # of the same
    rms: float
    per_view: NDArray[np.float64]
    turns: NDArray[np.float64]  # (views, 3, 3)
    model: int

    @property
    def matrix(self) -> NDArray[np.float64]:
        return camera_matrix(self.values[0], (self.values[1], self.values[2]))


def calibrate(views: Sequence[BoardView]) -> Calibration | Refusal:
    """The lens that took all views, or why they cannot tell it. Views of few corners are ignored.

    Takes about 0.1 s for 13 views of 54 corners.
    """
    views = [view for view in views if len(view.px) >= MIN_CORNERS]
    if len(views) < MIN_VIEWS:
        return _refuse(Fault.TOO_FEW, len(views), MIN_VIEWS, views)
    sizes = {view.size for view in views}
    if len(sizes) > 1:
        return _refuse(Fault.MIXED_SIZES, len(sizes), 1, views)
    size = views[0].size
    fit = _fit(views, size)
    if fit is None:
        return _refuse(Fault.FAILED, 0, 0, views)
    left_out: list[BoardView] = []
    while (worst := _outlier(fit)) is not None:
        if len(left_out) + 1 > MAX_LEFT_OUT * (len(views) + len(left_out)):
            break
        left_out.append(views.pop(worst))
        if len(views) < MIN_VIEWS:
            return _refuse(Fault.TOO_FEW, len(views), MIN_VIEWS, views)
        fit = _fit(views, size)
        if fit is None:
            return _refuse(Fault.FAILED, 0, 0, views)
    return _flat(views, fit) or _concluded(views, left_out, fit)


def _flat(views: Sequence[BoardView], fit: _Fit) -> Refusal | None:
    """Boards all parallel to the picture, or to each other, leave the focal length open."""
    size = views[0].size
    tilts = tilts_rad(fit.turns)
    usual = steepest(views, USUAL_FOCAL * max(size))
    if np.sort(tilts)[-2] < MIN_TILT_RAD or usual < MIN_USUAL_TILT_RAD:
        found = float(min(np.sort(tilts)[-2], usual))
        return _refuse(Fault.NO_TILT, found, MIN_TILT_RAD, views)
    normals = fit.turns[:, :, 2]
    apart = float(np.arccos(np.clip((normals @ normals.T).min(), -1.0, 1.0)))
    if apart < MIN_TURN_RAD:
        return _refuse(Fault.SAME_TILT, apart, MIN_TURN_RAD, views)
    return None


def _concluded(
    views: Sequence[BoardView], left_out: Sequence[BoardView], fit: _Fit
) -> Calibration | Refusal:
    size = views[0].size
    longer = max(size)
    if (reached := int(cells_reached(views).sum())) < MIN_CELLS:
        return _refuse(Fault.COVERAGE, reached, MIN_CELLS, views)
    limit_px = max(MAX_RMS_PX, MAX_RMS_SHARE * longer)
    if fit.rms > limit_px:
        return _refuse(Fault.RESIDUAL, fit.rms, limit_px, views)
    without = []
    for k in range(len(views)):
        other = _solve([*views[:k], *views[k + 1 :]], size, fit.model, fit)
        if other is None:
            return _refuse(Fault.FAILED, 0, 0, views)
        without.append(other)
    values = np.array([other.values for other in without])
    deviations = values - values.mean(axis=0)
    jackknife = deviations.T @ deviations * (len(views) - 1) / len(views)
    cov = _larger(np.diag(fit.sigma[:4] ** 2), jackknife[:4, :4])
    focal_sigma = float(np.sqrt(cov[0, 0]))
    if focal_sigma > MAX_FOCAL_SHARE * fit.values[0]:
        share = focal_sigma / float(fit.values[0])
        return _refuse(Fault.FOCAL_UNSURE, share, MAX_FOCAL_SHARE, views)
    held_back = [_rms_under(view, other) for view, other in zip(views, without, strict=True)]
    limit_px = HELD_BACK_FACTOR * max(fit.rms, 0.1e-3 * longer)
    if max(held_back) > limit_px:
        return _refuse(Fault.HELD_BACK, max(held_back), limit_px, views)
    tilts = tilts_rad(fit.turns)
    used = [
        ViewFit(view.name, len(view.px), float(rms), float(held), float(tilt))
        for view, rms, held, tilt in zip(views, fit.per_view, held_back, tilts, strict=True)
    ]
    unused = []
    for view in left_out:
        rms = _rms_under(view, fit)
        unused.append(ViewFit(view.name, len(view.px), rms, rms, float("nan"), used=False))
    f, cx, cy, k1, k2, p1, p2, k3 = (float(v) for v in fit.values)
    return Calibration(
        size=size,
        focal_px=f,
        centre_px=(cx, cy),
        bend=(k1, k2, p1, p2, k3),
        cov=cov,
        rms_px=fit.rms,
        views=(*used, *unused),
        hints=coverage_hints(views),
    )


def _refuse(fault: Fault, found: float, limit: float, views: Sequence[BoardView]) -> Refusal:
    same = len({view.size for view in views}) == 1
    return Refusal(fault, float(found), float(limit), coverage_hints(views) if same else ())


def _fit(views: Sequence[BoardView], size: tuple[int, int]) -> _Fit | None:
    """The fit with as many distortion terms as the views surely show."""
    best = _solve(views, size, 0)
    corners = sum(len(view.px) for view in views)
    for model in range(1, len(_MODELS)):
        if best is None:
            return None
        richer = _solve(views, size, model, best)
        if richer is None or richer.rms <= 0:
            break
        if 2 * corners * (best.rms**2 / richer.rms**2 - 1) > TERM_GAIN:
            best = richer
    return best


def _solve(
    views: Sequence[BoardView], size: tuple[int, int], model: int, start: _Fit | None = None
) -> _Fit | None:
    """OpenCV's bundle adjustment; None where it does not come to a sensible lens."""
    board = [view.board_m.astype(np.float32) for view in views]
    px = [view.px.astype(np.float32).reshape(-1, 1, 2) for view in views]
    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    matrix = camera_matrix(USUAL_FOCAL * max(size), middle)
    bend = np.zeros(5)
    flags = _MODELS[model] | cv2.CALIB_USE_INTRINSIC_GUESS
    if start is not None:
        matrix, bend = start.matrix, start.values[3:].copy()
    try:
        rms, found, bent, turns, _, sigma, _, per_view = cv2.calibrateCameraExtended(
            board, px, size, matrix, bend, flags=flags, criteria=_STOP
        )
    except cv2.error:
        return None
    values = np.array([found[1, 1], found[0, 2], found[1, 2], *np.ravel(bent)[:5]], float)
    spread = np.ravel(sigma)[1:9].astype(float)  # from fy on: with square pixels fx has none
    if not (np.isfinite(values).all() and np.isfinite(rms)):
        return None
    if not 0.2 * max(size) < values[0] < 20 * max(size):
        return None
    return _Fit(
        values=values,
        sigma=spread,
        rms=float(rms),
        per_view=np.ravel(per_view),
        turns=np.array([cv2.Rodrigues(turn)[0] for turn in turns]),
        model=model,
    )


def _outlier(fit: _Fit) -> int | None:
    """The view that fits far worse than the others (blurred, bent, misread), or None."""
    worst = int(fit.per_view.argmax())
    limit = OUTLIER_FACTOR * max(float(np.median(fit.per_view)), 0.1)
    return worst if fit.per_view[worst] > limit else None


def _rms_under(view: BoardView, fit: _Fit) -> float:
    """A view's rms residual (px) when only its pose is fitted."""
    bend = fit.values[3:]
    found, turn, shift = cv2.solvePnP(view.board_m, view.px, fit.matrix, bend)
    if not found:
        return float("inf")
    seen = cv2.projectPoints(view.board_m, turn, shift, fit.matrix, bend)[0].reshape(-1, 2)
    return float(np.sqrt(((seen - view.px) ** 2).sum(axis=1).mean()))


def _larger(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """`b`'s correlations with the larger of both variances."""
    scale = np.sqrt(np.maximum(np.diag(a), np.diag(b)) / np.maximum(np.diag(b), 1e-30))
    out = np.asarray(b * np.outer(scale, scale))
    np.fill_diagonal(out, np.maximum(np.diag(a), np.diag(b)))
    return out
