"""The parametric model of one view: where the rods' ends and lines fall in the picture.

Everything is in the *view frame*: right, forward, up as seen by someone behind the phone who looks
along the true line (docs/conventions.md). T: origin at the junction, target rod along right.
Pair: origin at the middle of the toe rod, which lies along forward. `vision.placement` turns it
into the ground frame's signs for either hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.known import SHARED, KnownRods
from vision.lens import straight
from vision.misfit import COUNT as COUNT
from vision.misfit import NEAREST_M, SEEN, Numbers, measured_rows
from vision.misfit import ROD_RADIUS_M as ROD_RADIUS_M
from vision.misfit import STEP as STEP
from vision.rods import End, Rod
from vision.setup import Handed, LensSource, Setup, Tilt, View

NAMES = (
    "right_m",
    "forward_m",
    "log_height",
    "heading_rad",
    "pitch_rad",
    "roll_rad",
    *SHARED[:9],
)

# Priors (mean, sigma). How people lay rods and hold phones; common practice, no source.
HEIGHT_M = (1.1, 0.5)  # sigma relative
PITCH_RAD = (np.deg2rad(-20.0), np.deg2rad(20.0))
ROLL_RAD = (0.0, np.deg2rad(6.0))
T_LEAN_RAD = np.deg2rad(2.5)
PAIR_LEAN_RAD = np.deg2rad(2.0)
T_CENTRE_M = 0.12
T_FOOT_M = 0.05
PAIR_SEPARATION_M = (0.54, 0.2)
PAIR_STAGGER_M = 0.4
# Phone cameras: the optical axis sits within about half a per cent of the picture's middle, and
# distortion is corrected to a few per cent. From memory of phone calibrations.
CENTRE_SIGMA = 0.005
K1_SIGMA = 0.03
# Main lenses of phones are 24 to 28 mm (35 mm equivalent), cropped by video stabilisation:
# 0.78 of the longer side, give or take 12 %. From memory.
ASSUMED_FOCAL = 0.78
ASSUMED_FOCAL_SIGMA = 0.12
UNSTATED_LENGTH_SIGMA = 0.08
LEAST_SIGMA = 1e-4  # of angles and relative lengths: nothing is exact

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class View2D:
    """One view's measurements and priors, ready for the solver.

    `line_px` (2, 2, 2): two points of each rod's line, 1/sqrt(12) of its length from the middle;
    `line_sigma` (2, 2): of their common error (the line is shifted), and of half their difference
    (it is turned), which are independent.
    `end_px` (2, 2, 2), `end_sigma` (2, 2) (inf where not seen), `along` (2, 2) unit directions.
    """

    pair: bool
    side: float  # pair: +1 where the ball rod lies right of the toe rod
    line_px: NDArray[np.float64]
    line_sigma: NDArray[np.float64]
    end_px: NDArray[np.float64]
    end_sigma: NDArray[np.float64]
    along: NDArray[np.float64]
    prior_mean: NDArray[np.float64]
    prior_sigma: NDArray[np.float64]
    # (COUNT, COUNT) R with prior rows R (params - mean); None: independent, 1 / prior_sigma each
    prior_root: NDArray[np.float64] | None = None

    def numbers(self) -> Numbers:
        """What `vision.misfit` reads: arrays with a leading axis of views, one or several."""
        return (
            self.pair,
            self.side,
            np.ascontiguousarray(self.line_px.reshape(-1, 2, 2, 2)),
            np.ascontiguousarray(self.line_sigma.reshape(-1, 2, 2)),
            np.ascontiguousarray(self.end_px.reshape(-1, 2, 2, 2)),
            np.ascontiguousarray(self.end_sigma.reshape(-1, 2, 2)),
            np.ascontiguousarray(self.along.reshape(-1, 2, 2)),
        )

    def root(self) -> NDArray[np.float64]:
        """(COUNT, COUNT), lower triangular: the prior's rows are root (params - prior_mean)."""
        if self.prior_root is None:
            return np.diag(1.0 / self.prior_sigma)
        return np.ascontiguousarray(self.prior_root)


def observe(rods: tuple[Rod, Rod], size: tuple[int, int], setup: Setup) -> View2D:
    """Measurements and priors of one view of two rods in a picture of `size` (width, height)."""
    ends = straight(np.stack([rod.ends_px for rod in rods]), setup.lens)
    middle = ends.mean(axis=1, keepdims=True)
    span = ends - middle
    along = span[:, 1] / np.linalg.norm(span[:, 1], axis=1, keepdims=True)
    end_sigma = np.array(
        [
            [
                s if kind is End.SEEN else np.inf
                for s, kind in zip(r.end_sigma_px, r.ends, strict=True)
            ]
            for r in rods
        ]
    )
    mean, sigma = _priors(size, setup)
    root = None
    if setup.known is not None:
        mean, sigma, root = _known_priors(setup.known.at(size), setup.tilt, mean, sigma)
    return View2D(
        pair=setup.view is View.DOWN_THE_LINE,
        side=1.0 if setup.handed is Handed.RIGHT else -1.0,
        line_px=middle + span / np.sqrt(3.0),
        line_sigma=np.array(
            [np.sqrt(0.5) * r.line_sigma_px * np.array([1.0, 1.0 / r.line_reach]) for r in rods]
        ),
        end_px=ends,
        end_sigma=end_sigma,
        along=along,
        prior_mean=mean,
        prior_sigma=sigma,
        prior_root=root,
    )


def _priors(size: tuple[int, int], setup: Setup) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What people usually do, and what is stated: mean and sigma (inf: nothing) of each."""
    longer = max(size)
    mean = np.zeros(COUNT)
    sigma = np.full(COUNT, np.inf)
    mean[2], sigma[2] = np.log(HEIGHT_M[0]), HEIGHT_M[1]
    if setup.tilt is None:
        mean[4], sigma[4] = PITCH_RAD
        mean[5], sigma[5] = ROLL_RAD
    else:
        spread = np.hypot(setup.tilt.noise_rad, setup.tilt.bias_sigma_rad)
        mean[4], mean[5] = setup.tilt.pitch_rad, setup.tilt.roll_rad
        sigma[4:6] = np.maximum(spread, LEAST_SIGMA)
    focal_px, focal_sigma = focal_prior(size, setup)
    mean[6], sigma[6] = np.log(focal_px), max(focal_sigma / focal_px, LEAST_SIGMA)
    mean[7], mean[8] = (size[0] - 1) / 2, (size[1] - 1) / 2
    sigma[7] = sigma[8] = CENTRE_SIGMA * longer
    sigma[9] = K1_SIGMA
    lens = setup.lens
    if lens is not None and lens.source is not LensSource.ASSUMED:
        mean[7:9] = lens.centre_px or mean[7:9]
        sigma[7:9] = lens.centre_sigma_px or sigma[7:9]
        mean[9], sigma[9] = lens.k1, lens.k1_sigma or K1_SIGMA
    for k, role in enumerate(setup.roles):
        stated = role in setup.rod_lengths_m
        mean[10 + k] = np.log(setup.length_m(role))
        sigma[10 + k] = (
            max(setup.rod_length_sigma, LEAST_SIGMA) if stated else UNSTATED_LENGTH_SIGMA
        )
    if setup.view is View.FACE_ON:
        sigma[12:15] = T_LEAN_RAD, T_CENTRE_M, T_FOOT_M
    else:
        mean[13], sigma[13] = PAIR_SEPARATION_M
        sigma[12], sigma[14] = PAIR_LEAN_RAD, PAIR_STAGGER_M
    return mean, sigma


def shared_prior(
    size: tuple[int, int], setup: Setup
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and sigma (9,) of what all views of one setup share: `NAMES` from log_focal on."""
    mean, sigma = _priors(size, setup)
    return mean[6:], sigma[6:]


def _known_priors(
    known: KnownRods,
    tilt: Tilt | None,
    mean: NDArray[np.float64],
    sigma: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The same with what was measured before: mean, sigma and the whole prior's root.

    The tilt sensor's fixed error is known together with the rest, so that its reading of now is
    correlated with it: pitch = reading - bias - noise.
    """
    mean, sigma = mean.copy(), sigma.copy()
    mean[6:] = known.mean[:9]
    first, cov = 6, known.cov[:9, :9]
    if tilt is not None:
        first = 4
        mean[4:6] = np.array([tilt.pitch_rad, tilt.roll_rad]) - known.mean[9:]
        to_prior = np.zeros((11, 11))  # (pitch, roll, the nine) from the known eleven
        to_prior[:2, 9:] = -np.eye(2)
        to_prior[2:, :9] = np.eye(9)
        cov = to_prior @ known.cov @ to_prior.T
        cov[:2, :2] += np.diag(np.maximum(tilt.noise_rad, LEAST_SIGMA) ** 2)
    sigma[first:] = np.sqrt(np.diag(cov))
    root = np.diag(1.0 / sigma)
    root[first:, first:] = whitening(cov)
    return mean, sigma, root


def whitening(cov: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lower triangular R (n, n) with R^T R = cov^-1: row k is entry k given those before it."""
    scale = np.sqrt(np.diag(cov))
    factor = np.linalg.cholesky(cov / np.outer(scale, scale))
    return np.asarray(np.linalg.solve(factor, np.diag(1.0 / scale)))


def inverse(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of a positive definite matrix (n, n) of very differently scaled entries.

    The pseudo-inverse where it is singular: where the measurements and priors leave something open.
    """
    diagonal = np.diag(matrix)
    scale = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    units = np.outer(scale, scale)
    try:
        inverted = np.linalg.inv(matrix / units) / units
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrix, hermitian=True))
    return np.asarray((inverted + inverted.T) / 2)


def focal_prior(size: tuple[int, int], setup: Setup) -> tuple[float, float]:
    """Focal length and sigma in pixels: measured, stated, or what phones usually have."""
    if setup.known is not None:
        lens = setup.known.at(size).lens
        return lens.focal_px, lens.sigma_px
    if setup.lens is not None:
        return setup.lens.focal_px, setup.lens.sigma_px
    return ASSUMED_FOCAL * max(size), ASSUMED_FOCAL * ASSUMED_FOCAL_SIGMA * max(size)


def cam_from_view(params: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotations (..., 3, 3) from the view frame to OpenCV's camera frame."""
    sin, cos = np.sin(params[..., 3:6]), np.cos(params[..., 3:6])
    sh, sp, sr = sin[..., 0], sin[..., 1], sin[..., 2]  # heading, pitch, roll
    ch, cp, cr = cos[..., 0], cos[..., 1], cos[..., 2]
    out = np.empty((*params.shape[:-1], 3, 3))
    right_x, right_y = ch, -sh  # level axes; forward and down lean with the pitch
    down_x, down_y = sp * sh, sp * ch
    out[..., 0, 0] = cr * right_x + sr * down_x
    out[..., 0, 1] = cr * right_y + sr * down_y
    out[..., 0, 2] = -sr * cp
    out[..., 1, 0] = cr * down_x - sr * right_x
    out[..., 1, 1] = cr * down_y - sr * right_y
    out[..., 1, 2] = -cr * cp
    out[..., 2, 0] = cp * sh
    out[..., 2, 1] = cp * ch
    out[..., 2, 2] = sp
    return out


def ends_in_view(view: View2D, params: NDArray[np.float64]) -> NDArray[np.float64]:
    """Both rods' ends (..., 2 rods, 2 ends, 3) in the view frame, in the order of `Rod.ends_px`."""
    length = np.exp(params[..., 10:12])
    lean, a, b = params[..., 12], params[..., 13], params[..., 14]
    out = np.zeros((*params.shape[:-1], 2, 2, 3))
    out[..., 2] = ROD_RADIUS_M
    if view.pair:
        out[..., 0, 0, 1] = length[..., 0] / 2
        out[..., 0, 1, 1] = -length[..., 0] / 2
        # Closing toward the target: the ball rod's far end leans to the toe rod's side.
        along = np.stack([-view.side * np.sin(lean), np.cos(lean)], axis=-1)
        middle = np.stack([view.side * a, b], axis=-1)
        half = along * length[..., 1, None] / 2
        out[..., 1, 0, :2] = middle + half
        out[..., 1, 1, :2] = middle - half
        return out
    out[..., 0, 0, 0] = a - length[..., 0] / 2
    out[..., 0, 1, 0] = a + length[..., 0] / 2
    toward = np.stack([np.sin(lean), -np.cos(lean)], axis=-1)
    out[..., 1, 0, :2] = toward * b[..., None]
    out[..., 1, 1, :2] = toward * (b + length[..., 1])[..., None]
    return out


def project(params: NDArray[np.float64], points_view: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undistorted normalised coordinates (..., n, 2) of view-frame points (..., n, 3)."""
    centre = np.stack([params[..., 0], params[..., 1], np.exp(params[..., 2])], axis=-1)
    seen = np.einsum(
        "...ij,...nj->...ni", cam_from_view(params), points_view - centre[..., None, :]
    )
    depth = np.maximum(seen[..., 2:], NEAREST_M)
    return np.asarray(seen[..., :2] / depth)


def residuals(view: View2D, params: NDArray[np.float64]) -> NDArray[np.float64]:
    """Whitened misfits (..., 23): 4 of lines, 4 of ends, then the priors."""
    away = params - view.prior_mean
    root = view.prior_root
    priors = away / view.prior_sigma if root is None else away @ root.T
    return np.concatenate([measured(view, params), priors], axis=-1)


def measured(view: View2D, params: NDArray[np.float64]) -> NDArray[np.float64]:
    """Whitened misfits (..., 8) of the measurements alone: 4 of lines, 4 of ends.

    Of each line its shift and its turn, see `View2D`.

    The view's arrays may have leading axes of their own, which broadcast with those of `params`.
    """
    lead = np.broadcast_shapes(params.shape[:-1], view.line_sigma.shape[:-2])
    flat = np.broadcast_to(params, (*lead, COUNT)).reshape(-1, COUNT)
    views = view.line_sigma.shape[:-2]
    which = np.broadcast_to(np.arange(math.prod(views)).reshape(views), lead).ravel()
    out = measured_rows(view.numbers(), which, np.ascontiguousarray(flat))
    return np.asarray(out).reshape(*lead, SEEN)
