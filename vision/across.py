"""Stage 1e, first part: where across its band a rod lies.

A rod in the sun has its own shadow beside it, often wider and darker than the rod; a club's grip
and shaft have unlike colours and one lit side. What tells the rod are the colours side by side, and
that they stay in one line. So along the band windows are averaged; in each a small network slides
across and says how likely the rod's axis is in each column (learnt by `python -m tests.bench.train
across`); and the line that is likeliest in all windows together is taken, then fitted to where they
each say it is, with robust weights (Tukey's biweight, constant 4.685: Holland and Welsch 1977).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Weights = tuple[Single, Single, Single]  # of `Sliding`

HALF = 16  # columns on either side of the line
PATCH = 6  # columns on either side of one that the network sees
WINDOW = 14  # samples along, about
FEWEST, MOST = 6, 12  # windows
CHROMA_GAIN = 2.0
GROUND_FLOOR = 4.0  # grey levels squared
CONTEXT = 3
INPUTS = (2 * PATCH + 1) * 4 + CONTEXT
LEAST_SHARE = -5.0  # log: one window that says otherwise is no veto
STEP = 0.5  # columns between the lines that are tried
MOST_TURN = 9.0  # columns from end to end
NEAR = 2.5  # columns from the line that a window's own place is taken from
TUKEY = 4.685
LEAST_SCALE = 0.05
ROUNDS = 4
ALIKE = 5  # columns on either side by which windows are compared
TUKEY_HEIGHT = 3.0
LEAST_SPREAD = 0.25  # of the windows' heights, in the usual one's


@dataclass(frozen=True, slots=True, eq=False)
class Sliding:
    """The network that slides over a profile, in single precision: one layer of clipped units.

    `inward` (INPUTS, units): of the columns around one in turn, each one's colours and roughness;
    of the context. Not of how far out it is: the axis would be drawn to where it was looked for.
    `bias`, `outward` (units,).
    """

    inward: Single
    bias: Single
    outward: Single

    @property
    def weights(self) -> Weights:
        """All three, for the compiled loops."""
        return self.inward, self.bias, self.outward


def mirrored(inward: Single) -> Single:
    """The weights of units that see everything the other way round."""
    seen = INPUTS - CONTEXT
    columns = inward[:seen].reshape(2 * PATCH + 1, seen // (2 * PATCH + 1), -1)[::-1]
    return np.concatenate([columns.reshape(seen, -1), inward[seen:]])


def paired(inward: Single, bias: Single, outward: Single) -> Sliding:
    """The network of these units and their mirror images: left and right are alike to it."""
    both = np.concatenate([inward, mirrored(inward)], axis=1)
    return Sliding(both, np.tile(bias, 2), np.tile(outward, 2))


def sliding_of(inward: str, units: str) -> Sliding:
    """The network from its tables: inward for each input in turn; each unit's bias and outward."""
    bias, outward = np.array(units.split(), np.float32).reshape(-1, 2).T
    return paired(np.array(inward.split(), np.float32).reshape(INPUTS, -1), bias, outward)


@kernel
def windows_of(band: Single) -> tuple[Single, Single]:
    """What the network sees of a band (samples, 2 HALF + 1, 3) of y, u, v.

    Profiles (windows, 2 (HALF + PATCH) + 1, 4): colour against the window's ground, in its spread,
    and how much rougher than the ground each column is, the rim repeated. And what the ground is
    like, (windows, CONTEXT).
    """
    number, across, _ = band.shape
    count = min(max(number // WINDOW, FEWEST), MOST)
    profiles = np.zeros((count, across + 2 * PATCH, 4), np.float32)
    context = np.zeros((count, CONTEXT), np.float32)
    mean = np.zeros((across, 3))
    rough = np.zeros(across)
    ground = np.zeros(3)
    for g in range(count):
        begin, stop = g * number // count, (g + 1) * number // count
        size = max(stop - begin, 1)
        mean[:] = 0.0
        rough[:] = 0.0
        for i in range(begin, stop):
            for k in range(across):
                for p in range(3):
                    mean[k, p] += band[i, k, p]
        mean /= size
        for i in range(begin, stop):
            for k in range(across):
                rough[k] += (band[i, k, 0] - mean[k, 0]) ** 2
        for k in range(across):
            rough[k] = np.log(np.sqrt(rough[k] / size) + 1.0)
        usual = np.median(rough)
        for p in range(3):
            ground[p] = np.median(mean[:, p].copy())
        spread = GROUND_FLOOR
        for k in range(across):
            for p in range(3):
                mean[k, p] = (mean[k, p] - ground[p]) * (1.0 if p == 0 else CHROMA_GAIN)
                spread += mean[k, p] * mean[k, p] / across
        spread = np.sqrt(spread)
        for k in range(across + 2 * PATCH):
            at = min(max(k - PATCH, 0), across - 1)
            for p in range(3):
                profiles[g, k, p] = mean[at, p] / spread
            profiles[g, k, 3] = rough[at] - usual
        context[g, 0] = ground[0] / 128.0 - 1.0
        context[g, 1] = np.log(spread) - 2.0
        context[g, 2] = usual - 2.0
    return profiles, context


@kernel
def answers(
    profiles: Single, context: Single, net: Weights, first: NDArray[np.intp], number: int
) -> Array:
    """A sliding network's answers (windows, number), of each window from its column `first` on.

    `inward` tells how much around a column the network sees: what is left of it by the context.
    """
    inward, bias, outward = net
    count, wide, planes = profiles.shape
    extra, units = context.shape[1], len(bias)
    seen = len(inward) - extra
    flat = profiles.reshape(count, wide * planes)
    out = np.empty((count, number))
    base = np.empty(units, np.float32)
    unit = np.empty(units, np.float32)
    for g in range(count):
        for u in range(units):
            base[u] = bias[u]
            for c in range(extra):
                base[u] += context[g, c] * inward[seen + c, u]
        for k in range(number):
            start = planes * (first[g] + k)
            for u in range(units):
                unit[u] = base[u]
            for j in range(seen):
                value = flat[g, start + j]
                for u in range(units):
                    unit[u] += value * inward[j, u]
            total = np.float32(0.0)
            for u in range(units):
                total += max(unit[u], np.float32(0.0)) * outward[u]
            out[g, k] = total
    return out


@kernel
def log_shares(
    profiles: Single,
    context: Single,
    net: Weights,
    columns: int = HALF,
) -> Array:
    """Of each window (windows, 2 HALF + 1): log of the share that each column is the axis's.

    Asked are so many `columns` on either side of the middle; the others have the least share.
    """
    count, across = len(profiles), profiles.shape[1] - 2 * PATCH
    low, high = HALF - columns, HALF + columns + 1
    out = np.full((count, across), LEAST_SHARE)
    out[:, low:high] = answers(profiles, context, net, np.full(count, low), high - low)
    for g in range(count):
        top = out[g, low:high].max()
        total_share = 0.0
        for k in range(low, high):
            total_share += np.exp(out[g, k] - top)
        lost = top + np.log(total_share)
        for k in range(low, high):
            out[g, k] = max(out[g, k] - lost, LEAST_SHARE)
    return out


@kernel
def likeliest(shares: Array, reach: float) -> tuple[float, float, float]:
    """The line through all windows of the largest sum of log shares (windows, columns).

    Columns from the middle at its start and its end, at most `reach`, and the sum's mean.
    """
    count, across = shares.shape
    middle = across // 2
    steps = int(min(reach, middle - 1.0) / STEP)
    best, first, last = -np.inf, 0.0, 0.0
    for i in range(-steps, steps + 1):
        for j in range(-steps, steps + 1):
            if abs(i - j) * STEP > MOST_TURN:
                continue
            total = 0.0
            for g in range(count):
                at = (i + (j - i) * (g + 0.5) / count) * STEP + middle
                k = int(at)
                total += shares[g, k] + (at - k) * (shares[g, k + 1] - shares[g, k])
            if total > best:
                best, first, last = total, i * STEP, j * STEP
    return first, last, best / count


@kernel
def alike(profiles: Single, context: Single) -> Array:
    """Weights (windows,): whether each window shows what most do, at its height.

    A club's grip and head do not: lit and shaded otherwise than the shaft, they lie beside its
    line in the picture.
    """
    count = len(profiles)
    height, square = np.zeros(count), 1e-9
    spread = np.exp(context[:, 1])
    for k in range(HALF + PATCH - ALIKE, HALF + PATCH + ALIKE + 1):
        for p in range(3):
            usual = float(np.median(profiles[:, k, p] * spread))
            square += usual * usual
            for g in range(count):
                height[g] += profiles[g, k, p] * spread[g] * usual
    height /= square
    return _biweight(height - np.median(height), TUKEY_HEIGHT, LEAST_SPREAD)[0]


@kernel
def _biweight(off: Array, reach: float, least: float) -> tuple[Array, float]:
    """Weights (n,), none beyond `reach` scales, and the scale: the median's, at least `least`."""
    scale = max(1.4826 * np.median(np.abs(off)), least)
    tail = np.maximum(1 - (off / (reach * scale)) ** 2, 0.0)
    return tail * tail, scale


@kernel
def fitted(shares: Array, usual: Array, first: float, last: float) -> tuple[float, float, float]:
    """The line near the one given, fitted to the windows' own places; its sigma at both ends.

    All in columns. `usual` (windows,): how far each counts. The sigma is of the places' scatter
    alone.
    """
    count, across = shares.shape
    middle = across // 2
    where = (np.arange(count) + 0.5) / count
    place, mass, weight = np.empty(count), np.empty(count), np.ones(count)
    scale = 1.0
    for _ in range(ROUNDS):
        for g in range(count):
            line = first + (last - first) * where[g]
            total, moment = 0.0, 0.0
            for k in range(across):
                off = (k - middle - line) / NEAR
                if abs(off) < 1.0:
                    share = np.exp(shares[g, k]) * (1.0 - off * off)
                    total += share
                    moment += share * (k - middle)
            mass[g] = total
            place[g] = moment / total if total > 0.0 else line
        near, scale = _biweight(place - first * (1 - where) - last * where, TUKEY, LEAST_SCALE)
        weight = mass * mass * usual * near + 1e-6
        first, last = _weighted_line(where, place, weight)
    return first, last, scale * math.sqrt(2.0 / max(weight.sum(), 2.0))


@kernel
def _weighted_line(where: Array, place: Array, weight: Array) -> tuple[float, float]:
    """Values at 0 and 1 of the weighted least-squares line."""
    total = weight.sum()
    middle = (weight * where).sum() / total
    mean = (weight * place).sum() / total
    spread = (weight * (where - middle) ** 2).sum()
    slope = (weight * (where - middle) * (place - mean)).sum() / max(spread, 1e-12)
    return mean - slope * middle, mean + slope * (1 - middle)
