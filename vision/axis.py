"""Stage 1e, first part, in one: the axis of a rod in its band, and whether there is a rod on it.

Where it lies is for `vision.across` to say, and what that line is like. A second network of the
same kind, asked at the line's column in each window, says how likely a rod is there (learnt by
`python -m tests.bench.train rod` from segments on rods and on all else).
"""

from __future__ import annotations

import numpy as np

from vision.across import (
    CONTEXT,
    HALF,
    PATCH,
    Array,
    Single,
    Weights,
    alike,
    answers,
    fitted,
    likeliest,
    log_shares,
    windows_of,
)
from vision.kernel import kernel

# What a line along a band is like: the mean log share of being on the axis, by which it is chosen,
# and of the best two thirds and third of the windows (what lies over a rod leaves those as they
# are); how much rougher than the ground it is, a mean log ratio (rods are smooth, in a shadow the
# ground shows); the ground, as the network is told of it; and the log-odds that there is a rod: the
# mean of all windows, of the best two thirds, the best third and the worst third.
LIKE = (
    "likely",
    "two thirds likely",
    "third likely",
    "rough",
    "ground light",
    "ground spread",
    "ground rough",
    "rod",
    "two thirds rod",
    "third rod",
    "least third rod",
)
NUMBERS = len(LIKE)
SUREST = 8.0  # log-odds: one window says no more of whether a rod is there


@kernel
def rod_odds(profiles: Single, context: Single, offs: Array, rod: Weights) -> Array:
    """Log-odds (windows,) that there is a rod, of the columns `offs` (windows,) from the middle."""
    column = np.empty(len(offs), np.intp)
    for g in range(len(offs)):
        column[g] = min(max(int(np.rint(offs[g])), -HALF), HALF) + HALF
    odds = answers(profiles, context, rod, column, 1)[:, 0]
    return np.minimum(np.maximum(odds, -SUREST), SUREST)


@kernel
def axis_of(
    band: Single, where: Weights, rod: Weights, reach: float, columns: int = HALF
) -> tuple[float, float, float, Array]:
    """Columns that the rod's axis is off the middle at the band's start and end; what it is like.

    Of a band (samples, 2 HALF + 1, 3); looked for within `reach` columns, with `columns` asked on
    either side. `where`, `rod`: the networks that say where it lies, and whether there is one.
    Behind the two the line's sigma, and the numbers (len(LIKE),) of `LIKE`.
    """
    profiles, context = windows_of(band)
    shares = log_shares(profiles, context, where, columns)
    first, last, likely = likeliest(shares, reach)
    first, last, sigma = fitted(shares, alike(profiles, context), first, last)
    count = len(shares)
    offs = first + (last - first) * (np.arange(count) + 0.5) / count
    like = np.empty(NUMBERS)
    like[0] = likely
    like[1:7] = _along(profiles, context, shares, offs)
    odds = np.sort(rod_odds(profiles, context, offs, rod))
    like[7] = odds.mean()
    like[8], like[9] = _best(odds)
    like[10] = odds[: count // 3].mean()
    return first, last, sigma, like


@kernel
def _along(profiles: Single, context: Single, shares: Array, offs: Array) -> Array:
    """The second to the seventh of `LIKE` for the line through the columns `offs` (windows,)."""
    count = len(offs)
    out = np.zeros(6)
    each = np.empty(count)
    for g in range(count):
        at = min(max(offs[g], -HALF), HALF - 1e-6) + HALF
        k = int(at)
        each[g] = shares[g, k] + (at - k) * (shares[g, k + 1] - shares[g, k])
        out[2] += profiles[g, int(np.rint(at)) + PATCH, 3] / count
        for c in range(CONTEXT):
            out[3 + c] += context[g, c] / count
    out[0], out[1] = _best(np.sort(each))
    return out


@kernel
def _best(rising: Array) -> tuple[float, float]:
    """Means of the best two thirds and of the best third of values in rising order."""
    count = len(rising)
    return rising[count - 2 * count // 3 :].mean(), rising[count - count // 3 :].mean()
