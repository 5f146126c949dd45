"""Stage 1e, third part: where along its line a rod ends, how sure that is, and whether it shows.

A rod's end looks different toward the lens and away from it (a rim in the sun, a cap in the shade),
a grip's cap and a head different again; and what lies over an end leaves nothing of it to see. A
small network slides along the line, out of the rod, and says how likely it ends at each step
(learnt by `python -m tests.bench.train ends` from path-traced rods); beside the steps it weighs
that the end is at none of them. The place is the shares' mean near the likeliest step, its sigma
their spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.across import Array, Single, answers
from vision.full_band import COLOUR_FLOOR, Planes, sample
from vision.kernel import kernel

REACH = 10  # steps on either side of where a rod seems to end
PATCH = 8  # steps on either side of one that the network sees
SAMPLES = 2 * (REACH + PATCH) + 1
BESIDE = 8  # columns on either side of the line
RUN = 14  # samples that are surely of the rod
CHANNELS, CONTEXT = 6, 4
INPUTS = (2 * PATCH + 1) * CHANNELS + CONTEXT
COLUMN = 1.0 / 3.0  # a step and a column, of the rod's width
LEAST_UNIT_PX, MOST_UNIT_PX = 0.8, 3.0
CLIP = 4.0
NEAR = 3.0  # steps from the likeliest within which the place is averaged
# Sigma by the shares' spread (the learning itself widens it: an end is given to two steps), and at
# least, in steps: 95 % within two of them, on pictures that were held back.
OF_SPREAD, LEAST_STEPS = 0.8, 0.3
RIM_PX = 10.0  # from the picture's edge: what ends there is cut off
LEAST_LEFT = 0.3  # of the length: ends that come nearer each other are of something else
UNSEEN = 0.5  # probability of ending at no step from which an end is taken for covered

Weights = tuple[Single, Single, Single, float]


@dataclass(frozen=True, slots=True, eq=False)
class Ending:
    """The network: one layer of clipped units.

    `inward` (INPUTS, units), `bias`, `outward` (units,). `nowhere`: log-odds, against a step of
    answer nought, that the end is at none.
    """

    inward: Single
    bias: Single
    outward: Single
    nowhere: float

    @property
    def weights(self) -> Weights:
        """All four, for the compiled loops."""
        return self.inward, self.bias, self.outward, self.nowhere


def ending_of(inward: str, units: str, nowhere: float) -> Ending:
    """The network from its tables: inward for each input in turn; each unit's bias and outward."""
    bias, outward = np.array(units.split(), np.float32).reshape(-1, 2).T.copy()
    return Ending(np.array(inward.split(), np.float32).reshape(INPUTS, -1), bias, outward, nowhere)


@kernel
def unit_at(width_px: float, usual_px: float) -> float:
    """Pixels from step to step, and from column to column, of a rod so wide."""
    return min(max(COLUMN * width_px, LEAST_UNIT_PX), MOST_UNIT_PX * usual_px)


@kernel
def shown(
    planes: Planes, ends: Array, which: int, width_px: float, usual_px: float
) -> tuple[Single, Single]:
    """What the network sees around one of a line's ends (2, 2): (SAMPLES, CHANNELS), (CONTEXT,).

    Of each sample along, all in the rod's own colour's strength: the middle against its flanks
    along that colour and beside it, the middle against the rod's own along that colour and
    beside it, the flanks against the ground farther out along it, and how unlike that ground all
    is. Of the rod: how wide it is, its strength, its length in widths and whether the end points
    down the picture. `usual_px` as in `vision.full_band.unit_of`.
    """
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    out = span / length if which == 1 else -span / length
    unit = unit_at(width_px, usual_px)
    t = np.arange(-(REACH + PATCH), REACH + PATCH + 1.0) * unit
    o = np.arange(-BESIDE, BESIDE + 1.0) * unit
    patch = sample(planes, ends[which], out, t, o)
    core, flank, far = np.empty((SAMPLES, 3)), np.empty((SAMPLES, 3)), np.empty((SAMPLES, 3))
    for i in range(SAMPLES):
        for p in range(3):
            a, b, c = 0.0, 0.0, 0.0
            for k in range(3):
                a += patch[i, BESIDE - 1 + k, p]
                b += patch[i, BESIDE - 5 + k, p] + patch[i, BESIDE + 3 + k, p]
                c += patch[i, k, p] + patch[i, 2 * BESIDE - k, p]
            core[i, p], flank[i, p], far[i, p] = a / 3, b / 6, c / 6
    colour, own = np.empty(3), np.empty(3)
    for p in range(3):
        colour[p] = np.median(core[:RUN, p] - flank[:RUN, p])
        own[p] = np.median(core[:RUN, p].copy())
    plain = (colour * colour).sum()
    square = plain + COLOUR_FLOOR**2
    strength = np.sqrt(square)
    seen = np.zeros((SAMPLES, CHANNELS), np.float32)
    for i in range(SAMPLES):
        a, b, c = 0.0, 0.0, 0.0
        for p in range(3):
            a += (core[i, p] - flank[i, p]) * colour[p] / square
            b += (core[i, p] - own[p]) * colour[p] / square
            c += (flank[i, p] - far[i, p]) * colour[p] / square
        a_off, b_off, unlike = 0.0, 0.0, 0.0
        for p in range(3):
            a_off += (core[i, p] - flank[i, p] - a * colour[p]) ** 2
            b_off += (core[i, p] - own[p] - b * colour[p]) ** 2
            for k in range(BESIDE - 5, BESIDE + 6):
                unlike += abs(patch[i, k, p] - far[i, p])
        seen[i, 0], seen[i, 1] = a, np.sqrt(a_off) / strength
        seen[i, 2], seen[i, 3] = b, np.sqrt(b_off) / strength
        seen[i, 4], seen[i, 5] = c, unlike / (33 * strength)
        for k in range(CHANNELS):
            seen[i, k] = min(max(seen[i, k], np.float32(-CLIP)), np.float32(CLIP))
    context = np.zeros(CONTEXT, np.float32)
    context[0] = np.log(width_px / usual_px) - 1.5
    context[1] = np.log(np.sqrt(plain) + 1.0) - 2.5
    context[2] = np.log(length / width_px) - 4.0
    context[3] = 2.0 * out[1]
    return seen, context


@kernel
def shares_of(seen: Single, context: Single, net: Weights) -> Array:
    """Of each step (2 REACH + 2,) the probability that the rod ends there; last: at none."""
    inward, bias, outward, nowhere = net
    steps = 2 * REACH + 1
    out = np.empty(steps + 1)
    one, around = seen.reshape(1, SAMPLES, CHANNELS), context.reshape(1, CONTEXT)
    out[:steps] = answers(one, around, (inward, bias, outward), np.zeros(1, np.intp), steps)[0]
    out[steps] = nowhere
    out -= out.max()
    for k in range(steps + 1):
        out[k] = np.exp(out[k])
    out /= out.sum()
    return out


@kernel
def place_of(shares: Array) -> tuple[float, float]:
    """Steps outward to the end, and their sigma, of shares as in `shares_of`."""
    steps = len(shares) - 1
    top = int(shares[:steps].argmax())
    total, moment = 0.0, 0.0
    for k in range(steps):
        off = (k - top) / NEAR
        if abs(off) < 1.0:
            share = shares[k] * (1.0 - off * off)
            total += share
            moment += share * k
    place = moment / total
    spread, mass = 0.0, 0.0
    for k in range(steps):
        spread += shares[k] * (k - place) ** 2
        mass += shares[k]
    return place - REACH, np.sqrt(spread / mass)


@kernel
def ended(
    planes: Planes, ends: Array, width_px: float, usual_px: float, net: Weights
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """A line's ends (2, 2) moved along it to where the rod ends, and their sigmas (pixels, 2).

    Behind them the probabilities (2,) that each does not show near where it seemed to be, and
    which (2,) are cut off at the picture's rim. Such ones are left where they were; and so are both
    where little would be left between them.
    """
    span = ends[1] - ends[0]
    length = np.sqrt((span * span).sum())
    unit = unit_at(width_px, usual_px)
    out, sigma, unseen = np.zeros(2), np.empty(2), np.empty(2)
    cut = np.zeros(2, np.bool_)
    for which in range(2):
        seen, context = shown(planes, ends, which, width_px, usual_px)
        shares = shares_of(seen, context, net)
        unseen[which] = shares[-1]
        off, spread = place_of(shares)
        sigma[which] = unit * np.hypot(OF_SPREAD * spread, LEAST_STEPS)
        share = (off if which == 1 else -off) * unit / length
        # What runs to the rim is cut there, wherever it may seem to end.
        cut[which] = at_rim(planes, ends[which]) or at_rim(planes, ends[which] + share * span)
        if unseen[which] < UNSEEN and not cut[which]:
            out[which] = off * unit
    placed = ends.copy()
    if length + out.sum() > LEAST_LEFT * length:
        placed[0] -= span * (out[0] / length)
        placed[1] += span * (out[1] / length)
    return placed, sigma, unseen, cut


@kernel
def at_rim(planes: Planes, place: Array) -> bool:
    """Whether a place (2,) lies at the picture's rim or beyond it."""
    height, width = planes[0].shape
    x, y = place[0], place[1]
    return bool(min(min(x, width - 1 - x), min(y, height - 1 - y)) < RIM_PX)
