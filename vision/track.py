"""Stage 1 between frames: known rods measured where they were, or looked for in a band around.

Looking is the same growing and measuring as the full search, on a crop and on a handful of pieces.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.contrast import contrast_planes
from vision.find import COARSE, FLOOR, Candidates, rank, settle
from vision.frame import Frame
from vision.hough import Lines
from vision.rods import Rods
from vision.segments import grow
from vision.setup import Setup

LEVEL = COARSE
STRIP_PX = LEVEL.strips.strip
MARGIN_PX = 48  # full-size pixels around the rods; the band itself reaches 26
SHIFT_PX = 5  # pixels of the planes that a rod may move from one frame to the next
REACH = 0.9  # of the longer rod from each place below: that at the fifth sees nearly all of it
REACH_STEP_PX = 16
PIECES = (0.2, 0.5, 0.8)  # where along each rod it is looked for
LOSS = 6.0  # evidence may fall by this much; whether they are believed is asked afterwards
MOST_BEFORE = -1.0  # from no more than this: rods told by a closer look show little at this level
MAX_TURN_RAD = np.deg2rad(4.0)
STILL_PX = 1.5  # rods that moved by less stand still, up to noise
MAX_LONG_PX = 1600  # larger pictures are searched afresh at reduced size


def follow(frame: Frame, rods: Rods, setup: Setup) -> Rods | None:
    """The same rods in the next frame, or None when they are not surely there.

    Beside a shadow or a mat's edge it may slip on to that: whoever asks compares the belief.
    """
    if max(frame.width, frame.height) > MAX_LONG_PX or rods.first.role is not setup.roles[0]:
        return None
    crop, corner = _crop(frame, rods)
    if crop is None:
        return None
    planes = contrast_planes(crop, LEVEL.reduction)
    small = (rods.ends_px - corner + 0.5) / LEVEL.reduction - 0.5
    lengths = np.hypot(*(small[:, 1] - small[:, 0]).T)
    longest = float(lengths.max())
    pieces = _pieces(small, lengths)
    lines = Lines(pieces, np.ones(len(pieces), np.float32))
    # In steps, so that the lines tried are the same from picture to picture and made only once.
    reach = math.ceil((REACH * longest + STRIP_PX) / REACH_STEP_PX) * REACH_STEP_PX
    segments = grow(planes, lines, LEVEL.band, reach, SHIFT_PX)
    logit = LEVEL.evidence.log_odds(segments.cues)
    chosen: list[int] = []
    for k, rod in enumerate(rods.both):
        mine = slice(k * len(PIECES), (k + 1) * len(PIECES))
        best = int(np.argmax(logit[mine])) + mine.start
        if (
            logit[best] < min(rod.score, MOST_BEFORE) - LOSS
            or _turn(segments.ends_px[best], small[k]) > MAX_TURN_RAD
        ):
            return None
        chosen.append(best)
    full = (segments.ends_px[chosen].astype(np.float64) + 0.5) * LEVEL.reduction - 0.5 + corner
    return _settled(frame, rods, Candidates(full, logit[chosen], logit[chosen]), setup)


def stay(
    frame: Frame, rods: Rods, setup: Setup, at_px: NDArray[np.float64] | None = None
) -> Rods | None:
    """The same rods measured where they were (up to 5 px off); None where they make no layout.

    `at_px` (2 rods, 2 ends, 2): where they are looked for, if not where they were last.
    """
    if rods.first.role is not setup.roles[0]:
        return None
    ends = rods.ends_px if at_px is None else at_px
    scores = np.array([rod.score for rod in rods.both])
    return _settled(frame, rods, Candidates(ends, scores, scores), setup)


def moved_px(before_px: NDArray[np.float64], now: Rods) -> float:
    """How far either rod's line lies from the ends that it had, at the worst of its own (pixels).

    `before_px` (2 rods, 2 ends, 2).
    """
    worst = 0.0
    for old, new in zip(before_px.tolist(), now.ends_px.tolist(), strict=True):
        (x0, y0), (x1, y1) = old
        length = max(math.hypot(x1 - x0, y1 - y0), 1.0)
        for x, y in new:
            worst = max(worst, abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length)
    return worst


def _settled(frame: Frame, rods: Rods, candidates: Candidates, setup: Setup) -> Rods | None:
    """The two candidates as the rods that they were, measured at full size."""
    guesses = rank(candidates, (frame.width, frame.height), setup)
    same = [g for g in guesses if (g.first, g.second) == (0, 1)]
    if not same or same[0].score < FLOOR:
        return None
    now = settle(frame, candidates, same, setup, (rods.first.width_px, rods.second.width_px))
    if rods.search is None or now.search is None:
        return replace(now, runner_up=rods.runner_up)
    # What else the picture holds was seen by the search; only the two rods were looked at here.
    others = replace(
        now.search,
        tapped=rods.search.tapped,
        rivals=rods.search.rivals,
        third=rods.search.third,
        likely=rods.search.likely,
    )
    return replace(now, runner_up=now.score - rods.score + rods.runner_up, search=others)


def _crop(frame: Frame, rods: Rods) -> tuple[Frame | None, NDArray[np.float64]]:
    """The part of the frame around both rods, on whole pixels of the planes, and its corner."""
    whole = LEVEL.reduction
    low, high = [], []
    for axis, side in enumerate((frame.width, frame.height)):
        at = [end[axis] for rod in rods.both for end in rod.ends_px.tolist()]
        low.append(max(math.floor(min(at)) - MARGIN_PX, 0) // whole * whole)
        high.append(min(math.ceil(max(at)) + MARGIN_PX, side) // whole * whole)
    corner = np.array(low, np.float64)
    if min(high[0] - low[0], high[1] - low[1]) < 2 * STRIP_PX:
        return None, corner
    rows, columns = slice(low[1], high[1]), slice(low[0], high[0])
    half_rows = slice(low[1] // 2, high[1] // 2)
    half_columns = slice(low[0] // 2, high[0] // 2)
    crop = Frame(
        frame.y[rows, columns],
        frame.u[half_rows, half_columns],
        frame.v[half_rows, half_columns],
    )
    return crop, corner


def _pieces(ends: NDArray[np.float64], lengths: NDArray[np.float64]) -> NDArray[np.float32]:
    """Line pieces (2 len(PIECES), 2, 2), one strip long, along both rods (2, 2, 2)."""
    span = (ends[:, 1] - ends[:, 0])[:, None]
    reach = 0.5 * STRIP_PX * span / np.maximum(lengths, 1.0)[:, None, None]
    middle = ends[:, :1] + np.array(PIECES)[:, None] * span
    pieces = np.stack([middle - reach, middle + reach], axis=2)
    return pieces.reshape(-1, 2, 2).astype(np.float32)


def _turn(a: NDArray[np.float32], b: NDArray[np.float64]) -> float:
    """Angle between two lines (radians, 0 to pi/2)."""
    da, db = (a[1] - a[0]).astype(np.float64), b[1] - b[0]
    cross = abs(float(da[0] * db[1] - da[1] * db[0]))
    return float(np.arctan2(cross, abs(float(da @ db))))
