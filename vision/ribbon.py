"""Stage 1e: one chosen segment measured to a fraction of a pixel in the full-size picture.

Its axis is told by `vision.across`, its ends by `vision.ends`. Where one side lies in the rod's own
shadow, the other stands for both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from vision.across import HALF, Array
from vision.across_weights import ACROSS
from vision.axis import LIKE
from vision.ends import UNSEEN, ended, unit_at
from vision.ends_weights import ENDS
from vision.frame import Frame
from vision.full_band import (
    COLOUR_FLOOR,
    HALF_BAND,
    Planes,
    lit_up,
    onto_axis,
    sample,
    shaded_side,
    unit_of,
    weights_of,
    width_of,
)
from vision.kernel import kernel
from vision.line_error_weights import LINES
from vision.look import MIDDLE, look_of
from vision.rod_weights import ROD
from vision.rods import End, Rod

LINE_FLOOR = 0.075  # of the width: as `vision.belief` has learnt a line's scatter
CUT_SIGMA_PX = 1e3
BOX_PX = 9
# How far beyond a segment's ends its rod is looked for, of its length; less where it was known.
BEYOND, BEYOND_TRACKED = 0.6, 0.2
LEAST_PX = 100.0  # as if it were so long at least
LEAST_COLOUR = 0.5  # grey levels: less is no colour to follow
ENERGY_LIMIT = 9.0  # about three sigmas in one of three planes
REACH, REACH_NEAR = 14.0, 5.0  # columns within which the axis is looked for
ASKED_NEAR = 8  # columns: those that a line within the nearer reach, and its fit, can take
FAR_MOVED = 0.05  # of the length: one not tracked whose end moved by more is told again
AGAIN_PX = 2.5  # a tracked rod that had to be moved by more is looked at once more
RODS = ("rod", "two thirds rod", "third rod", "least third rod")
TOLD = [LIKE.index(name) for name in ("likely", "two thirds likely", "rough", *RODS)]
CORE = 1  # columns of a rod on either side of its axis that a shadow leaves as they are


@dataclass(frozen=True, slots=True, eq=False)
class Ribbon:
    """A measured rod: `ends_px` (2, 2), its line's sigma at two independent points, its ends.

    `line_sigma_px`, `line_reach`: see `vision.rods.Rod`.
    """

    ends_px: NDArray[np.float64]
    line_sigma_px: float
    line_reach: float
    ends: tuple[End, End]
    end_sigma_px: tuple[float, float]
    width_px: float
    look: Array | None  # (len(LOOK),), None for a line too far outside the picture


TwoEnded = TypeVar("TwoEnded", Ribbon, Rod)


def end_for_end(rod: TwoEnded) -> TwoEnded:
    """The same rod with its ends in the other order."""
    return replace(
        rod,
        ends_px=rod.ends_px[::-1].copy(),
        ends=rod.ends[::-1],
        end_sigma_px=rod.end_sigma_px[::-1],
    )


def measure(frame: Frame, ends_px: NDArray[np.float64], width_px: float | None = None) -> Ribbon:
    """Measure the rod near the segment `ends_px` (2, 2) in full-size pixels.

    `width_px`: how wide it was in the picture before, where it is tracked; saves two looks at it.
    """
    told, seen, along = _seen_whole(frame, ends_px, width_px)
    if width_px is None and End.HIDDEN in told.kinds:
        # A gap, not the rod's end: from what is known of it now it may be seen farther.
        again = _seen_whole(frame, told.ends_px)
        if again[0].kinds.count(End.SEEN) > told.kinds.count(End.SEEN):
            told, seen, along = again
    look = None if along is None else np.concatenate([along, _about(told, seen)])
    # The windows' own scatter on top: ground noise may be worse than any that was learnt from.
    scatter_px = math.sqrt(0.5) * seen.sigma_px
    shift, turn = (math.hypot(s, scatter_px) for s in LINES.sigmas_px(look, seen.width_px))
    sigma, reach = math.sqrt(2) * shift, shift / turn
    return Ribbon(told.ends_px, sigma, reach, told.kinds, told.sigma_px, seen.width_px, look)


class Told(NamedTuple):
    """A line's ends (2, 2) where the rod ends, what they are, and their sigmas."""

    ends_px: Array
    kinds: tuple[End, End]
    sigma_px: tuple[float, float]


def _seen_whole(
    frame: Frame, ends_px: Array, width_px: float | None = None
) -> tuple[Told, Across, Array | None]:
    """A rod's ends, what lies across it, and how the run along it looks, as in `extended`."""
    ends, seen, along = extended(frame, ends_px, width_px)
    if along is None:
        return _outside(ends), seen, None
    told = _told(frame, ends, seen)
    if width_px is not None:
        return told, seen, along
    moved_px = np.linalg.norm(told.ends_px - ends, axis=1).max()
    if moved_px > FAR_MOVED * math.dist(*told.ends_px):
        # Axis and ends were told over another extent: from here once more.
        ends, seen = on_axis(frame, told.ends_px)
        told = _told(frame, ends, seen)
        ends, seen = on_axis(frame, told.ends_px)
        told = told._replace(ends_px=ends)
    return told, seen, along


def _told(frame: Frame, ends: Array, seen: Across) -> Told:
    planes = (frame.y, frame.u, frame.v)
    ends, within, unseen, cut = ended(planes, ends, seen.width_px, unit_of(frame), ENDS.weights)
    first, last = (
        End.CUT if out else End.HIDDEN if hidden > UNSEEN else End.SEEN
        for out, hidden in zip(cut.tolist(), unseen.tolist(), strict=True)
    )
    sigmas = [
        sigma if kind is End.SEEN else CUT_SIGMA_PX
        for kind, sigma in zip((first, last), within.tolist(), strict=True)
    ]
    return Told(ends, (first, last), (sigmas[0], sigmas[1]))


def _outside(ends: Array) -> Told:
    return Told(ends, (End.CUT, End.CUT), (CUT_SIGMA_PX, CUT_SIGMA_PX))


def _about(told: Told, seen: Across) -> tuple[float, ...]:
    """The numbers of `vision.look.LOOK` that are not of the run along the rod."""
    return (
        math.log(seen.width_px),
        math.log(math.hypot(seen.sigma_px / seen.width_px, LINE_FLOOR)),
        math.log(abs(seen.contrast) + 0.1),
        math.log(math.dist(*told.ends_px)),
        told.kinds.count(End.SEEN),
        *seen.like[TOLD],
    )


class Across(NamedTuple):
    """What a look across a rod says of its axis (see `vision.axis`) and of what lies along it."""

    sigma_px: float
    like: Array  # (len(LIKE),)
    width_px: float
    contrast: float
    side: float  # see `shaded_side`


def on_axis(
    frame: Frame, ends: Array, reach: float = REACH_NEAR, columns: int = ASKED_NEAR
) -> tuple[Array, Across]:
    """The ends moved across onto the rod's axis, looked for within `reach` columns."""
    planes, unit = (frame.y, frame.u, frame.v), unit_of(frame)
    ends, sigma, like, band = onto_axis(
        planes, ends, unit, ACROSS.weights, ROD.weights, reach, columns
    )
    width, contrast, side = _seen(band)
    return ends, Across(sigma, like, width * unit, contrast, side)


def extended(
    frame: Frame, ends_px: NDArray[np.float64], width_px: float | None = None
) -> tuple[Array, Across, Array | None]:
    """The segment moved onto the axis of its rod and made as long as that seems to be.

    Behind its ends (2, 2) what lies across it, and how the run along it looks (`vision.look`); None
    for a line too far outside the picture. `width_px` as in `measure`.
    """
    ends = np.ascontiguousarray(ends_px, np.float64)
    if width_px is None:
        ends, *_ = on_axis(frame, ends, REACH, HALF)
        ends, seen = on_axis(frame, ends)
        placed, along = _run(frame, ends, seen.width_px, BEYOND, seen.side)
        # The axis was told over the old extent: once more over the new one.
        return *on_axis(frame, placed), along
    before = ends
    ends, seen = on_axis(frame, ends)
    moved_px = np.abs(ends - before).max()
    placed, along = _run(frame, ends, width_px, BEYOND_TRACKED, seen.side)
    if moved_px > AGAIN_PX:
        placed, seen = on_axis(frame, placed)
    return placed, seen, along


@kernel
def _seen(band: NDArray[np.float32]) -> tuple[float, float, float]:
    """Width (columns) and contrast of what lies along a band's middle, and its shaded side."""
    middle = band.shape[1] // 2
    inner = band[:, middle - HALF_BAND : middle + HALF_BAND + 1].copy()
    side = shaded_side(inner)
    if side != 0.0:
        lit_up(inner, side, CORE)
    width, contrast = width_of(inner, weights_of(inner))
    return width, contrast, side


def _run(
    frame: Frame, ends: NDArray[np.float64], width_px: float, beyond: float, side: float
) -> tuple[Array, Array | None]:
    """About where the run of samples that look more like rod than like ground ends, and its look.

    `beyond` its ends so much of the length is looked at; `side` as in `shaded_side`.
    """
    if not _mostly_inside(ends, frame.width, frame.height):
        return ends, None
    unit = unit_at(width_px, unit_of(frame))
    planes = (frame.y, frame.u, frame.v)
    return _placed(ends, side, unit, *_beyond_ends(planes, ends, unit, beyond))


@kernel
def _placed(
    ends: Array,
    side: float,
    unit: float,
    band: NDArray[np.float32],
    t: Array,
    contrast: Array,
    smooth: Array,
    noise: Array,
) -> tuple[Array, Array]:
    """About where the rod's run ends (2, 2), and its look."""
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    along = span / length
    whiten = _inverse(noise + np.eye(3) * (COLOUR_FLOOR**2 / BOX_PX))
    lo, hi = _extent(smooth, whiten, t, length)
    placed = np.empty((2, 2))
    low = -_edge(contrast[hi::-1].copy(), -t[hi::-1].copy(), -t[lo])
    high = _edge(contrast[lo:].copy(), t[lo:].copy(), t[hi])
    if high - low < BOX_PX:  # ends that met or passed each other are none
        low, high = 0.0, length
    placed[0] = ends[0] + along * low
    placed[1] = ends[0] + along * high
    run, lit, like = band[lo : hi + 1], band[lo : hi + 1], smooth[lo : hi + 1]
    if side != 0.0:
        lit = run.copy()
        lit_up(lit, side, CORE)
        like = _boxed(_against_flanks(lit, MIDDLE))
    return placed, look_of(run, lit, like, whiten, noise, unit)


@kernel
def _inverse(matrix: Array) -> Array:
    """Of a positive definite matrix (3, 3): its cofactors over its determinant."""
    out = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b, c, d = (i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3
            out[j, i] = matrix[a, c] * matrix[b, d] - matrix[a, d] * matrix[b, c]
    out /= (matrix[0] * out[:, 0]).sum()
    return out


@kernel
def _mostly_inside(ends: Array, width: int, height: int) -> bool:
    """Whether at least half of the line lies in the picture, and enough of it to be measured."""
    inside = 0
    for k in range(33):
        x = ends[0, 0] + (ends[1, 0] - ends[0, 0]) * k / 32
        y = ends[0, 1] + (ends[1, 1] - ends[0, 1]) * k / 32
        if 0 <= x <= width - 1 and 0 <= y <= height - 1:
            inside += 1
    length = np.sqrt((ends[1, 0] - ends[0, 0]) ** 2 + (ends[1, 1] - ends[0, 1]) ** 2)
    return inside / 33 >= 0.5 and inside / 33 * length >= 3 * BOX_PX


@kernel
def _beyond_ends(
    planes: Planes, ends: Array, unit: float, beyond: float
) -> tuple[NDArray[np.float32], Array, Array, Array, Array]:
    """The band (samples, 29, 3) along the line and `beyond` of it at both ends, and where: `t`.

    Its columns are `unit` pixels apart. Behind it the contrast against both flanks, the same
    smoothed (samples, 3), and the covariance (3, 3) of what parallels beside the line show.
    """
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    along = span / length
    margin = beyond * max(LEAST_PX, length)
    whole = np.arange(-margin, length + margin + 0.5, 1.0)
    t = np.empty_like(whole)
    count = 0
    right, foot = planes[0].shape[1] - 1, planes[0].shape[0] - 1
    for at in whole:
        x, y = ends[0, 0] + along[0] * at, ends[0, 1] + along[1] * at
        if 0 <= x <= right and 0 <= y <= foot:
            t[count] = at
            count += 1
    t = t[:count].copy()
    o = np.arange(-MIDDLE, MIDDLE + 1.0) * unit
    band = sample(planes, ends[0], along, t, o)
    contrast = _against_flanks(band, MIDDLE)
    noise = np.zeros((3, 3))
    for middle in (5, 23):
        beside = _boxed(_against_flanks(band, middle))
        for i in range(count):
            for p in range(3):
                for q in range(3):
                    noise[p, q] += beside[i, p] * beside[i, q] / (2 * count)
    return band, t, contrast, _boxed(contrast), noise


@kernel
def _against_flanks(band: NDArray[np.float32], middle: int) -> Array:
    """The three columns around `middle` against the three beyond the next one, on both sides."""
    out = np.empty((len(band), 3))
    for i in range(len(band)):
        for p in range(3):
            centre, flanks = 0.0, 0.0
            for k in range(3):
                centre += band[i, middle - 1 + k, p]
                flanks += band[i, middle - 5 + k, p] + band[i, middle + 3 + k, p]
            out[i, p] = centre / 3 - flanks / 6
    return out


@kernel
def _boxed(values: Array) -> Array:
    """Means (samples, 3) over `BOX_PX` samples, zeros beyond the ends."""
    count = len(values)
    out = np.empty_like(values)
    reach = BOX_PX // 2
    total = np.zeros(3)
    for i in range(-reach, count):
        for p in range(3):
            if i + reach < count:
                total[p] += values[i + reach, p]
            if i > reach:
                total[p] -= values[i - reach - 1, p]
            if i >= 0:
                out[i, p] = total[p] / BOX_PX
    return out


@kernel
def _extent(smooth: Array, whiten: Array, t: Array, length: float) -> tuple[int, int]:
    """First and last sample of the rod.

    `smooth` (samples, 3) along the line at `t`; the rod was thought to reach from 0 to `length`.
    """
    count = len(t)
    white = smooth @ whiten
    lo, hi = 0, count - 1
    while lo < hi and t[lo] < 0:
        lo += 1
    while hi > lo and t[hi] > length:
        hi -= 1
    like = np.zeros(count)
    gain = np.zeros(count)
    colour = np.zeros(3)
    for _ in range(3):
        for p in range(3):
            colour[p] = np.median(smooth[lo : hi + 1, p].copy())
        strength = 1e-9
        for p in range(3):
            for q in range(3):
                strength += colour[p] * whiten[p, q] * colour[q]
        for i in range(count):
            along, energy = 0.0, 0.0
            for p in range(3):
                along += white[i, p] * colour[p]
                energy += white[i, p] * smooth[i, p]
            like[i] = along / strength  # about 1 on the rod, 0 beside it
            same = min(max(strength * (like[i] - 0.5) / 4.0, -1.0), 1.0)
            other = min(max((energy - ENERGY_LIMIT) / ENERGY_LIMIT, -1.0), 0.6)
            gain[i] = max(same, other)
        before = (lo, hi)
        lo, hi = best_run(gain)
        if (lo, hi) == before:
            break  # the next round would say the same
    return lo, hi


@kernel
def best_run(gain: Array) -> tuple[int, int]:
    """First and last index of the run with the largest sum (Kadane's algorithm)."""
    best, lo, hi = 0.0, 0, len(gain) - 1
    total, start = 0.0, 0
    for i in range(len(gain)):
        if total <= 0.0:
            total, start = 0.0, i
        total += gain[i]
        if total > best:
            best, lo, hi = total, start, i
    return lo, hi


@kernel
def _edge(contrast: Array, t: Array, end: float) -> float:
    """The last sample whose contrast along the end's own colour is still above half.

    `t` rises outward.
    """
    inner = (t > end - 30) & (t < end - 5)
    if inner.sum() < 5:
        return end
    colour = np.zeros(3)
    for p in range(3):
        colour[p] = np.median(contrast[:, p][inner])
    size2 = (colour * colour).sum()
    near = np.flatnonzero((t > end - 12) & (t < end + 12))
    if size2 < LEAST_COLOUR**2 or len(near) < 4:
        return end
    signal = np.zeros(len(t))
    for i in range(len(t)):
        for p in range(3):
            signal[i] += contrast[i, p] * colour[p] / size2
    best, high, total = int(near[0]), -np.inf, 0.0
    for i in range(best, int(near[-1]) + 1):
        total += min(max(signal[i], -0.5), 1.5) - 0.5
        if total > high:
            best, high = i, total
    return float(t[best])
