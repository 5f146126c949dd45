"""Stage 1d'': the segments of a doubtful picture, each looked at once more at full size.

At a half or a quarter of the size a dark shaft beside its shadow is one broad line, and a pale rod
on pale ground hardly one. What `vision.axis` says of each segment tells rods from others better,
and where their axes lie; it takes a quarter of a millisecond each. Learnt by
`python -m tests.bench.train closer`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.across import HALF
from vision.axis import LIKE
from vision.closer_weights import CLOSER
from vision.frame import Frame
from vision.ribbon import REACH, on_axis

Array = NDArray[np.float64]

CUES = (
    "evidence",  # of the level at which it was found
    "length",
    *LIKE,
    "straight",  # log of the line's sigma over the width
    "width",
    "contrast",
    "moved",  # pixels, from where it was found; by the second look, further
    "turned",  # from end to end
    "moved again",
)
LEAST_SPREAD = 0.02  # of the width


def look_closer(frame: Frame, ends_px: Array, evidence: Array) -> tuple[Array, Array]:
    """The segments `ends_px` (n, 2, 2) moved onto their axes, and their log-odds (n,).

    `evidence` (n,): their log-odds from afar.
    """
    moved, cues = seen_closer(frame, ends_px, evidence)
    return moved, CLOSER.log_odds(cues)


def seen_closer(frame: Frame, ends_px: Array, evidence: Array) -> tuple[Array, Array]:
    """The segments moved onto their axes, and the cues (n, len(CUES)) that say if they are rods."""
    moved = np.empty_like(ends_px)
    cues = np.empty((len(ends_px), len(CUES)))
    for k, ends in enumerate(ends_px):
        first, _ = on_axis(frame, np.ascontiguousarray(ends), REACH, HALF)
        moved[k], seen = on_axis(frame, first)
        cues[k] = (
            evidence[k],
            math.log(max(math.dist(ends[0], ends[1]), 1.0)),
            *seen.like,
            math.log(seen.sigma_px / seen.width_px + LEAST_SPREAD),
            math.log(seen.width_px),
            math.log(abs(seen.contrast) + 0.1),
            math.log1p(float(np.abs(first - ends).max())),
            math.log1p(math.dist(moved[k, 1] - ends[1], moved[k, 0] - ends[0])),
            math.log1p(float(np.abs(moved[k] - first).max())),
        )
    return moved, cues
