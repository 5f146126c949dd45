"""Stage 1e: one chosen segment measured to a fraction of a pixel in the full-size picture.

The rod is a ribbon: its mean profile across itself is the template, each window along it is shifted
onto that template by one least-squares step, and a line is fitted to the shifts with robust weights
(Tukey's biweight, constant 4.685: Holland and Welsch 1977). Ends lie where the contrast
along the rod's own colour at that end falls to half.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame
from vision.rods import End

HALF_BAND_PX = 9
WINDOW_PX = 10
BORDER_PX = 10.0
TUKEY = 4.685
# What no averaging removes (a rod's bend, its taper, its shadow) grows with how wide it looks.
# Measured on path-traced scenes: lines to 0.075 of the width, ends to half of it and a little out.
LINE_FLOOR = 0.075
END_SIGMA = 0.5
END_LEAST_PX = 1.2
END_OUT = 0.35  # of the width beyond 1.5 px: halo and head make rods look longer
VAGUE_END = 3.0  # times the sigma of an end that falls off slowly
CUT_SIGMA_PX = 1e3
COLOUR_FLOOR = 2.0  # grey levels
BOX_PX = 9
ENERGY_LIMIT = 9.0  # about three sigmas in one of three planes


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
    contrast: float
    fill: float  # share of the run that looks like rod
    beyond: float  # how much the ground just beyond the ends looks like it


def measure(frame: Frame, ends_px: NDArray[np.float64]) -> Ribbon:
    """Measure the rod near the segment `ends_px` (2, 2) in full-size pixels."""
    ends = np.asarray(ends_px, np.float64)
    sigma = 1.0
    band, t, weights = _band(frame, ends)
    for _ in range(2):
        shift_a, shift_b, sigma = _line_fit(band, t, weights)
        across = _across(ends)
        ends = ends + across * np.array([[shift_a], [shift_b]])
        band, t, weights = _band(frame, ends)
    width, contrast = _width(band, t, weights)
    placed, kinds, end_sigma, fill, beyond = _ends(frame, ends, width)
    # The line was fitted over the old extent: fit once more over the new one.
    ends = placed
    band, t, weights = _band(frame, ends)
    shift_a, shift_b, sigma = _line_fit(band, t, weights)
    ends = ends + _across(ends) * np.array([[shift_a], [shift_b]])
    line_sigma = float(np.hypot(sigma, LINE_FLOOR * width))
    return Ribbon(ends, line_sigma, kinds, end_sigma, width, contrast, fill, beyond)


def _across(ends: NDArray[np.float64]) -> NDArray[np.float64]:
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return np.array([-along[1], along[0]])


def _band(
    frame: Frame, ends: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The straightened rod (samples, offsets, 3) of y, u, v; position along; weights (3,).

    The weights project a colour onto the rod's contrast, each plane by its signal over its noise.
    """
    length = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / length
    t = np.arange(0.0, length + 0.5, 1.0)
    o = np.arange(-HALF_BAND_PX, HALF_BAND_PX + 0.5, 1.0)
    band = _sample(frame, ends[0] + along * t[:, None, None] + _across(ends) * o[None, :, None])
    profile = band.mean(axis=0)
    outer = 0.5 * (profile[:4].mean(axis=0) + profile[-4:].mean(axis=0))
    colour = profile[HALF_BAND_PX - 1 : HALF_BAND_PX + 2].mean(axis=0) - outer
    noise = np.sqrt(band[:, [0, 1, 2, -3, -2, -1]].var(axis=(0, 1)) + COLOUR_FLOOR**2)
    weights = colour / noise**2
    weights = weights / (np.abs(weights @ colour) + 1e-9)
    return band, t, weights


def _sample(frame: Frame, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """The y, u and v planes (..., 3) at full-size pixel positions (rows, columns, 2)."""
    planes = []
    for plane, scale in ((frame.y, 1.0), (frame.u, 0.5), (frame.v, 0.5)):
        at = ((xy + 0.5) * scale - 0.5).astype(np.float32)
        planes.append(
            cv2.remap(
                plane, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            ).astype(np.float64)
        )
    return np.stack(planes, axis=-1)


def _line_fit(
    band: NDArray[np.float64], t: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Shifts across at the start and the end, and the line's sigma at the uncorrelated points."""
    signal = band @ weights  # (samples, offsets); the rod's middle is about 1 above its flanks
    count = max(4, len(t) // WINDOW_PX)
    groups = np.array_split(np.arange(len(t)), count)
    profiles = np.stack([signal[g].mean(axis=0) for g in groups])
    where = np.array([t[g].mean() for g in groups]) / max(float(t[-1]), 1.0)
    profiles = (
        profiles - 0.5 * (profiles[:, :3].mean(axis=1) + profiles[:, -3:].mean(axis=1))[:, None]
    )
    template = np.median(profiles, axis=0)
    o = np.arange(-HALF_BAND_PX, HALF_BAND_PX + 1, dtype=np.float64)
    near = np.abs(o) <= 5
    centre = _peak(template, o)
    taper = np.exp(-0.5 * ((o - centre) / 2.5) ** 2) * near
    slope = np.gradient(template)
    gain = (taper * slope * slope).sum() + 1e-9
    shift = -((profiles - template) * (taper * slope)).sum(axis=1) / gain
    shift = np.clip(shift, -3.0, 3.0)
    design = np.stack([1 - where, where], axis=-1)
    robust = np.ones(count)
    fit = np.zeros(2)
    scale = 1.0
    for _ in range(6):
        fit, *_ = np.linalg.lstsq(design * robust[:, None], shift * robust, rcond=None)
        rest = shift - design @ fit
        scale = max(1.4826 * float(np.median(np.abs(rest))), 0.05)
        robust = np.sqrt(np.clip(1 - (rest / (TUKEY * scale)) ** 2, 0.0, 1.0) ** 2 + 1e-6)
    effective = max(float((robust**2).sum()), 3.0)
    sigma = scale * np.sqrt(2.0 / effective)
    return float(fit[0] + centre), float(fit[1] + centre), float(sigma)


def _peak(template: NDArray[np.float64], o: NDArray[np.float64]) -> float:
    """Middle of the template: centroid of its upper half around the peak."""
    inner = np.abs(o) <= 3
    top = int(np.argmax(np.where(inner, template, -np.inf)))
    level = 0.4 * template[top]
    left = right = top
    while left > 0 and template[left - 1] > level and top - left < 4:
        left -= 1
    while right < len(o) - 1 and template[right + 1] > level and right - top < 4:
        right += 1
    lo, hi = max(left - 1, 0), min(right + 1, len(o) - 1)
    mass = np.clip(template[lo : hi + 1] - 0.0, 0.0, None)
    return float((mass * o[lo : hi + 1]).sum() / max(float(mass.sum()), 1e-9))


def _ends(
    frame: Frame, ends: NDArray[np.float64], width_px: float
) -> tuple[NDArray[np.float64], tuple[End, End], tuple[float, float], float, float]:
    """Both ends along the line: the run of samples that look more like rod than like ground."""
    length = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / length
    if not _mostly_inside(frame, ends):
        cut = (CUT_SIGMA_PX, CUT_SIGMA_PX)
        return ends, (End.CUT, End.CUT), cut, 0.0, 0.0
    contrast, parallels, t = _contrast_along(frame, ends, width_px)
    box = np.ones(BOX_PX) / BOX_PX
    smooth = np.stack([np.convolve(c, box, mode="same") for c in contrast.T], axis=-1)
    noise = np.concatenate(
        [np.stack([np.convolve(c, box, mode="same") for c in p.T], axis=-1) for p in parallels]
    )
    whiten = np.linalg.inv(noise.T @ noise / len(noise) + np.eye(3) * COLOUR_FLOOR**2 / BOX_PX)
    energy = np.einsum("tp,pq,tq->t", smooth, whiten, smooth)
    run = np.flatnonzero((t >= 0) & (t <= length))
    lo, hi = int(run[0]), int(run[-1])
    for _ in range(3):
        colour = np.median(smooth[lo : hi + 1], axis=0)
        strength = float(colour @ whiten @ colour) + 1e-9
        likeness = smooth @ whiten @ colour / strength  # about 1 on the rod, 0 beside it
        same = np.clip(strength * (likeness - 0.5) / 4.0, -1.0, 1.0)
        other = np.clip((energy - ENERGY_LIMIT) / ENERGY_LIMIT, -1.0, 0.6)
        lo, hi = _best_run(np.maximum(same, other))
    lo_t = _edge(contrast[: hi + 1][::-1], -t[: hi + 1][::-1], -float(t[lo]))
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
    fill = float((np.maximum(same, other)[lo : hi + 1] > 0).mean())
    outside = np.concatenate(
        [likeness[max(lo - 24, 0) : max(lo - 6, 0)], likeness[hi + 7 : hi + 25]]
    )
    beyond = float(np.clip(outside, -1.0, 2.0).mean()) if len(outside) else 0.0
    return placed, (kinds[0], kinds[1]), (sigmas[0], sigmas[1]), fill, beyond


def _mostly_inside(frame: Frame, ends: NDArray[np.float64]) -> bool:
    """Whether at least half of the line lies in the picture, and enough of it to be measured."""
    length = float(np.linalg.norm(ends[1] - ends[0]))
    at = np.linspace(ends[0], ends[1], 33)
    inside = ((at >= 0) & (at <= (frame.width - 1, frame.height - 1))).all(axis=-1)
    share = float(inside.mean())
    return share >= 0.5 and share * length >= 3 * BOX_PX


def _contrast_along(
    frame: Frame, ends: NDArray[np.float64], width_px: float
) -> tuple[NDArray[np.float64], list[NDArray[np.float64]], NDArray[np.float64]]:
    """Colour against both flanks along the line and along two parallels beside it: (samples, 3)."""
    length = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / length
    beyond = max(60.0, 0.6 * length)
    t = np.arange(-beyond, length + beyond + 0.5, 1.0)
    at = ends[0] + along * t[:, None]
    inside = (
        (at[:, 0] >= 0)
        & (at[:, 0] <= frame.width - 1)
        & (at[:, 1] >= 0)
        & (at[:, 1] <= frame.height - 1)
    )
    t = t[inside]
    unit = float(np.clip(width_px / 3.0, 0.8, 3.0))
    o = np.arange(-14, 15) * unit
    band = _sample(frame, ends[0] + along * t[:, None, None] + _across(ends) * o[None, :, None])

    def against_flanks(middle: int) -> NDArray[np.float64]:
        centre = band[:, middle - 1 : middle + 2].mean(axis=1)
        left = band[:, middle - 5 : middle - 2].mean(axis=1)
        right = band[:, middle + 3 : middle + 6].mean(axis=1)
        return np.asarray(centre - 0.5 * (left + right))

    return against_flanks(14), [against_flanks(5), against_flanks(23)], t


def _best_run(gain: NDArray[np.float64]) -> tuple[int, int]:
    """First and last index of the run with the largest sum (Kadane's algorithm, by prefix sums)."""
    prefix = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(prefix)
    stop = int(np.argmax(prefix - lowest))
    if stop == 0:
        return 0, max(len(gain) - 1, 0)
    start = int(np.argmin(prefix[:stop]))
    return start, stop - 1


def _edge(contrast: NDArray[np.float64], t: NDArray[np.float64], end: float) -> tuple[float, bool]:
    """Where contrast along the end's own colour falls to half, and whether it clearly does.

    `t` rises outward.
    """
    inner = (t > end - 30) & (t < end - 5)
    if inner.sum() < 5:
        return end, False
    colour = np.median(contrast[inner], axis=0)
    size = float(np.linalg.norm(colour))
    if size < 0.5:
        return end, False
    signal = contrast @ colour / size**2
    near = np.flatnonzero((t > end - 12) & (t < end + 12))
    if len(near) < 4:
        return end, False
    gain = np.cumsum(np.clip(signal[near], -0.5, 1.5) - 0.5)
    best = int(near[int(np.argmax(gain))])
    before = float(signal[max(best - 6, 0) : best].mean()) if best else 1.0
    after = float(signal[best + 2 : best + 8].mean()) if best + 2 < len(signal) else 0.0
    clear = bool(before - after > 0.5)
    return float(t[best]) + 0.5, clear


def _width(
    band: NDArray[np.float64], t: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[float, float]:
    """Equivalent width (area over peak) and the mean contrast in sigmas of the flanks."""
    profile = (band @ weights).mean(axis=0)
    profile = profile - 0.5 * (profile[:4].mean() + profile[-4:].mean())
    peak = float(profile[HALF_BAND_PX - 1 : HALF_BAND_PX + 2].max())
    area = float(np.clip(profile[HALF_BAND_PX - 5 : HALF_BAND_PX + 6], 0, None).sum())
    flank = float((band[:, :3] @ weights).std() + 1e-6)
    return float(np.clip(area / max(peak, 1e-6), 1.5, 12.0)), peak / flank
