"""Stage 1: frame -> rods. Contrast planes, Hough lines, segments, layouts, measured ribbons."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import evidence, hough, segments
from vision.contrast import HALF, QUARTER, contrast_planes
from vision.evidence import Evidence
from vision.frame import MIN_SIDE_PX, Frame
from vision.hint import Hint, hinted
from vision.kernel import kernel
from vision.layouts import LayoutGuess, rank_layouts
from vision.model import focal_prior
from vision.ribbon import Ribbon, end_for_end, measure
from vision.rods import End, NotFound, Reason, Rod, Rods, Search
from vision.setup import Setup, View
from vision.wrong import refused

WORK_LONG_PX = 1280  # larger pictures are searched at about this size, then measured at full size
CANDIDATES = 30
EDGE_PX = 10.0  # full-size pixels from the picture's edge: the end is cut


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """One resolution of the search."""

    reduction: int
    strips: hough.Strips
    band: segments.Band
    pieces: int
    evidence: Evidence


COARSE = Level(QUARTER, hough.COARSE, segments.COARSE, 48, evidence.COARSE)
FINE = Level(HALF, hough.FINE, segments.FINE, 100, evidence.FINE)
FLOOR = -12.0  # a layout of a lower score is not worth a look
OTHERS = 4  # layouts looked at where the best is not believed
SURE = -2.0  # score at the coarse level that makes the fine one needless
RIVAL = 2.0  # evidence by which a segment may fall short of the worse rod and still rival it
ALONE = -9.0  # stands for the evidence of segments that there are none of
LIKELY = 1.0  # evidence from which a segment is told of as a rod
ROUGH_PX = 1.0  # sigma of a segment that was not measured
DARK_LEVEL = 12.0
BLANK_SPREAD = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Segments that may be rods, in full-size pixels.

    `ends_px` (n, 2, 2); `logit` (n,) log-odds, taps included; `seen` (n,) from the picture alone.
    """

    ends_px: NDArray[np.float64]
    logit: NDArray[np.float64]
    seen: NDArray[np.float64]


def find(
    frame: Frame,
    setup: Setup,
    hints: tuple[Hint, ...] = (),
    accept: float = FLOOR,
    quick: bool = False,
) -> Rods | NotFound:
    """The two rods most like the setup's layout, or why there are none.

    `hints` say where rods are; `accept` is the least score. `quick` leaves out the fine level,
    which takes three times as long and finds a few rods in a hundred more. Whether the rods are
    to be believed is for `vision.belief` to say.
    """
    reason = _unusable(frame)
    if reason is not None:
        return NotFound(reason)
    size = (frame.width, frame.height)
    small = _working_size(frame)
    for level in (COARSE,) if quick else (COARSE, FINE):
        candidates = _candidates(small, size, level, hints)
        guesses = rank(candidates, size, setup)
        if guesses and guesses[0].score >= (SURE if level is COARSE else accept):
            return settle(frame, candidates, guesses, setup)
    return refused(_likely(candidates, setup), size, setup)


def find_others(frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> list[Rods]:
    """The `OTHERS` best layouts at each level, for a picture whose best one is not believed.

    A shadow or a hose beside a rod makes a better layout than the rod, until it is measured. At
    the coarse level as sure ones as `find` takes there: trunks of trees can look laid.
    """
    if _unusable(frame) is not None:
        return []
    size = (frame.width, frame.height)
    small, out = _working_size(frame), []
    for level in (COARSE, FINE):
        candidates = _candidates(small, size, level, hints)
        least = SURE if level is COARSE else FLOOR
        guesses = rank(candidates, size, setup)
        for k, guess in enumerate(guesses[:OTHERS]):
            if guess.score >= least:
                rest = [*guesses[:k], *guesses[k + 1 :]]
                out.append(settle(frame, candidates, [guess, *rest], setup))
    return out


def candidates_in(frame: Frame, level: Level) -> Candidates:
    """The most rod-like segments at one level of the search."""
    return _candidates(_working_size(frame), (frame.width, frame.height), level, ())


def _candidates(
    reduced: tuple[Frame, float], size: tuple[int, int], level: Level, hints: tuple[Hint, ...]
) -> Candidates:
    """The same from a frame already reduced and by how much; `size` is the full picture's."""
    small, factor = reduced
    planes = contrast_planes(small, level.reduction)
    pieces = hough.find_lines(planes, level.pieces, level.strips)
    found = segments.grow(planes, pieces, level.band)
    seen = level.evidence.log_odds(found.cues)
    to_full = level.reduction * factor
    ends = (found.ends_px.astype(np.float64) + 0.5) * to_full - 0.5
    logit = hinted(ends, seen, hints, size)
    order = np.argsort(-logit, kind="stable")
    kept = order[_distinct(ends[order], CANDIDATES, level.strips.strip / 4 * to_full)]
    return Candidates(ends[kept], logit[kept], seen[kept])


def rank(candidates: Candidates, size: tuple[int, int], setup: Setup) -> list[LayoutGuess]:
    """The candidates' layouts in a picture of `size` (width, height), best first."""
    ends = candidates.ends_px
    cut = np.any((ends < EDGE_PX) | (ends > np.array(size) - 1 - EDGE_PX), axis=-1)
    focal_px, _ = focal_prior(size, setup)
    return rank_layouts(ends, candidates.logit, np.asarray(cut), size, focal_px, setup)


def settle(
    frame: Frame,
    candidates: Candidates,
    guesses: list[LayoutGuess],
    setup: Setup,
    widths_px: tuple[float, float] | None = None,
) -> Rods:
    """The best guess's rods, measured at full size; `widths_px` of the two where tracked."""
    best = guesses[0]
    chosen = (best.first, best.second)
    others = [g.score for g in guesses[1:] if {g.first, g.second} != set(chosen)]
    first, second = (
        measure(frame, candidates.ends_px[k], width)
        for k, width in zip(chosen, widths_px or (None, None), strict=True)
    )
    scores = (float(candidates.seen[best.first]), float(candidates.seen[best.second]))
    seen = np.sort(candidates.seen)[::-1]
    search = Search(
        geometry=best.score - float(candidates.logit[list(chosen)].sum()),
        tapped=float((candidates.logit - candidates.seen)[list(chosen)].sum()),
        rivals=int((seen > min(scores) - RIVAL).sum()),
        third=float(seen[2]) if len(seen) > 2 else ALONE,
        likely=_likely(candidates, setup),
    )
    rods = _assign((first, second), scores, best.score, max(others, default=-np.inf), setup)
    return replace(rods, search=search)


def _unusable(frame: Frame) -> Reason | None:
    """Pictures in which no search can find anything."""
    if min(frame.width, frame.height) < MIN_SIDE_PX:
        return Reason.TOO_SMALL
    # A few rows and columns, averaged to 64 x 64: enough for these questions.
    thumb = cv2.resize(frame.y[::4, ::4], (64, 64), interpolation=cv2.INTER_AREA)
    if int((thumb < DARK_LEVEL).sum()) > 0.95 * thumb.size:
        return Reason.TOO_DARK
    if float(cv2.meanStdDev(thumb)[1][0, 0]) < BLANK_SPREAD:
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


@kernel
def _distinct(ends: NDArray[np.float64], most: int, apart_px: float) -> NDArray[np.intp]:
    """Indices of the first `most` segments that are no near copies of an earlier one."""
    kept = np.empty(most, np.intp)
    count = 0
    for i in range(len(ends)):
        new = True
        for m in range(count):
            start, stop = ends[kept[m], 0], ends[kept[m], 1]
            length = np.hypot(stop[0] - start[0], stop[1] - start[1])
            ax, ay = (stop[0] - start[0]) / length, (stop[1] - start[1]) / length
            x0, y0 = ends[i, 0, 0] - start[0], ends[i, 0, 1] - start[1]
            x1, y1 = ends[i, 1, 0] - start[0], ends[i, 1, 1] - start[1]
            at0, at1 = x0 * ax + y0 * ay, x1 * ax + y1 * ay
            off = max(abs(x0 * ay - y0 * ax), abs(x1 * ay - y1 * ax))
            overlap = min(max(at0, at1), length) - max(min(at0, at1), 0.0)
            if off < apart_px and overlap > 0.3 * min(length, abs(at1 - at0)):
                new = False
                break
        if new:
            kept[count] = i
            count += 1
            if count == most:
                break
    return kept[:count]


def _assign(
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
            r.look,
            r.line_reach,
        )
        for role, r, rod_score in zip(setup.roles, (first, second), scores, strict=True)
    ]
    return Rods(rods[0], rods[1], score, runner_up)


def _ordered(ribbon: Ribbon, key: NDArray[np.float64]) -> Ribbon:
    """The ribbon with the end of the smaller key first."""
    return ribbon if key[0] <= key[1] else end_for_end(ribbon)


def _likely(candidates: Candidates, setup: Setup) -> tuple[Rod, ...]:
    """The at most three most rod-like segments, as rods that were not measured."""
    return tuple(
        Rod(
            setup.roles[0],
            candidates.ends_px[k],
            (End.SEEN, End.SEEN),
            ROUGH_PX,
            (ROUGH_PX, ROUGH_PX),
            3.0 * ROUGH_PX,
            float(candidates.seen[k]),
        )
        for k in np.flatnonzero(candidates.logit > LIKELY)[:3]
    )
