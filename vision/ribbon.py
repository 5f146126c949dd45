"""Stage 1e: one chosen segment measured to a fraction of a pixel in the full-size picture.

Its line is fitted by `vision.line_fit`; its ends lie where the contrast along the rod's own colour
at that end falls to half.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame
from vision.kernel import kernel
from vision.line_fit import COLOUR_FLOOR, Array, fit_line, sample, straighten, width_of
from vision.look import MIDDLE, look_of
from vision.rods import End

BORDER_PX = 10.0
# What no averaging removes (a rod's bend, its taper, its shadow) grows with how wide it looks.
# Measured on path-traced scenes: lines to 0.075 of the width, ends to half of it and a little out.
LINE_FLOOR = 0.075
END_SIGMA = 0.5
END_LEAST_PX = 1.2
END_OUT = 0.35  # of the width beyond 1.5 px: halo and head make rods look longer
VAGUE_END = 3.0  # times the sigma of an end that falls off slowly
CUT_SIGMA_PX = 1e3
BOX_PX = 9
LEAST_COLOUR = 0.5  # grey levels: less is no colour to follow
ENERGY_LIMIT = 9.0  # about three sigmas in one of three planes


Planes = tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]


@dataclass(frozen=True, slots=True, eq=False)
class Ribbon:
    """A measured rod: `ends_px` (2, 2), its line's sigma at two independent points, its ends.

    The line's errors at the points a fraction 1/sqrt(12) of the length either side of the middle
    are uncorrelated (straight-line regression on even samples), each of `line_sigma_px`.
    """

    ends_px: NDArray[np.float64]
    line_sigma_px: float
    ends: tuple[End, End]
    end_sigma_px: tuple[float, float]
    width_px: float
    look: Array | None  # (len(LOOK),), None for a line too far outside the picture


def measure(frame: Frame, ends_px: NDArray[np.float64]) -> Ribbon:
    """Measure the rod near the segment `ends_px` (2, 2) in full-size pixels."""
    planes = (frame.y, frame.u, frame.v)
    ends = np.ascontiguousarray(ends_px, np.float64)
    for _ in range(2):
        ends, _ = _on_line(planes, ends)
    width, contrast = width_of(*straighten(planes, ends))
    placed, kinds, end_sigma, along = _ends(frame, ends, width)
    # The line was fitted over the old extent: fit once more over the new one.
    ends, sigma = _on_line(planes, placed)
    line_sigma = float(np.hypot(sigma, LINE_FLOOR * width))
    look = None
    if along is not None:
        about = (
            np.log(width),
            np.log(line_sigma / width),
            np.log(abs(contrast) + 0.1),
            np.log(np.linalg.norm(ends[1] - ends[0])),
            sum(kind is End.SEEN for kind in kinds),
        )
        look = np.concatenate([along, about])
    return Ribbon(ends, line_sigma, kinds, end_sigma, width, look)


def _on_line(planes: Planes, ends: Array) -> tuple[Array, float]:
    """The ends moved across onto the fitted line, and the line's sigma."""
    shift_a, shift_b, sigma = fit_line(*straighten(planes, ends))
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return ends + np.array([-along[1], along[0]]) * np.array([[shift_a], [shift_b]]), float(sigma)


def _ends(
    frame: Frame, ends: NDArray[np.float64], width_px: float
) -> tuple[Array, tuple[End, End], tuple[float, float], Array | None]:
    """Both ends along the line, and how the run between them looks.

    The run holds the samples that look more like rod than like ground.
    """
    length = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / length
    if not _mostly_inside(frame, ends):
        cut = (CUT_SIGMA_PX, CUT_SIGMA_PX)
        return ends, (End.CUT, End.CUT), cut, None
    unit = float(np.clip(width_px / 3.0, 0.8, 3.0))
    band, t = _beyond_ends(frame, ends, unit)
    contrast = _against_flanks(band, MIDDLE)
    smooth = _boxed(contrast)
    beside = np.concatenate([_boxed(_against_flanks(band, k)) for k in (5, 23)])
    noise = beside.T @ beside / len(beside)
    whiten = np.asarray(np.linalg.inv(noise + np.eye(3) * COLOUR_FLOOR**2 / BOX_PX), np.float64)
    lo, hi = _extent(smooth, whiten, t, length)
    lo_t = _edge(contrast[hi::-1].copy(), -t[hi::-1].copy(), -float(t[lo]))
    hi_t = _edge(contrast[lo:], t[lo:], float(t[hi]))
    inward = END_OUT * max(width_px - 1.5, 0.0)
    at = (-lo_t[0] + inward, hi_t[0] - inward)
    placed = np.stack([ends[0] + along * at[0], ends[0] + along * at[1]])
    kinds: list[End] = []
    sigmas: list[float] = []
    for end, clear in zip(placed, (lo_t[1], hi_t[1]), strict=True):
        out = (
            min(end[0], frame.width - 1 - end[0]) < BORDER_PX
            or min(end[1], frame.height - 1 - end[1]) < BORDER_PX
        )
        sigma = max(END_LEAST_PX, END_SIGMA * width_px) * (1.0 if clear else VAGUE_END)
        kinds.append(End.CUT if out else End.SEEN)
        sigmas.append(CUT_SIGMA_PX if out else sigma)
    look = look_of(band[lo : hi + 1], smooth[lo : hi + 1], whiten, noise, unit)
    return placed, (kinds[0], kinds[1]), (sigmas[0], sigmas[1]), look


def _mostly_inside(frame: Frame, ends: NDArray[np.float64]) -> bool:
    """Whether at least half of the line lies in the picture, and enough of it to be measured."""
    length = float(np.linalg.norm(ends[1] - ends[0]))
    at = np.linspace(ends[0], ends[1], 33)
    inside = ((at >= 0) & (at <= (frame.width - 1, frame.height - 1))).all(axis=-1)
    share = float(inside.mean())
    return share >= 0.5 and share * length >= 3 * BOX_PX


def _beyond_ends(frame: Frame, ends: Array, unit: float) -> tuple[NDArray[np.float32], Array]:
    """The band (samples, 29, 3) along the line and well beyond both ends, and where: `t`.

    Its columns are `unit` pixels apart.
    """
    length = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / length
    beyond = max(60.0, 0.6 * length)
    t = np.arange(-beyond, length + beyond + 0.5, 1.0)
    at = ends[0] + along * t[:, None]
    t = t[((at >= 0) & (at <= (frame.width - 1, frame.height - 1))).all(axis=-1)]
    o = np.arange(-MIDDLE, MIDDLE + 1.0) * unit
    return sample((frame.y, frame.u, frame.v), ends[0], along, t, o), t


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
    out = np.zeros_like(values)
    reach = BOX_PX // 2
    for p in range(3):
        for i in range(len(values)):
            total = 0.0
            for k in range(max(i - reach, 0), min(i + reach + 1, len(values))):
                total += values[k, p]
            out[i, p] = total / BOX_PX
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
    return t[best] + 0.5, bool(before - after > 0.5)
