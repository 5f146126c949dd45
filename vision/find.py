"""Stage 1: frame -> rods. Contrast planes, Hough lines, segments, layouts, measured ribbons."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import evidence_weights, hough, segments
from vision.closer import look_closer
from vision.contrast import HALF, QUARTER, contrast_planes
from vision.ends import RIM_PX
from vision.frame import MIN_SIDE_PX, Frame
from vision.hint import Hint, hinted
from vision.kernel import kernel
from vision.layouts import LayoutGuess, rank_layouts
from vision.model import focal_prior
from vision.net import Net
from vision.part import Part, searched_part
from vision.partners import partner_pieces
from vision.ribbon import Ribbon, end_for_end, measure
from vision.rods import End, NotFound, Reason, Rod, Rods, Search
from vision.setup import Setup, View
from vision.wrong import refused

CANDIDATES = 30


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """One resolution of the search; a layout of a score below `least` is not worth a look.

    `evidence`: log-odds that a segment lies on a rod, from its cues (`vision.segments`).
    """

    reduction: int
    strips: hough.Strips
    band: segments.Band
    pieces: int
    evidence: Net
    least: float


SURE = -2.0  # score at the coarse level that makes the fine one needless
FLOOR = -12.0
# The least where many lines are tried, of which some look like rods: where partners are looked for,
# and where the coarse level is asked again.
PARTNERED = -7.0
COARSE = Level(QUARTER, hough.COARSE, segments.COARSE, 36, evidence_weights.COARSE, SURE)
FINE = Level(HALF, hough.FINE, segments.FINE, 100, evidence_weights.FINE, FLOOR)
OTHERS = 3  # layouts looked at where the best is not believed
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


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one level of a search saw in a part of the picture.

    `planes` of contrast, the candidates, their layouts, best first, and the `least` score of one
    that is worth a look.
    """

    level: Level
    part: Part
    planes: NDArray[np.float32]
    candidates: Candidates
    guesses: list[LayoutGuess]
    least: float


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
    return find_first(frame, setup, hints, accept, quick)[0]


def find_first(
    frame: Frame,
    setup: Setup,
    hints: tuple[Hint, ...] = (),
    accept: float = FLOOR,
    quick: bool = False,
) -> tuple[Rods | NotFound, tuple[Seen, ...]]:
    """`find`, and what each level saw on the way, for `find_others`."""
    reason = _unusable(frame)
    if reason is not None:
        return NotFound(reason), ()
    size = (frame.width, frame.height)
    part, levels = searched_part(frame, setup), []
    for level in (COARSE,) if quick else (COARSE, FINE):
        seen = _seen(part, size, level, setup, hints)
        if level is FINE:
            seen = replace(seen, least=accept)
        levels.append(seen)
        if seen.guesses and seen.guesses[0].score >= seen.least:
            return settle(frame, seen.candidates, seen.guesses, setup), tuple(levels)
    return refused(_likely(seen.candidates, setup), size, setup), tuple(levels)


def find_others(
    frame: Frame, setup: Setup, hints: tuple[Hint, ...], before: tuple[Seen, ...]
) -> list[Rods]:
    """Other layouts, for a picture whose best one is not believed: `OTHERS` of each sort.

    A shadow or a hose beside a rod makes a better layout than the rod, until it is measured: the
    next best of both levels. At the coarse one, where the tilt is not known, as sure ones as `find`
    takes there (trunks of trees can look laid). And those of rods that stand out only where a
    partner is looked for, or at full size. `before`: what `find_first` saw; the layout that it
    gave is left out.
    """
    if not before:
        return []
    out = []
    asked = {_rods_of(before[-1], guess) for guess in before[-1].guesses[:1]}
    for seen in ways(frame, setup, hints, before):
        least = seen.least if setup.tilt is None else min(seen.least, PARTNERED)
        new = [k for k, guess in enumerate(seen.guesses) if _rods_of(seen, guess) not in asked]
        for k in new[:OTHERS]:
            if seen.guesses[k].score >= least:
                out.append(settle(frame, seen.candidates, with_first(seen.guesses, k), setup))
                asked.add(_rods_of(seen, seen.guesses[k]))
    return out


def _rods_of(seen: Seen, guess: LayoutGuess) -> bytes:
    """What tells a layout's two segments from others'."""
    return seen.candidates.ends_px[[guess.first, guess.second]].tobytes()


def ways(
    frame: Frame, setup: Setup, hints: tuple[Hint, ...] = (), before: tuple[Seen, ...] = ()
) -> Iterator[Seen]:
    """What each way of looking sees: coarse, fine, and closer with partners; `before` were had."""
    size = (frame.width, frame.height)
    part = before[0].part if before else searched_part(frame, setup)
    had = {seen.level: seen for seen in before}
    coarse, fine = (
        had.get(level) or _seen(part, size, level, setup, hints) for level in (COARSE, FINE)
    )
    yield from (coarse, fine, _looked_closer(frame, fine, setup, hints))


def candidates_in(frame: Frame, level: Level) -> Candidates:
    """The most rod-like segments in a whole frame at one level of the search."""
    size = (frame.width, frame.height)
    return _seen(searched_part(frame, Setup()), size, level, Setup(), ()).candidates


def _seen(
    part: Part,
    size: tuple[int, int],
    level: Level,
    setup: Setup,
    hints: tuple[Hint, ...],
) -> Seen:
    """One level of the search in part of a picture of `size`."""
    planes = contrast_planes(part.frame, level.reduction)
    pieces = hough.find_lines(planes, level.pieces, level.strips)
    ends, seen = _grown(planes, pieces, part, level)
    logit = hinted(ends, seen, hints, size)
    found = _most_likely(ends, logit, seen, CANDIDATES, level, part)
    return Seen(level, part, planes, found, rank(found, size, setup), level.least)


def from_afar(frame: Frame, setup: Setup) -> Candidates:
    """The segments of the fine level and of partners, as they are before `ways` looks closer."""
    size = (frame.width, frame.height)
    return _partnered(_seen(searched_part(frame, setup), size, FINE, setup, ()), size, setup, ())


def _looked_closer(frame: Frame, seen: Seen, setup: Setup, hints: tuple[Hint, ...]) -> Seen:
    """The same with what is seen where its candidates' partners would lie, all looked at closer."""
    size = (frame.width, frame.height)
    more = _partnered(seen, size, setup, hints)
    ends, evidence = look_closer(frame, more.ends_px, more.seen)
    logit = hinted(ends, evidence, hints, size)
    found = _most_likely(ends, logit, evidence, len(ends), seen.level, seen.part)
    return replace(seen, candidates=found, guesses=rank(found, size, setup), least=PARTNERED)


def _partnered(
    seen: Seen, size: tuple[int, int], setup: Setup, hints: tuple[Hint, ...]
) -> Candidates:
    """Its candidates and the segments where partners of theirs would lie."""
    level, part, found = seen.level, seen.part, seen.candidates
    groups = partner_pieces(
        seen.planes,
        partial(part.from_full, reduction=level.reduction),
        found.ends_px,
        found.logit,
        size,
        setup,
        level.strips,
    )
    grown = [_grown(seen.planes, pieces, part, level, reach) for reach, pieces in groups]
    ends = np.concatenate([found.ends_px, *(each for each, _ in grown)])
    evidence = np.concatenate([found.seen, *(each for _, each in grown)])
    logit = hinted(ends, evidence, hints, size)
    return _most_likely(ends, logit, evidence, 2 * CANDIDATES, level, part)


def _grown(
    planes: NDArray[np.float32],
    pieces: hough.Lines,
    part: Part,
    level: Level,
    reach_px: float | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The segments that line pieces belong to: ends in full-size pixels, and their evidence."""
    found = segments.grow(planes, pieces, level.band, reach_px)
    ends = part.to_full(found.ends_px.astype(np.float64), level.reduction)
    return ends, level.evidence.log_odds(found.cues)


def _most_likely(
    ends: NDArray[np.float64],
    logit: NDArray[np.float64],
    seen: NDArray[np.float64],
    most: int,
    level: Level,
    part: Part,
) -> Candidates:
    """The at most `most` best of these segments, near copies left out."""
    order = np.argsort(-logit, kind="stable")
    apart_px = level.strips.strip / 4 * level.reduction * part.factor
    kept = order[_distinct(ends[order], most, apart_px)]
    return Candidates(ends[kept], logit[kept], seen[kept])


def rank(candidates: Candidates, size: tuple[int, int], setup: Setup) -> list[LayoutGuess]:
    """The candidates' layouts in a picture of `size` (width, height), best first."""
    ends = candidates.ends_px
    cut = np.any((ends < RIM_PX) | (ends > np.array(size) - 1 - RIM_PX), axis=-1)
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


def with_first(guesses: list[LayoutGuess], k: int) -> list[LayoutGuess]:
    """The guesses with the one at `k` before the others."""
    return [guesses[k], *guesses[:k], *guesses[k + 1 :]]


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
