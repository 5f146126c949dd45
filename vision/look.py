"""Stage 1e, last part: how a measured rod looks along its length, for `vision.belief` to weigh."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

Array = NDArray[np.float64]

LOOK = (
    "step",  # how unlike the ground on the two sides is, over the rod's own contrast
    "beside",  # strongest line beside it, over the rod's own contrast
    "weakest third",  # likeness to the rod's own colour
    "strongest third",
    "upper quarter",  # of likeness along the rod
    "upper tenth",
    "filled",  # share that stands out, whatever its colour
    "grey",  # share of the colour that is lightness alone
    "bright",  # lighter or darker than the ground
    "texture",  # of the ground
    "taper",  # log ratio of the widths of its two halves
    "shade",  # 1: no other than the ground beside it in a shadow
    "width",
    "straight",  # log of the line's sigma over the width
    "contrast",
    "length",
    "free ends",
    "axis",  # the windows' mean log share of being on its line (`vision.across`)
    "axis where clear",  # that of the best two thirds of them
    "rough",  # how much rougher than the ground along it
    "rod",  # the windows' mean log-odds that there is a rod
    "rod where clear",  # of the best two thirds of them
    "rod where clearest",  # third
    "rod where least",
)
ENERGY = 9.0  # about three sigmas in one of three planes
# A shadow dims all three channels alike, and so its chroma with its luma; what is left of the light
# is the sky's: bluer and less red. In grey levels of the chroma planes.
SKY = (0.8, -0.6)  # the direction of blue in (u, v)
SKY_MOST = 10.0
TINT = 4.0
LEAST_DIMMED = 0.15
MIDDLE = 14  # column of the rod's middle in the band of 29


@kernel
def look_of(
    band: NDArray[np.float32],
    lit: NDArray[np.float32],
    smooth: Array,
    whiten: Array,
    noise: Array,
    unit: float,
) -> Array:
    """The first twelve of `LOOK` for a rod's band (samples, 29, 3) with columns `unit` apart.

    `lit`: the same without its own shadow. `smooth` (samples, 3): that one's contrast against both
    flanks; `whiten` and `noise` (3, 3): inverse and plain covariance of what parallels beside it
    show.
    """
    count, across, _ = band.shape
    colour = np.zeros(3)
    for p in range(3):
        colour[p] = np.median(smooth[:, p].copy())
    weight = whiten @ colour
    strength2 = (colour * weight).sum() + 1e-9
    weight = weight / strength2
    like = np.zeros(count)
    filled = 0
    for i in range(count):
        energy = 0.0
        for p in range(3):
            like[i] += smooth[i, p] * weight[p]
            for q in range(3):
                energy += smooth[i, p] * whiten[p, q] * smooth[i, q]
        if energy > ENERGY:
            filled += 1
    profiles = np.zeros((2, across))  # of either half, along the rod's own colour
    profile = np.zeros(across)  # with the shadow
    for i in range(count):
        part = 0 if i < count // 2 else 1
        share = 1.0 / max(count // 2 if part == 0 else count - count // 2, 1)
        for k in range(across):
            for p in range(3):
                profiles[part, k] += lit[i, k, p] * weight[p] * share
                profile[k] += band[i, k, p] * weight[p] / count
    width = np.zeros(2)
    for part in range(2):
        line = profiles[part] - _flanks(profiles[part], MIDDLE)
        top = line[MIDDLE - 1 : MIDDLE + 2].max()
        width[part] = np.maximum(line[MIDDLE - 4 : MIDDLE + 5], 0.0).sum() / max(top, 0.1) * unit
    beside = 0.0
    for middle in (5, 6, 7, 21, 22, 23):
        here = profile[middle - 1 : middle + 2].mean() - _flanks(profile, middle)
        beside = max(beside, abs(here))
    sides = np.zeros(3)
    for i in range(count):
        for k in range(3):
            for p in range(3):
                sides[p] += (band[i, MIDDLE - 5 + k, p] - band[i, MIDDLE + 3 + k, p]) / (3 * count)
    thirds = np.zeros(3)
    for k in range(3):
        thirds[k] = np.median(like[k * count // 3 : (k + 1) * count // 3].copy())
    ordered = np.sort(like)
    out = np.zeros(12)
    out[0] = min(np.sqrt((sides * (whiten @ sides)).sum() / strength2), 3.0)
    out[1] = min(beside, 3.0)
    out[2] = min(max(thirds.min(), -2.0), 2.0)
    out[3] = min(max(thirds.max(), -2.0), 3.0)
    out[4] = min(max(ordered[int(0.75 * (count - 1))], -3.0), 4.0)
    out[5] = min(max(ordered[int(0.90 * (count - 1))], -3.0), 5.0)
    out[6] = filled / count
    out[7] = abs(colour[0]) / (np.sqrt((colour * colour).sum()) + 1e-9)
    out[8] = min(max(colour[0] / 30.0, -3.0), 3.0)
    out[9] = np.log(np.sqrt(np.trace(noise)) + 1.0)
    out[10] = min(max(np.log((width[0] + 0.1) / (width[1] + 0.1)), -2.0), 2.0)
    out[11] = _shade(lit, colour)
    return out


@kernel
def _shade(band: NDArray[np.float32], colour: Array) -> float:
    """How much a rod's mean contrast (3,) against its flanks is that of the flanks in shadow."""
    ground = np.zeros(3)
    for p in range(3):
        for k in range(MIDDLE - 5, MIDDLE - 2):
            ground[p] += band[:, k, p].mean() / 6
            ground[p] += band[:, 2 * MIDDLE - k, p].mean() / 6
    return shade_of(ground, colour)


@kernel
def shade_of(ground: Array, colour: Array) -> float:
    """How much a contrast (3,) against a ground's y, u, v (3,) is that of its own shade, 0 to 1."""
    left = (ground[0] + colour[0]) / max(ground[0], 1.0)
    if left >= 1.0:
        return 0.0
    blue = ground[1] + colour[1] - 128.0 - left * (ground[1] - 128.0)
    red = ground[2] + colour[2] - 128.0 - left * (ground[2] - 128.0)
    sky = min(max(blue * SKY[0] + red * SKY[1], 0.0), SKY_MOST)
    tint = np.hypot(blue - sky * SKY[0], red - sky * SKY[1])
    return float(np.exp(-tint / TINT) * min((1.0 - left) / LEAST_DIMMED, 1.0))


@kernel
def _flanks(profile: Array, middle: int) -> float:
    """Mean of the three columns beyond the next one on both sides of `middle`'s three."""
    left = profile[middle - 5 : middle - 2].mean()
    return float(0.5 * (left + profile[middle + 3 : middle + 6].mean()))
