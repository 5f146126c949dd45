"""Stage 2b: whether the two rods that were chosen are really there, as log-odds.

A thin bright thing and another one often make a passable layout. What tells laid rods from them is
how each looks along its whole length (`vision.look`), what else in the picture is as rod-like, and
how far the pose must bend what is known to fit them. A small network, learnt by
`python -m tests.bench.train` from path-traced scenes (`vision/belief_weights.py`); nothing here is
set by hand but `ACCEPT`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.belief_weights import BELIEF
from vision.look import LOOK
from vision.model import COUNT, residuals
from vision.pose import Pose
from vision.rods import Rods

ACCEPT = 1.5  # log-odds from which rods are believed
DIAMETER_M = 0.01  # a stick or a shaft, give or take a third
MOST_MARGIN = 20.0
MOST_PULL = 6.0

FEATURES = (
    "geometry",
    "margin",  # over the runner-up
    "rivals",
    "third",
    "misfit",
    "hidden",  # ends that the pose sets aside
    "pull",  # how far the solution is from what was expected, all priors together
    "pair",
    "odd widths",  # of the two rods, against each one's distance
    "lower evidence",  # of the two segments, where they were found
    "higher evidence",
    *(f"{which} {name}" for name in LOOK for which in ("lower", "higher")),
)


def features(rods: Rods, pose: Pose) -> NDArray[np.float64]:
    """The numbers (len(FEATURES),) that tell laid rods from other lines; NaN where not measured."""
    if rods.search is None or rods.first.look is None or rods.second.look is None:
        return np.full(len(FEATURES), np.nan)
    pulls = np.clip(residuals(pose.view, pose.params)[-COUNT:], -MOST_PULL, MOST_PULL)
    widths = [
        np.log(rod.width_px * far / (pose.lens.focal_px * DIAMETER_M))
        for rod, far in zip(rods.both, pose.distances_m, strict=True)
    ]
    looks = np.sort(np.stack([rods.first.look, rods.second.look]), axis=0)
    return np.concatenate(
        [
            [
                rods.search.geometry,
                min(rods.score - rods.runner_up, MOST_MARGIN),
                rods.search.rivals,
                rods.search.third,
                np.log(pose.misfit + 0.1),
                pose.hidden.sum(),
                np.sqrt((pulls**2).sum()),
                pose.view.pair,
                min(abs(widths[0] - widths[1]), 2.0),
                *sorted(rod.score for rod in rods.both),
            ],
            looks.T.ravel(),
        ]
    )


def log_odds(rods: Rods, pose: Pose) -> float:
    """Log-odds that both rods are there; their score where they were not measured."""
    values = features(rods, pose)
    if not np.isfinite(values).all():
        return rods.score
    tapped = 0.0 if rods.search is None else rods.search.tapped
    return float(BELIEF.log_odds(values[None])[0]) + tapped
