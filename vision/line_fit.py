"""Stage 1e, first half: a rod straightened in the full-size picture, and its line fitted.

The rod is a ribbon: its mean profile across itself is the template, each window along it is shifted
onto that template by one least-squares step, and a line is fitted to the shifts with robust weights
(Tukey's biweight, constant 4.685: Holland and Welsch 1977).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

Array = NDArray[np.float64]
Plane = NDArray[np.uint8]

HALF_BAND_PX = 9
WINDOW_PX = 10
REACH_PX = 5  # of the profile that is shifted onto the template
TAPER_PX = 2.5
LONGEST_SHIFT_PX = 3.0
TUKEY = 4.685
ROUNDS = 6
LEAST_SCALE_PX = 0.05
LEAST_SPREAD = 0.25  # of the windows' heights, in the template's
TUKEY_HEIGHT = 3.0
COLOUR_FLOOR = 2.0  # grey levels


@kernel
def sample(
    planes: tuple[Plane, Plane, Plane], start: Array, along: Array, t: Array, o: Array
) -> NDArray[np.float32]:
    """The y, u and v planes (samples, offsets, 3), bilinear, the border repeated.

    At full-size pixels `start` + `t` times `along` (2,), and `o` across it.
    """
    luma, u, v = planes
    out = np.empty((len(t), len(o), 3), np.float32)
    one, half, quarter = np.float32(1.0), np.float32(0.5), np.float32(0.25)
    right, foot = np.float32(luma.shape[1] - 1.001), np.float32(luma.shape[0] - 1.001)
    right_uv, foot_uv = np.float32(u.shape[1] - 1.001), np.float32(u.shape[0] - 1.001)
    step_x, step_y = np.float32(-along[1]), np.float32(along[0])
    for i in range(len(t)):
        x0 = np.float32(start[0] + along[0] * t[i])
        y0 = np.float32(start[1] + along[1] * t[i])
        for k in range(len(o)):
            x, y = x0 + step_x * np.float32(o[k]), y0 + step_y * np.float32(o[k])
            at_x, at_y = min(max(x, np.float32(0)), right), min(max(y, np.float32(0)), foot)
            # Unsigned: signed indices cost a check for negative ones.
            column, row = np.uint32(at_x), np.uint32(at_y)
            after, below = column + np.uint32(1), row + np.uint32(1)
            fx, fy = at_x - np.float32(column), at_y - np.float32(row)
            out[i, k, 0] = (one - fy) * (
                (one - fx) * luma[row, column] + fx * luma[row, after]
            ) + fy * ((one - fx) * luma[below, column] + fx * luma[below, after])
            at_x = min(max(half * x - quarter, np.float32(0)), right_uv)
            at_y = min(max(half * y - quarter, np.float32(0)), foot_uv)
            column, row = np.uint32(at_x), np.uint32(at_y)
            after, below = column + np.uint32(1), row + np.uint32(1)
            fx, fy = at_x - np.float32(column), at_y - np.float32(row)
            w11 = fx * fy
            w01, w10 = fx - w11, fy - w11
            w00 = one - fx - w10
            out[i, k, 1] = (
                w00 * u[row, column]
                + w01 * u[row, after]
                + w10 * u[below, column]
                + w11 * u[below, after]
            )
            out[i, k, 2] = (
                w00 * v[row, column]
                + w01 * v[row, after]
                + w10 * v[below, column]
                + w11 * v[below, after]
            )
    return out


@kernel
def straighten(
    planes: tuple[Plane, Plane, Plane], ends: Array
) -> tuple[NDArray[np.float32], Array]:
    """The rod (samples, offsets, 3) at every pixel along and across, and its weights (3,).

    The weights project a colour onto the rod's contrast, each plane by its signal over its noise.
    """
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    t = np.arange(0.0, length + 0.5, 1.0)
    o = np.arange(-HALF_BAND_PX, HALF_BAND_PX + 0.5, 1.0)
    band = sample(planes, ends[0], span / length, t, o)
    weights = np.zeros(3)
    size = 0.0
    number = len(t)
    for p in range(3):
        profile = np.zeros(len(o))
        square, total = 0.0, 0.0
        for i in range(number):
            for k in range(len(o)):
                profile[k] += band[i, k, p]
            for k in (0, 1, 2, -3, -2, -1):
                total += band[i, k, p]
                square += float(band[i, k, p]) ** 2
        profile /= number
        mean = total / (6 * number)
        noise2 = max(square / (6 * number) - mean * mean, 0.0) + COLOUR_FLOOR**2
        outer = 0.5 * (profile[:4].mean() + profile[-4:].mean())
        colour = profile[HALF_BAND_PX - 1 : HALF_BAND_PX + 2].mean() - outer
        weights[p] = colour / noise2
        size += weights[p] * colour
    return band, weights / (abs(size) + 1e-9)


@kernel
def fit_line(band: NDArray[np.float32], weights: Array) -> tuple[float, float, float]:
    """Shifts across at the start and the end, and the line's sigma at the uncorrelated points."""
    number, across, _ = band.shape
    count = max(4, number // WINDOW_PX)
    profiles = np.zeros((count, across))
    where = np.zeros(count)
    stop = 0
    for g in range(count):
        begin = stop
        stop = begin + number // count + (1 if g < number % count else 0)
        for i in range(begin, stop):
            for k in range(across):
                for p in range(3):
                    profiles[g, k] += band[i, k, p] * weights[p]
        profiles[g] /= max(stop - begin, 1)
        profiles[g] -= 0.5 * (profiles[g, :3].mean() + profiles[g, -3:].mean())
        where[g] = (begin + stop - 1) / 2 / max(number - 1, 1)
    template = np.empty(across)
    for k in range(across):
        template[k] = np.median(profiles[:, k].copy())
    centre = peak(template)
    shift = np.zeros(count)
    gain = 1e-9
    for k in range(1, across - 1):
        o = k - HALF_BAND_PX
        if abs(o) <= REACH_PX:
            slope = (template[k + 1] - template[k - 1]) / 2
            taper = np.exp(-0.5 * ((o - centre) / TAPER_PX) ** 2)
            gain += taper * slope * slope
            for g in range(count):
                shift[g] -= (profiles[g, k] - template[k]) * taper * slope
    shift = np.minimum(np.maximum(shift / gain, -LONGEST_SHIFT_PX), LONGEST_SHIFT_PX)
    alike = _alike(profiles, template)
    robust = alike
    first, last, scale = 0.0, 0.0, 1.0
    for _ in range(ROUNDS):
        first, last = _weighted_line(where, shift, robust)
        rest = shift - first * (1 - where) - last * where
        near, scale = _biweight(rest, TUKEY, LEAST_SCALE_PX)
        robust = alike * near + 1e-6
    sigma = scale * np.sqrt(2.0 / max(robust.sum(), 3.0))
    return first + centre, last + centre, sigma


@kernel
def _alike(profiles: Array, template: Array) -> Array:
    """Weights (n,) of windows: whether each profile (n, offsets) is the template at its height.

    A club's grip and head are not: lit and shaded otherwise than the shaft, they lie beside its
    line in the picture.
    """
    count = len(profiles)
    square = 1e-9
    height = np.zeros(count)
    for k in range(HALF_BAND_PX - REACH_PX, HALF_BAND_PX + REACH_PX + 1):
        square += template[k] * template[k]
        for g in range(count):
            height[g] += profiles[g, k] * template[k]
    height /= square
    return _biweight(height - np.median(height), TUKEY_HEIGHT, LEAST_SPREAD)[0]


@kernel
def _biweight(off: Array, reach: float, least: float) -> tuple[Array, float]:
    """Weights (n,), none beyond `reach` scales, and the scale: the median's, at least `least`."""
    scale = max(1.4826 * np.median(np.abs(off)), least)
    tail = np.maximum(1 - (off / (reach * scale)) ** 2, 0.0)
    return tail * tail, scale


@kernel
def _weighted_line(where: Array, shift: Array, weight: Array) -> tuple[float, float]:
    """Values at 0 and 1 of the weighted least-squares line."""
    total = weight.sum()
    middle = (weight * where).sum() / total
    mean = (weight * shift).sum() / total
    spread = (weight * (where - middle) ** 2).sum()
    slope = (weight * (where - middle) * (shift - mean)).sum() / max(spread, 1e-12)
    return mean - slope * middle, mean + slope * (1 - middle)


@kernel
def peak(template: Array) -> float:
    """Middle of a profile, from its own middle: centroid of the upper part around the peak."""
    top = HALF_BAND_PX - 3
    for k in range(HALF_BAND_PX - 3, HALF_BAND_PX + 4):
        if template[k] > template[top]:
            top = k
    level = 0.4 * template[top]
    left, right = top, top
    while left > 0 and template[left - 1] > level and top - left < 4:
        left -= 1
    while right < len(template) - 1 and template[right + 1] > level and right - top < 4:
        right += 1
    mass, moment = 0.0, 0.0
    for k in range(max(left - 1, 0), min(right + 1, len(template) - 1) + 1):
        here = max(template[k], 0.0)
        mass += here
        moment += here * (k - HALF_BAND_PX)
    return moment / max(mass, 1e-9)


@kernel
def width_of(band: NDArray[np.float32], weights: Array) -> tuple[float, float]:
    """Equivalent width (area over peak) and the mean contrast in sigmas of the flanks."""
    number, across, _ = band.shape
    profile = np.zeros(across)
    square, total = 0.0, 0.0
    for i in range(number):
        for k in range(across):
            value = 0.0
            for p in range(3):
                value += band[i, k, p] * weights[p]
            profile[k] += value
            if k < 3:
                total += value
                square += value * value
    profile /= number
    mean = total / (3 * number)
    flank = np.sqrt(max(square / (3 * number) - mean * mean, 0.0)) + 1e-6
    profile -= 0.5 * (profile[:4].mean() + profile[-4:].mean())
    top = profile[HALF_BAND_PX - 1 : HALF_BAND_PX + 2].max()
    area = np.maximum(profile[HALF_BAND_PX - 5 : HALF_BAND_PX + 6], 0.0).sum()
    return min(max(area / max(top, 1e-6), 1.5), 12.0), top / flank
