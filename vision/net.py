"""A small network that turns numbers into log-odds: one layer of tanh units beside a linear path.

Learnt by `python -m tests.bench.train`, which writes it as text.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CLIP = 4.0  # spreads from the mean beyond which a feature says no more


def standardised(
    values: NDArray[np.floating], mean: NDArray[np.float64], spread: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Features (n, features) in spreads from their means, clipped."""
    return np.clip((values - mean) / spread, -CLIP, CLIP)


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Log-odds from features (features,).

    `mean`, `spread`, `past` (features,); `inward` (features, units); `bias`, `outward` (units,).
    """

    mean: NDArray[np.float64]
    spread: NDArray[np.float64]
    inward: NDArray[np.float64]
    bias: NDArray[np.float64]
    outward: NDArray[np.float64]
    past: NDArray[np.float64]
    level: float

    def log_odds(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        """(n,) from features (n, features)."""
        points = standardised(values, self.mean, self.spread)
        units = np.tanh(points @ self.inward + self.bias)
        return np.asarray(units @ self.outward + points @ self.past + self.level)


def net_of(each: str, inward: str, units: str, level: float) -> Net:
    """A network from its tables of numbers.

    `each`: a row for each feature, its mean, its spread, its weight past the units. `inward`: for
    each feature in turn its weights into each unit. `units`: a row for each, its bias and its
    weight outward.
    """
    mean, spread, past = np.array(each.split(), np.float64).reshape(-1, 3).T
    bias, outward = np.array(units.split(), np.float64).reshape(-1, 2).T
    weights = np.array(inward.split(), np.float64).reshape(len(mean), len(bias))
    return Net(mean, spread, weights, bias, outward, past, level)
