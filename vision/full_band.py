"""Stage 1e, second part: a rod's band in the full-size picture, and the rod moved onto its line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision import across
from vision.across import Array, Single
from vision.axis import axis_of
from vision.frame import Frame
from vision.kernel import kernel
from vision.look import shade_of

Plane = NDArray[np.uint8]
Planes = tuple[Plane, Plane, Plane]

USUAL_PX = 1280.0  # longer side of the pictures that it has learnt from
MOST_SAMPLES = 120  # along a rod: ten in each window that is averaged
HALF_BAND = 9  # columns on either side that width and colour are told from
COLOUR_FLOOR = 2.0  # grey levels
BESIDE = (3, 6)  # columns from the axis where a rod's shadow lies
IN_SHADE = 0.5


def unit_of(frame: Frame) -> float:
    """Pixels from column to column: more than one in pictures larger than usual."""
    return max(1.0, max(frame.width, frame.height) / USUAL_PX)


@kernel
def sample(planes: Planes, start: Array, along: Array, t: Array, o: Array) -> NDArray[np.float32]:
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
def band_along(planes: Planes, ends: Array, half: int, unit: float) -> Single:
    """The picture (samples, 2 half + 1, 3) along a line and across it, `unit` pixels apart.

    Along it farther apart where it is long.
    """
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    t = np.arange(0.0, length + 0.5, max(unit, length / MOST_SAMPLES))
    o = np.arange(-half, half + 0.5, 1.0) * unit
    return sample(planes, ends[0], span / length, t, o)


@kernel
def onto_axis(
    planes: Planes,
    ends: Array,
    unit: float,
    where: across.Weights,
    rod: across.Weights,
    reach: float,
    columns: int,
) -> tuple[Array, float, Array, Single]:
    """The ends moved across onto the rod's axis, its sigma (pixels), what it is like, and the band.

    What it is like, and the networks, as in `vision.axis`; looked for within `reach` columns, with
    `columns` asked on either side.
    """
    band = band_along(planes, ends, across.HALF, unit)
    first, last, sigma, like = axis_of(band, where, rod, reach, columns)
    span = ends[1] - ends[0]
    along = span / np.sqrt((span * span).sum())
    out = ends.copy()
    for end, off in ((0, first), (1, last)):
        out[end, 0] -= along[1] * off * unit
        out[end, 1] += along[0] * off * unit
    return out, sigma * unit, like, band


@kernel
def shaded_side(band: Single) -> float:
    """The side of a rod's band (samples, columns, 3) where it lies in a shadow, if one does.

    -1.0, 1.0, or 0.0 for none.
    """
    middle = band.shape[1] // 2
    sides = np.zeros((2, 3))
    for k in range(BESIDE[0], BESIDE[1]):
        for p in range(3):
            sides[0, p] += band[:, middle - k, p].mean() / (BESIDE[1] - BESIDE[0])
            sides[1, p] += band[:, middle + k, p].mean() / (BESIDE[1] - BESIDE[0])
    lit = 0 if sides[0, 0] > sides[1, 0] else 1
    if shade_of(sides[lit], sides[1 - lit] - sides[lit]) < IN_SHADE:
        return 0.0
    return 1.0 if lit == 0 else -1.0


@kernel
def lit_up(band: Single, side: float, core: int) -> None:
    """The shaded side beyond `core` columns from the middle becomes the lit side's mirror image."""
    middle = band.shape[1] // 2
    for k in range(core + 1, middle + 1):
        shaded, lit = (middle + k, middle - k) if side > 0 else (middle - k, middle + k)
        band[:, shaded] = band[:, lit]


@kernel
def weights_of(band: Single) -> Array:
    """Weights (3,) that project a colour onto the rod's contrast, each plane's signal over noise.

    Of the band (samples, 2 HALF_BAND + 1, 3) around its axis.
    """
    number, columns, _ = band.shape
    weights = np.zeros(3)
    size = 0.0
    for p in range(3):
        profile = np.zeros(columns)
        square, total = 0.0, 0.0
        for i in range(number):
            for k in range(columns):
                profile[k] += band[i, k, p]
            for k in (0, 1, 2, -3, -2, -1):
                value = float(band[i, k, p])
                total += value
                square += value**2
        profile /= number
        mean = total / (6 * number)
        noise2 = max(square / (6 * number) - mean * mean, 0.0) + COLOUR_FLOOR**2
        outer = 0.5 * (profile[:4].mean() + profile[-4:].mean())
        colour = profile[HALF_BAND - 1 : HALF_BAND + 2].mean() - outer
        weights[p] = colour / noise2
        size += weights[p] * colour
    return weights / (abs(size) + 1e-9)


@kernel
def width_of(band: Single, weights: Array) -> tuple[float, float]:
    """Equivalent width (area over peak, columns) and the mean contrast in sigmas of the flanks."""
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
    top = profile[HALF_BAND - 1 : HALF_BAND + 2].max()
    area = np.maximum(profile[HALF_BAND - 5 : HALF_BAND + 6], 0.0).sum()
    return min(max(area / max(top, 1e-6), 1.5), 12.0), top / flank
