"""Stage 1: frame -> rods. Contrast planes, Hough lines, segments, layouts, measured ribbons."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.contrast import contrast_planes
from vision.frame import MIN_SIDE_PX, Frame
from vision.hough import find_lines
from vision.layouts import rank_layouts
from vision.model import focal_prior
from vision.ribbon import Ribbon, measure
from vision.rods import NotFound, Reason, Rod, Rods
from vision.segments import Segments, grow
from vision.setup import Setup, View

WORK_LONG_PX = 1280  # larger pictures are searched at about this size, then measured at full size
PIECES = 100
CANDIDATES = 30
EDGE_PX = 5.0  # half-size pixels from the picture's edge: the end is cut

# Logistic regression of "this segment lies on a rod" on the cues of `vision.segments.CUES`.
CUE_WEIGHTS = np.array(
    [-1.376, 4.509, 1.281, -1.730, 2.515, -0.780, -0.372, -0.487, -6.194, -5.029]
)
CUE_BIAS = -7.849
ACCEPT = -8.0  # score of a layout from which it is believed
ONE_ROD_LOGIT = 1.0
DARK_LEVEL = 12.0
BLANK_SPREAD = 2.0


def find(frame: Frame, setup: Setup) -> Rods | NotFound:
    """The two rods of the setup's layout, or why there are none."""
    reason = _unusable(frame)
    if reason is not None:
        return NotFound(reason)
    small, factor = _working_size(frame)
    planes = contrast_planes(small)
    segments = grow(planes, find_lines(planes, PIECES))
    logit = evidence(segments)
    kept = _distinct(segments, logit)
    ends = segments.ends_px[kept].astype(np.float64)
    logit = logit[kept]
    height, width = planes.shape[1:]
    cut = touches_edge(ends, (width, height))
    focal_px, _ = focal_prior((frame.width, frame.height), setup)
    to_full = 2.0 * factor
    guesses = rank_layouts(ends, logit, cut, (width, height), focal_px / to_full, setup)
    full = (ends + 0.5) * to_full - 0.5
    if not guesses or guesses[0].score < ACCEPT:
        return _nothing(frame, full, logit, setup)
    best = guesses[0]
    others = [g.score for g in guesses[1:] if {g.first, g.second} != {best.first, best.second}]
    first, second = (measure(frame, full[k]) for k in (best.first, best.second))
    scores = (float(logit[best.first]), float(logit[best.second]))
    return assign((first, second), scores, best.score, float(max(others, default=-np.inf)), setup)


def evidence(segments: Segments) -> NDArray[np.float64]:
    """Log-odds (n,) that each segment lies on a rod."""
    return np.asarray(segments.cues.astype(np.float64) @ CUE_WEIGHTS + CUE_BIAS)


def touches_edge(ends_px: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Which ends (..., 2) leave a picture of `size` (width, height)."""
    return np.asarray(
        (ends_px < EDGE_PX).any(axis=-1) | (ends_px > np.array(size) - 1 - EDGE_PX).any(axis=-1)
    )


def _unusable(frame: Frame) -> Reason | None:
    """Pictures in which no search can find anything."""
    if min(frame.width, frame.height) < MIN_SIDE_PX:
        return Reason.TOO_SMALL
    thumb = cv2.resize(frame.y, (64, 64), interpolation=cv2.INTER_AREA)
    if float(np.percentile(thumb, 95)) < DARK_LEVEL:
        return Reason.TOO_DARK
    if float(thumb.std()) < BLANK_SPREAD:
        return Reason.BLANK
    return None


def _working_size(frame: Frame) -> tuple[Frame, float]:
    """The frame reduced to the search's size, and the factor back to full size."""
    longer = max(frame.width, frame.height)
    if longer <= 1.25 * WORK_LONG_PX:
        return frame, 1.0
    factor = longer / WORK_LONG_PX
    size = (round(frame.width / factor / 2) * 2, round(frame.height / factor / 2) * 2)
    half = (size[0] // 2, size[1] // 2)
    area = cv2.INTER_AREA
    return (
        Frame(
            np.asarray(cv2.resize(frame.y, size, interpolation=area), np.uint8),
            np.asarray(cv2.resize(frame.u, half, interpolation=area), np.uint8),
            np.asarray(cv2.resize(frame.v, half, interpolation=area), np.uint8),
        ),
        frame.width / size[0],
    )


def _distinct(segments: Segments, logit: NDArray[np.float64]) -> list[int]:
    """The best candidates, near copies of a better one left out."""
    kept: list[int] = []
    for k in np.argsort(-logit, kind="stable"):
        if not any(_same_line(segments.ends_px[k], segments.ends_px[m]) for m in kept):
            kept.append(int(k))
            if len(kept) == CANDIDATES:
                break
    return kept


def _same_line(a: NDArray[np.float32], b: NDArray[np.float32]) -> bool:
    along = b[1] - b[0]
    length = float(np.hypot(along[0], along[1]))
    along = along / length
    rel = a - b[0]
    at = rel @ along
    off = np.abs(rel[:, 0] * along[1] - rel[:, 1] * along[0])
    overlap = min(float(at.max()), length) - max(float(at.min()), 0.0)
    return bool(off.max() < 4 and overlap > 0.3 * min(length, float(np.ptp(at))))


def assign(
    ribbons: tuple[Ribbon, Ribbon],
    scores: tuple[float, float],
    score: float,
    runner_up: float,
    setup: Setup,
) -> Rods:
    """Roles and the order of ends that `vision.rods.Rod` promises."""
    first, second = ribbons
    if setup.view is View.FACE_ON:
        first = _ordered(first, first.ends_px[:, 0])
        along = first.ends_px[1] - first.ends_px[0]
        rel = second.ends_px - first.ends_px[0]
        second = _ordered(second, np.abs(rel[:, 0] * along[1] - rel[:, 1] * along[0]))
    else:
        first, second = (_ordered(r, r.ends_px[:, 1]) for r in (first, second))
    rods = [
        Rod(
            role,
            r.ends_px,
            r.ends,
            r.line_sigma_px,
            r.end_sigma_px,
            r.width_px,
            rod_score,
        )
        for role, r, rod_score in zip(setup.roles, (first, second), scores, strict=True)
    ]
    return Rods(rods[0], rods[1], score, runner_up)


def _ordered(ribbon: Ribbon, key: NDArray[np.float64]) -> Ribbon:
    """The ribbon with the end of the smaller key first."""
    if key[0] <= key[1]:
        return ribbon
    return Ribbon(
        ribbon.ends_px[::-1].copy(),
        ribbon.line_sigma_px,
        (ribbon.ends[1], ribbon.ends[0]),
        (ribbon.end_sigma_px[1], ribbon.end_sigma_px[0]),
        ribbon.width_px,
        ribbon.contrast,
    )


def _nothing(
    frame: Frame,
    full: NDArray[np.float64],
    logit: NDArray[np.float64],
    setup: Setup,
) -> NotFound:
    """No layout believed: tell one rod, a wrong layout and nothing apart."""
    likely = np.flatnonzero(logit > ONE_ROD_LOGIT)[:3]
    seen = tuple(
        Rod(
            setup.roles[0],
            r.ends_px,
            r.ends,
            r.line_sigma_px,
            r.end_sigma_px,
            r.width_px,
            float(logit[k]),
        )
        for k in likely
        for r in (measure(frame, full[k]),)
    )
    if len(likely) == 0:
        return NotFound(Reason.NO_RODS)
    if len(likely) == 1:
        return NotFound(Reason.ONE_ROD, seen)
    return NotFound(Reason.WRONG_LAYOUT if len(likely) == 2 else Reason.UNSURE, seen)
