"""Stage 1e: one chosen segment measured to a fraction of a pixel in the full-size picture.

Its axis is told by `vision.across`; its ends lie where the contrast along the rod's own colour at
that end falls to half. Where one side lies in the rod's own shadow, the other stands for both.
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
from vision.look import MIDDLE, look_of
from vision.rod_weights import ROD
from vision.rods import End, Rod

BORDER_PX = 10.0
# What no averaging removes (a rod's bend, its taper, its shadow) grows with how wide it looks.
# Measured on path-traced scenes, of the width: a lit side shifts the whole line, what changes along
# the rod turns it; ends lie within half of it and a little out.
SHIFT_FLOOR = 0.07
TURN_FLOOR = 0.017  # at 1/sqrt(12) of the length from the middle
LINE_FLOOR = 0.075  # of both in one, as `vision.belief` has learnt it
END_SIGMA = 0.5
END_LEAST_PX = 1.2
END_OUT = 0.35  # of the width beyond 1.5 px: halo and head make rods look longer
VAGUE_END = 3.0  # times the sigma of an end that falls off slowly
CUT_SIGMA_PX = 1e3
BOX_PX = 9
# How far beyond a segment's ends its rod is looked for, of its length; less where it was known.
BEYOND, BEYOND_TRACKED = 0.6, 0.2
LEAST_PX = 100.0  # as if it were so long at least
LEAST_COLOUR = 0.5  # grey levels: less is no colour to follow
LEAST_FALL = 0.1  # from one sample to the next: less says nothing of where between them
ENERGY_LIMIT = 9.0  # about three sigmas in one of three planes
REACH, REACH_NEAR = 14.0, 5.0  # columns within which the axis is looked for
ASKED_NEAR = 8  # columns: those that a line within the nearer reach, and its fit, can take
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
    ends = np.ascontiguousarray(ends_px, np.float64)
    if width_px is None:
        ends, *_ = on_axis(frame, ends, REACH, HALF)
        ends, seen = on_axis(frame, ends)
        placed, kinds, end_sigma, along = _ends(frame, ends, seen.width_px, BEYOND, seen.side)
        # The axis was told over the old extent: once more over the new one.
        ends, seen = on_axis(frame, placed)
    else:
        before = ends
        ends, seen = on_axis(frame, ends)
        moved_px = np.abs(ends - before).max()
        placed, kinds, end_sigma, along = _ends(frame, ends, width_px, BEYOND_TRACKED, seen.side)
        ends = placed
        if moved_px > AGAIN_PX:
            ends, seen = on_axis(frame, placed)
    width, sigma = seen.width_px, seen.sigma_px
    shift_sigma = math.hypot(sigma, math.sqrt(2) * SHIFT_FLOOR * width)
    turn_sigma = math.hypot(sigma, math.sqrt(2) * TURN_FLOOR * width)
    look = None
    if along is not None:
        about = (
            math.log(width),
            math.log(math.hypot(sigma / width, LINE_FLOOR)),
            math.log(abs(seen.contrast) + 0.1),
            math.log(math.dist(ends[0], ends[1])),
            sum(kind is End.SEEN for kind in kinds),
            *seen.like[TOLD],
        )
        look = np.concatenate([along, about])
    reach = shift_sigma / turn_sigma
    return Ribbon(ends, shift_sigma, reach, kinds, end_sigma, width, look)


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


def _ends(
    frame: Frame, ends: NDArray[np.float64], width_px: float, beyond: float, side: float
) -> tuple[Array, tuple[End, End], tuple[float, float], Array | None]:
    """Both ends along the line, and how the run between them looks.

    `beyond` its ends so much of the length is looked at; `side` as in `shaded_side`. The run holds
    the samples that look more like rod than like ground.
    """
    if not _mostly_inside(ends, frame.width, frame.height):
        cut = (CUT_SIGMA_PX, CUT_SIGMA_PX)
        return ends, (End.CUT, End.CUT), cut, None
    unit = min(max(width_px / 3.0, 0.8), 3.0 * unit_of(frame))
    planes = (frame.y, frame.u, frame.v)
    band, t, contrast, smooth, noise = _beyond_ends(planes, ends, unit, beyond)
    inward = END_OUT * max(width_px - 1.5, 0.0)
    placed, clear, look = _placed(ends, band, side, t, contrast, smooth, noise, unit, inward)
    kinds: list[End] = []
    sigmas: list[float] = []
    for (x, y), sharp in zip(placed.tolist(), clear, strict=True):
        out = min(x, frame.width - 1 - x, y, frame.height - 1 - y) < BORDER_PX
        sigma = max(END_LEAST_PX, END_SIGMA * width_px) * (1.0 if sharp else VAGUE_END)
        kinds.append(End.CUT if out else End.SEEN)
        sigmas.append(CUT_SIGMA_PX if out else sigma)
    return placed, (kinds[0], kinds[1]), (sigmas[0], sigmas[1]), look


@kernel
def _placed(
    ends: Array,
    band: NDArray[np.float32],
    side: float,
    t: Array,
    contrast: Array,
    smooth: Array,
    noise: Array,
    unit: float,
    inward: float,
) -> tuple[Array, tuple[bool, bool], Array]:
    """Both ends (2, 2) where the rod stops, whether each clearly does, and its look."""
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    along = span / length
    whiten = _inverse(noise + np.eye(3) * (COLOUR_FLOOR**2 / BOX_PX))
    lo, hi = _extent(smooth, whiten, t, length)
    low, low_clear = _edge(contrast[hi::-1].copy(), -t[hi::-1].copy(), -t[lo])
    high, high_clear = _edge(contrast[lo:].copy(), t[lo:].copy(), t[hi])
    placed = np.empty((2, 2))
    placed[0] = ends[0] + along * (inward - low)
    placed[1] = ends[0] + along * (high - inward)
    run, lit, like = band[lo : hi + 1], band[lo : hi + 1], smooth[lo : hi + 1]
    if side != 0.0:
        lit = run.copy()
        lit_up(lit, side, CORE)
        like = _boxed(_against_flanks(lit, MIDDLE))
    look = look_of(run, lit, like, whiten, noise, unit)
    return placed, (low_clear, high_clear), look


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
        lo, hi = best_run(gain)
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
def _edge(contrast: Array, t: Array, end: float) -> tuple[float, bool]:
    """Where contrast along the end's own colour falls to half, and whether it clearly does.

    `t` rises outward.
    """
    inner = (t > end - 30) & (t < end - 5)
    if inner.sum() < 5:
        return end, False
    colour = np.zeros(3)
    for p in range(3):
        colour[p] = np.median(contrast[:, p][inner])
    size2 = (colour * colour).sum()
    near = np.flatnonzero((t > end - 12) & (t < end + 12))
    if size2 < LEAST_COLOUR**2 or len(near) < 4:
        return end, False
    signal = np.zeros(len(t))
    for i in range(len(t)):
        for p in range(3):
            signal[i] += contrast[i, p] * colour[p] / size2
    best, high, total = int(near[0]), -np.inf, 0.0
    for i in range(best, int(near[-1]) + 1):
        total += min(max(signal[i], -0.5), 1.5) - 0.5
        if total > high:
            best, high = i, total
    before = signal[max(best - 6, 0) : best].mean() if best else 1.0
    after = signal[best + 2 : best + 8].mean() if best + 2 < len(signal) else 0.0
    half = 0.5  # of the way to the next sample the signal falls to half
    if best + 1 < len(signal) and signal[best] - signal[best + 1] > LEAST_FALL:
        half = (signal[best] - 0.5) / (signal[best] - signal[best + 1])
    return t[best] + min(max(half, 0.0), 1.0), bool(before - after > 0.5)
