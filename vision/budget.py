"""What the spread of each quantity is made of, and what would narrow it most.

The pose is linear in its measurements' errors near the solution: dp = G e with the gain
G = (J^T J)^-1 J^T of whitened rows e, each of variance 1. A quantity q therefore has the variance
sum over rows of ((dq/dp) G)_row^2 (JCGM 100:2008, 5.1.2), and every row belongs to one source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.governed import governed
from vision.model import COUNT, NAMES
from vision.placement import QUANTITIES, place, slopes
from vision.pose import Pose, whitened_jacobian
from vision.setup import Setup, View

MEASURED_ROWS = 8  # of `vision.model.residuals`: 4 of lines and 4 of ends; then a prior each

# What a remedy can bring (sigmas). Sensor: as in `vision.tilt`. Focal length: a usual calibration.
# Rods: sticks as they are cut, then a folding rule. Everything else: half of what it is.
SENSOR_RAD = float(np.deg2rad(np.hypot(0.3, 0.7)))
CALIBRATED = 0.01
STATED_LENGTH = 0.01
MEASURED_LENGTH = 0.003
HALF = 0.5
WORTH = 0.9  # a remedy that leaves more than this share of every governed spread is not told


class Source(StrEnum):
    """Where uncertainty comes from. Keys of the texts file (`source.<value>`)."""

    PIXELS = "pixels"  # lines and ends in the picture, and doubt about which end is covered
    TILT = "tilt"  # pitch and roll: the sensor, or how phones are held
    FOCAL = "focal"  # focal length, principal point, distortion
    LAYOUT = "layout"  # how the rods lie to each other
    LENGTH = "length"  # how long the rods are
    OTHER = "other"  # how high lenses usually are


class How(StrEnum):
    """What a person can do about a source. Keys of the texts file (`explain.<value>`)."""

    TILT_SENSOR = "tilt-sensor"  # allow it
    TILT = "tilt"  # know the sensor better
    LENS = "lens"  # state the focal length
    FOCAL = "focal"  # know it better
    RODS = "rods"  # state their lengths
    LENGTH = "length"  # know them better
    LAYOUT = "layout"  # lay the rods with care
    PIXELS = "pixels"  # show them better


_PRIORS = {
    "log_height": Source.OTHER,
    "pitch_rad": Source.TILT,
    "roll_rad": Source.TILT,
    "log_focal": Source.FOCAL,
    "cx_px": Source.FOCAL,
    "cy_px": Source.FOCAL,
    "k1": Source.FOCAL,
    "log_length_1": Source.LENGTH,
    "log_length_2": Source.LENGTH,
    "lean_rad": Source.LAYOUT,
    "place_a_m": Source.LAYOUT,
    "place_b_m": Source.LAYOUT,
}
# Place and heading have no prior; their rows are zero, wherever they are counted.
SOURCE_OF_ROW = (
    *(Source.PIXELS for _ in range(MEASURED_ROWS)),
    *(_PRIORS.get(name, Source.OTHER) for name in NAMES),
)
BUDGETED = (*QUANTITIES, "angle_rad", "square_offset_m")


@dataclass(frozen=True, slots=True)
class Step:
    """What narrowing one source would bring: sigma of each of `Budget.quantities` afterwards.

    `share`: the sum of the squared governed spreads, each over its tolerance, after over before.
    """

    source: Source
    how: How
    sigma: dict[str, float]
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Budget:
    """Variances (len(quantities), len(Source)) of one reading, in the order of both names.

    Their sum over the sources is the quantity's own variance, misfit included. What the pose's
    covariance holds beyond propagation (which end is covered) counts as pixels. `misfit` is the
    factor by which a bad fit has widened every variance (1 for a good one). `steps`: what to do
    about it, the most useful first.
    """

    quantities: tuple[str, ...]
    variance: NDArray[np.float64]
    misfit: float
    steps: tuple[Step, ...]

    def sigma(self, quantity: str, source: Source | None = None) -> float:
        """One standard deviation of a quantity from one source, or from all."""
        row = self.variance[self.quantities.index(quantity)]
        part = row.sum() if source is None else row[list(Source).index(source)]
        return float(np.sqrt(part))


def error_budget(pose: Pose, setup: Setup) -> Budget:
    """The budget of the placement and layout that `vision.placement.place` gives for this pose."""
    jacobian = whitened_jacobian(pose)
    count = len(BUDGETED) if setup.view is View.FACE_ON else len(BUDGETED) - 1
    by_parameter = slopes(pose.params, setup)[:count]
    misfit = max(1.0, pose.misfit)
    gain = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True) @ jacobian.T
    parts = misfit * (by_parameter @ gain) ** 2
    rows = np.array([list(Source).index(source) for source in SOURCE_OF_ROW])
    variance = np.stack([parts[:, rows == k].sum(axis=1) for k in range(len(Source))], axis=1)
    whole = np.einsum("qp,pr,qr->q", by_parameter, pose.cov, by_parameter)
    beyond = np.maximum(whole - variance.sum(axis=1), 0.0)
    variance[:, list(Source).index(Source.PIXELS)] += beyond
    names = BUDGETED[:count]

    def sigma(factor: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sigma of every quantity with each row weighted by `factor`."""
        weighted = jacobian * factor[:, None]
        cov = misfit * np.linalg.pinv(weighted.T @ weighted, hermitian=True)
        own = np.einsum("qp,pr,qr->q", by_parameter, cov, by_parameter)
        return np.asarray(np.sqrt(own + beyond))

    return Budget(names, variance, misfit, _steps(sigma, names, pose, setup))


def _steps(
    sigma: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    names: tuple[str, ...],
    pose: Pose,
    setup: Setup,
) -> tuple[Step, ...]:
    """The remedies, each tried on the information matrix: best first, useless ones left out."""
    weight = _weights(pose, setup, names)
    before = sigma(np.ones(MEASURED_ROWS + COUNT))
    steps = []
    for source, how, narrower in _remedies(pose, setup):
        after = sigma(narrower)
        share = float((weight * after**2).sum() / (weight * before**2).sum())
        if (after[weight > 0] < WORTH * before[weight > 0]).any():
            steps.append(Step(source, how, dict(zip(names, after.tolist(), strict=True)), share))
    return tuple(sorted(steps, key=lambda step: step.share))


def _weights(pose: Pose, setup: Setup, names: tuple[str, ...]) -> NDArray[np.float64]:
    """One over the squared tolerance of each governed quantity, 0 for the others."""
    named = {"offset": "offset_m", "distance": "distance_m", "height": "height_m"}
    named |= {"yaw": "yaw_rad", "roll": "roll_rad", "layout": "angle_rad"}
    weight = np.zeros(len(names))
    for g in governed(*place(pose, setup), None, setup):
        if g.quantity.value in named:
            weight[names.index(named[g.quantity.value])] = g.tolerance**-2
    return weight


def _remedies(pose: Pose, setup: Setup) -> list[tuple[Source, How, NDArray[np.float64]]]:
    """(source, how, factor on each row of the whitened Jacobian) of what a person can do."""
    sigma = pose.view.prior_sigma

    def rows(*names: str) -> list[int]:
        return [MEASURED_ROWS + NAMES.index(name) for name in names]

    def known(where: list[int], reach: float | None) -> NDArray[np.float64]:
        """Rows narrowed to `reach`, or to half of what they are."""
        factor = np.ones(MEASURED_ROWS + COUNT)
        for row in where:
            now = float(sigma[row - MEASURED_ROWS])
            factor[row] = 1 / HALF if reach is None else max(1.0, now / reach)
        return factor

    looked = setup.known is not None
    sensor, assumed = setup.tilt is None, setup.lens is None and not looked
    unmeasured = not looked and any(role not in setup.rod_lengths_m for role in setup.roles)
    pixels = np.ones(MEASURED_ROWS + COUNT)
    pixels[:MEASURED_ROWS] = 1 / HALF
    tilt = known(rows("pitch_rad", "roll_rad"), SENSOR_RAD if sensor else None)
    focal = known(rows("log_focal"), CALIBRATED if assumed else None)
    length = known(
        rows("log_length_1", "log_length_2"), STATED_LENGTH if unmeasured else MEASURED_LENGTH
    )
    layout = known(rows("lean_rad", "place_a_m", "place_b_m"), None)
    return [
        (Source.TILT, How.TILT_SENSOR if sensor else How.TILT, tilt),
        (Source.FOCAL, How.LENS if assumed else How.FOCAL, focal),
        (Source.LENGTH, How.RODS if unmeasured else How.LENGTH, length),
        (Source.LAYOUT, How.LAYOUT, layout),
        (Source.PIXELS, How.PIXELS, pixels),
    ]
