"""What decides about "square": each governed quantity's error, spread, tolerance and probability.

Shared by the verdict and the advice, so that the two can never disagree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from vision.framing import Cure, Framing
from vision.placement import Layout, Placement
from vision.setup import Setup, View


class Quantity(StrEnum):
    """Quantities that can be governed. Keys of the texts file (`quantity.<value>`)."""

    LAYOUT = "layout"
    DISTANCE = "distance"
    FRAMING = "framing"
    OFFSET = "offset"
    HEIGHT = "height"
    YAW = "yaw"
    ROLL = "roll"


@dataclass(frozen=True, slots=True)
class Governed:
    """One governed quantity: signed error from where it belongs, 1 sigma, tolerance (SI units).

    `confidence`: the probability asked for, e.g. 0.95.
    """

    quantity: Quantity
    error: float
    sigma: float
    tolerance: float
    confidence: float

    @property
    def probability(self) -> float:
        """P(|x| <= tolerance) for x ~ N(error, sigma^2); 0 where either is not a number."""
        return probability_inside(self.error, self.sigma, self.tolerance)

    @property
    def inside(self) -> bool:
        """The estimate itself lies inside the tolerance, however sure."""
        return abs(self.error) <= self.tolerance

    @property
    def sure(self) -> bool:
        """Inside the tolerance with the confidence asked for."""
        return self.inside and self.probability >= self.confidence

    @property
    def reachable(self) -> bool:
        """Whether even an estimate of exactly zero could be sure, at this spread."""
        return probability_inside(0.0, self.sigma, self.tolerance) >= self.confidence


def probability_inside(error: float, sigma: float, tolerance: float) -> float:
    """P(|x| <= tolerance) for x ~ N(error, sigma^2), 0 for any input that is not finite."""
    if not (math.isfinite(error) and math.isfinite(sigma)) or sigma < 0:
        return 0.0
    if sigma == 0:
        return 1.0 if abs(error) <= tolerance else 0.0
    scale = sigma * math.sqrt(2)
    # erf cancels in the far tails; both terms there are the same sign and the result is ~0 anyway
    return 0.5 * (math.erf((tolerance - error) / scale) - math.erf((-tolerance - error) / scale))


def layout_error_rad(layout: Layout, setup: Setup) -> float:
    """How far the rods lie from square to each other (T) or from parallel (pair), with sign."""
    square = math.pi / 2 if setup.view is View.FACE_ON else 0.0
    return layout.angle_rad - square


def governed(
    placement: Placement, layout: Layout | None, framing: Framing | None, setup: Setup
) -> tuple[Governed, ...]:
    """The governed quantities in the order in which a person can act on them.

    Always: offset, yaw, roll. Height and distance where the goal states them and they have a
    tolerance, framing where the goal asks for it, the rods' own angle once it is measured.
    """
    tol, goal = setup.tolerance, setup.goal
    p = placement
    out: list[Governed] = []

    def add(quantity: Quantity, error: float, sigma: float, tolerance: float) -> None:
        out.append(Governed(quantity, error, sigma, tolerance, tol.confidence))

    if layout is not None and layout.measured:
        add(Quantity.LAYOUT, layout_error_rad(layout, setup), layout.sigma_rad, tol.layout_rad)
    if goal.distance_m is not None and tol.distance_m is not None:
        # A stated distance from which the swing cannot fit gives way to the framing asked for.
        beyond_m = 0.0
        if goal.framing and framing is not None and framing.cure is Cure.BACK:
            beyond_m = framing.back_m
        error_m = p.distance_m - goal.distance_m - beyond_m
        add(Quantity.DISTANCE, error_m, p.sigma("distance_m"), tol.distance_m)
    if goal.framing:
        # Yes or no: 0 is inside the tolerance of one half, 1 is not.
        fits = framing is not None and framing.ok
        add(Quantity.FRAMING, 0.0 if fits else 1.0, 0.0, 0.5)
    add(Quantity.OFFSET, p.offset_m, p.sigma("offset_m"), tol.offset_m)
    if goal.height_m is not None and tol.height_m is not None:
        add(Quantity.HEIGHT, p.height_m - goal.height_m, p.sigma("height_m"), tol.height_m)
    add(Quantity.YAW, p.yaw_rad, p.sigma("yaw_rad"), tol.yaw_rad)
    add(Quantity.ROLL, p.roll_rad, p.sigma("roll_rad"), tol.roll_rad)
    return tuple(out)
