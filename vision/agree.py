"""Whether one view agrees with the rods as they were measured before, or they have been moved.

At the pose's minimum chi^2 = sum of squared whitened rows, with as many degrees of freedom as there
are rows more than parameters. Under unmoved rods it exceeds its own tail's point in the stated
share of independent views; ends that are covered are set aside first, which only lowers that share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vision.errors import SetupError
from vision.model import COUNT
from vision.pose import Pose, solve_pose
from vision.rods import Rods
from vision.setup import Setup

FALSE_ALARM = 1e-3  # share of views of unmoved rods that are said to disagree


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """One view beside the known rods. `probability`: of so large a chi^2 if they lie unmoved."""

    chi2: float
    freedom: int
    probability: float
    pose: Pose

    def moved(self, false_alarm: float = FALSE_ALARM) -> bool:
        """Whether rods or lens differ from what is known, wrong in `false_alarm` of views."""
        return self.probability < false_alarm


def agreement(rods: Rods, size: tuple[int, int], setup: Setup) -> Agreement:
    """How well rods found in a picture of `size` agree with `setup.known`.

    Raises SetupError where nothing is known.
    """
    if setup.known is None:
        raise SetupError("no rods were measured before: take a first look, then ask again")
    return agreement_of(solve_pose(rods, size, setup))


def agreement_of(pose: Pose) -> Agreement:
    """The same of a pose that was solved with what is known."""
    seen = 4 + int(np.isfinite(pose.view.end_sigma).sum())
    freedom = max(seen + int(np.isfinite(pose.view.prior_sigma).sum()) - COUNT, 1)
    return Agreement(pose.cost, freedom, chi2_tail(pose.cost, freedom), pose)


def chi2_tail(value: float, freedom: int) -> float:
    """P(X > value) for X ~ chi^2 with a whole number of degrees of freedom from 1 up.

    Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.4.4 and 26.4.5.
    """
    if math.isnan(value) or value == math.inf:
        return 0.0
    half = max(value, 0.0) / 2
    if freedom % 2:
        total = math.erfc(math.sqrt(half))
        term = 2 * math.sqrt(half / math.pi) * math.exp(-half)
        orders = range(3, freedom + 1, 2)
    else:
        total, term = 0.0, math.exp(-half)
        orders = range(2, freedom + 1, 2)
    for order in orders:
        total += term
        term *= 2 * half / order
    return min(total, 1.0)
