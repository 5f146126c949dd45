"""The views of a walk as measurements: what each saw, what is known beforehand, where to start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.bundle import Problem, stack
from vision.errors import TeesquareError
from vision.known import KnownRods
from vision.model import LEAST_SIGMA, observe, shared_prior, whitening
from vision.pose import Pose, solve_pose, start_cost
from vision.rods import Rods
from vision.setup import Setup, Tilt

# How phones are held on a walk from above the rods to the tripod; common practice, no source.
# Wide, since every view of a walk adds the same prior once more.
HEIGHT_M = (1.3, 1.5)  # sigma relative
PITCH_RAD = (np.deg2rad(-40.0), np.deg2rad(40.0))
ROLL_RAD = (0.0, np.deg2rad(15.0))
START_PITCHES_RAD = np.deg2rad([-15.0, -35.0, -58.0, -78.0])
START_SIGMA_RAD = float(np.deg2rad(12.0))
# Where a club's shaft is seen to end (grip cap, hosel) is not quite where its length was measured
# to, and much the same in all views: in the length, and in sigmas of each end. Averaging views must
# not shrink that. From the project's own scenes.
CLUB_LENGTH = 0.02
CLUB_END = 1.0
STICK_END = 0.3
BIAS_RAD = float(np.deg2rad(0.7))  # of a sensor that nobody read yet; as in `vision.tilt`


class WalkError(TeesquareError):
    """Views that cannot belong to one walk."""


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """One view's rods in a picture of `size`, and what is stated of it (its own tilt included)."""

    rods: Rods
    size: tuple[int, int]
    setup: Setup


def check_together(sights: Sequence[Sight]) -> None:
    """Raises WalkError unless all views have one size, layout, hand, and stated lens and rods."""
    first = sights[0]
    for sight in sights[1:]:
        if sight.size != first.size:
            raise WalkError(
                f"views of {first.size} and of {sight.size} pixels cannot be solved together: "
                "keep the phone's way up and its zoom"
            )
        if replace(sight.setup, tilt=first.setup.tilt) != first.setup:
            raise WalkError(
                "views with different facts cannot be solved together: state the same view, hand, "
                "rods and lens for all"
            )


def problem_of(sights: Sequence[Sight]) -> Problem:
    """Measurements of all views, and priors."""
    setup, size = sights[0].setup, sights[0].size
    tilts = [sight.setup.tilt for sight in sights]
    own_mean = np.array([[np.log(HEIGHT_M[0]), *_held(tilt)[0]] for tilt in tilts])
    own_sigma = np.array([[HEIGHT_M[1], *_held(tilt)[1]] for tilt in tilts])
    views = [observe(sight.rods.both, size, sight.setup) for sight in sights]
    mean, cov = _shared(size, setup, tilts)
    weight = np.ones((len(views), 8))
    for row, view in zip(weight, views, strict=True):
        row[4:] = np.isfinite(view.end_sigma).reshape(-1)
    plain = [
        replace(v, prior_root=None, end_sigma=np.where(np.isfinite(v.end_sigma), v.end_sigma, 1e6))
        for v in views
    ]
    return Problem(
        view=stack(plain),
        own_mean=own_mean,
        own_sigma=own_sigma,
        sensed=np.array([tilt is not None for tilt in tilts]),
        weight=weight,
        mean=mean,
        root=whitening(cov),
    )


def _shared(
    size: tuple[int, int], setup: Setup, tilts: Sequence[Tilt | None]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is known beforehand of the shared parameters: mean (15,) and covariance (15, 15)."""
    always = np.repeat(np.where(setup.clubs, CLUB_END, STICK_END), 2)
    mean, cov = np.zeros(15), np.diag(np.append(np.ones(11), always**2))
    if setup.known is not None:
        known = setup.known.at(size)
        mean[:11], cov[:11, :11] = known.mean, known.cov
        return mean, cov
    mean[:9], sigma = shared_prior(size, setup)
    sigma[4:6] = np.hypot(sigma[4:6], np.where(setup.clubs, CLUB_LENGTH, 0.0))
    bias = next((t.bias_sigma_rad for t in tilts if t is not None), BIAS_RAD)
    sigma = np.append(sigma, [max(bias, LEAST_SIGMA)] * 2)
    cov[:11, :11] = np.diag(sigma**2)
    return mean, cov


def _held(tilt: Tilt | None) -> tuple[tuple[float, float], tuple[float, float]]:
    """Pitch and roll beforehand: mean and sigma."""
    if tilt is None:
        return (PITCH_RAD[0], ROLL_RAD[0]), (PITCH_RAD[1], ROLL_RAD[1])
    pitch, roll = (max(sigma, LEAST_SIGMA) for sigma in tilt.noise_rad)
    return (tilt.pitch_rad, tilt.roll_rad), (pitch, roll)


def alone(sight: Sight, known: KnownRods | None) -> Pose:
    """One view by itself; without a sensor the phone may look anywhere from ahead to down."""
    setup = replace(sight.setup, known=known)
    if setup.tilt is not None:
        return solve_pose(sight.rods, sight.size, setup)
    tilts = [Tilt(float(pitch), 0.0, START_SIGMA_RAD) for pitch in START_PITCHES_RAD]
    setups = [replace(setup, tilt=tilt) for tilt in tilts]
    setups.sort(key=lambda each: start_cost(sight.rods, sight.size, each))
    poses = [solve_pose(sight.rods, sight.size, each) for each in setups[:2]]
    return min(poses, key=lambda pose: pose.cost)
