"""Stage 1c': how likely a segment is to lie on a rod, from its cues.

Logistic regression on the cues of `vision.segments` and the squares of the named ones, so that a
cue may be best at a middle value. Fitted by `python -m tests.bench.train` on path-traced scenes;
nothing here is set by hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.cues import CUES


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Weights of `features`, and the bias: log-odds that a segment lies on a rod."""

    weights: NDArray[np.float64]
    bias: float

    def log_odds(self, cues: NDArray[np.float32]) -> NDArray[np.float64]:
        """(n,) from cues (n, `vision.segments.cue_count`)."""
        return np.asarray(features(cues) @ self.weights + self.bias)


def features(cues: NDArray[np.float32]) -> NDArray[np.float64]:
    """The cues and the squares of the named ones (n, cues + len(CUES))."""
    cues = cues.astype(np.float64)
    return np.concatenate([cues, cues[:, : len(CUES)] ** 2], axis=1)


COARSE = Evidence(
    np.array(
        [
            1.3175,
            5.1496,
            -1.4101,
            5.9996,
            10.3105,
            -1.8848,
            0.4447,
            -0.3227,
            -10.1706,
            1.013,
            0.3397,
            18.3736,
            1.6139,
            1.8081,
            -2.9299,
            -0.4977,
            0.4988,
            0.3382,
            1.5676,
            7.3298,
            -0.0389,
            0.0389,
            -1.096,
            1.0146,
            -1.0932,
            3.4122,
            -3.3222,
            2.3272,
            -5.7674,
            -5.2063,
            -1.2614,
            -0.5379,
            0.3854,
            0.5523,
            -1.458,
            -5.8797,
            1.0175,
            -0.1583,
            -21.9346,
            -4.6067,
            0.7612,
            -0.2133,
            -10.1751,
            -0.9876,
            -0.5365,
            2.1161,
            0.3476,
            0.3161,
            -0.0735,
            -0.7196,
        ]
    ),
    -36.3890,
)
FINE = Evidence(
    np.array(
        [
            1.7599,
            5.0423,
            -1.8478,
            6.5777,
            8.5871,
            -2.3162,
            1.0447,
            0.6573,
            -4.9855,
            -0.3434,
            0.3964,
            22.3568,
            -0.6737,
            1.9271,
            -3.4819,
            -0.5228,
            -0.4726,
            -0.1003,
            0.2244,
            -4.7845,
            4.4599,
            -2.1366,
            2.1365,
            -1.1968,
            -0.9857,
            0.2447,
            1.111,
            -2.2805,
            1.7197,
            0.9966,
            -1.9072,
            -2.0293,
            2.4929,
            2.6178,
            -1.6798,
            -7.5394,
            -0.6681,
            -0.0804,
            0.4833,
            0.071,
            -1.4887,
            -4.8517,
            1.0552,
            -0.1452,
            -25.225,
            -5.0161,
            -1.541,
            -0.4811,
            -13.3673,
            -0.8813,
            -1.0707,
            2.4642,
            0.8542,
            0.2682,
            -0.2351,
            -0.1239,
        ]
    ),
    -34.1783,
)
