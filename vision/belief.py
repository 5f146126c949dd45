"""Stage 2b: whether the two rods that were chosen are really there, as log-odds.

A thin bright thing and another one often make a passable layout. What tells laid rods from them is
how each looks along its whole length (`vision.look`), what else in the picture is as rod-like, and
how far the pose must bend what is known to fit them. Logistic regression, fitted by
`python -m tests.bench.train` on path-traced scenes; nothing here is set by hand but `ACCEPT`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.look import LOOK
from vision.model import COUNT, residuals
from vision.pose import Pose
from vision.rods import Rods

ACCEPT = 1.0  # log-odds from which rods are believed
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
    return float(values @ VECTOR + BIAS) + tapped


WEIGHTS: dict[str, float] = {
    "geometry": 0.2377,
    "margin": 0.2023,
    "rivals": -0.0268,
    "third": -0.0339,
    "misfit": -0.9522,
    "hidden": -3.4649,
    "pull": -0.6522,
    "pair": -1.8965,
    "odd widths": -0.4722,
    "lower step": 1.6182,
    "higher step": -3.9387,
    "lower beside": -2.3078,
    "higher beside": -0.9177,
    "lower weakest third": -0.6209,
    "higher weakest third": 1.2728,
    "lower strongest third": 13.0992,
    "higher strongest third": 2.8747,
    "lower upper quarter": -14.7211,
    "higher upper quarter": -1.6658,
    "lower upper tenth": 1.6278,
    "higher upper tenth": 0.7384,
    "lower filled": 5.2601,
    "higher filled": 2.9017,
    "lower grey": -1.8037,
    "lower bright": 0.2690,
    "higher bright": 0.0063,
    "lower texture": 0.4775,
    "higher texture": 0.9185,
    "lower taper": -3.7377,
    "lower shade": -1.5323,
    "higher shade": -0.7620,
    "lower width": -0.1809,
    "higher width": -3.2241,
    "higher straight": -3.2327,
    "lower contrast": -0.0253,
    "higher contrast": 0.5360,
    "lower length": 2.5799,
    "higher length": -2.0251,
    "lower free ends": 2.0864,
    "higher free ends": 0.2186,
}
BIAS = -18.6004
VECTOR = np.array([WEIGHTS.get(name, 0.0) for name in FEATURES])
