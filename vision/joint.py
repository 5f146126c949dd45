"""Two stands of a lens solved together: what belongs to phone, lens and sticks is one and the same.

Focal length, principal point, distortion, the sticks' lengths and the tilt sensor's fixed error are
unknowns of both views at once where the kit is the same; place, turn and the rods' layout are each
view's own, for the rods are laid anew. By Gauss-Newton on whitened rows with priors; the covariance
is s^2 (J^T J)^-1 with s^2 = max(1, chi^2 / degrees of freedom), as in `vision.pose`. What the
common unknowns err by then cancels in differences, the more the nearer the two stands are (Hartley
and Zisserman, Multiple View Geometry, 2nd ed., 18.1; JCGM 100:2008, F.1.2.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.model import (
    HEIGHT_M,
    LEAST_SIGMA,
    PITCH_RAD,
    ROLL_RAD,
    STEP,
    View2D,
    measured,
    shared_prior,
    whitening,
)
from vision.placement import QUANTITIES, Layout, Placement, place, slopes
from vision.pose import Pose
from vision.setup import Setup
from vision.standing import Standing
from vision.steady import Steady

KIT = 8  # log_focal, cx, cy, k1 (of the longer side), log lengths, bias of pitch and roll
OWN = 9  # right, forward, log height, heading, pitch, roll, lean, place a, place b
CENTRE = (1, 2)
ROUNDS = 12
DONE = 1e-7
MISFIT_LIMIT = 25.0  # as `vision.read`: from here on these are no such rods
SHAPE = 0.02

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Both:
    """Two stands, a before b, and their joint covariance.

    `cov` (18, 18): of a's nine, then b's, in the order of `vision.placement.slopes`: the six of
    `QUANTITIES`, the rods' angle, the square offset (T), the separation (pair).
    """

    a: Placement
    b: Placement
    layout_a: Layout
    layout_b: Layout
    cov: Array

    @property
    def difference(self) -> Array:
        """B minus a (6,), metres and radians."""
        return _six(self.b) - _six(self.a)

    @property
    def difference_cov(self) -> Array:
        """Its covariance (6, 6)."""
        by = np.hstack([-np.eye(6, 9), np.eye(6, 9)])
        return np.asarray(by @ self.cov @ by.T)


def both_of(a: Standing, b: Standing, layout_a: Layout, layout_b: Layout) -> Both:
    """The same from two standings solved each for itself, with what they share.

    What the rods' angle and the place have in common is not known then; it is taken for nothing.
    """
    cov = np.zeros((18, 18))
    cov[:6, :6], cov[9:15, 9:15] = a.placement.cov, b.placement.cov
    if a.kit and a.kit == b.kit and a.shared.shape == b.shared.shape:
        cov[:6, 9:15] = a.shared @ b.shared.T
        cov[9:15, :6] = cov[:6, 9:15].T
    for first, layout in ((6, layout_a), (15, layout_b)):
        own = (layout.sigma_rad, layout.square_offset_sigma_m, layout.separation_sigma_m)
        cov[range(first, first + 3), range(first, first + 3)] = [(s or 0.0) ** 2 for s in own]
    return Both(a.placement, b.placement, layout_a, layout_b, cov)


def joint(a: Steady, b: Steady, same_kit: bool, same_rods: bool = False) -> Both | None:
    """Both stands solved together; None where the rods of one of them fit no pose.

    `same_kit`: the same phone, lens and sticks. `same_rods`: they lie untouched, so that what is
    not known of how they lie is one and the same too. Both views must be of one kind and hand; the
    place is told from the line that `b` names.
    """
    setup_a = replace(a.setup, line=b.setup.line)
    pose_a, pose_b = replace(a, setup=setup_a).pose(), b.pose()
    views = (_View(pose_a, setup_a, a.size), _View(pose_b, b.setup, b.size))
    kits = _kits(a.size, b.size, same_kit)
    count = max(int(k.max()) for k in kits) + 1
    where = [np.concatenate([kit, count + OWN * k + np.arange(OWN)]) for k, kit in enumerate(kits)]
    if same_rods:
        where[0][KIT + 6 :] = where[1][KIT + 6 :]
    start = np.zeros(count + 2 * OWN)
    for view, index in zip(views, where, strict=True):  # b last: the common part begins as there
        start[index] = view.numbers()
    if same_rods:  # a's own three are no unknowns any more
        used = np.unique(np.concatenate(where))
        start = start[used]
        where = [np.searchsorted(used, index) for index in where]
    problem = _Problem(views, where, _priors(views, where, len(start)))
    params, rows, slope = _solve(problem, start)
    freedom = max(len(rows) - len(start), 1)
    misfit = float(rows @ rows) / freedom
    if not math.isfinite(misfit) or misfit > MISFIT_LIMIT:
        return None
    cov = np.linalg.pinv(slope.T @ slope, hermitian=True) * max(1.0, misfit)
    placed = []
    by = np.zeros((18, len(start)))
    for k, (view, index) in enumerate(zip(views, where, strict=True)):
        whole = view.whole(params[index])
        full = np.zeros((15, KIT + OWN))
        full[_PLACE, KIT + np.arange(6)] = 1.0
        full[_SHAPE, KIT + np.arange(6, 9)] = 1.0
        full[np.arange(6, 12), np.arange(6)] = view.scale
        by[9 * k : 9 * k + 9][:, index] = slopes(whole, view.setup) @ full
        placed.append(replace(view.pose, params=whole))
    joint_cov = np.asarray(by @ cov @ by.T)
    out = []
    for k, (pose, view) in enumerate(zip(placed, views, strict=True)):
        placement, layout = place(pose, view.setup)
        own = joint_cov[9 * k : 9 * k + 9, 9 * k : 9 * k + 9]
        sigma = np.sqrt(np.maximum(np.diag(own), 0.0))
        layout = replace(
            layout,
            sigma_rad=float(sigma[6]),
            square_offset_sigma_m=None if layout.square_offset_m is None else float(sigma[7]),
            separation_sigma_m=None if layout.separation_m is None else float(sigma[8]),
        )
        out.append((replace(placement, cov=own[:6, :6]), layout))
    (place_a, layout_a), (place_b, layout_b) = out
    return Both(place_a, place_b, layout_a, layout_b, joint_cov)


_PLACE = np.arange(6)
_SHAPE = np.arange(12, 15)


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """One stand: what is measured, and how its 15 numbers come from kit (8) and own ones (9)."""

    pose: Pose
    setup: Setup
    size: tuple[int, int]

    @property
    def view(self) -> View2D:
        return self.pose.view

    @property
    def scale(self) -> Array:
        """Of the kit's first six to those of `vision.model.NAMES`."""
        long = float(max(self.size))
        return np.array([1.0, long, long, 1.0, 1.0, 1.0])

    @property
    def shift(self) -> Array:
        long = float(max(self.size))
        middle = (np.array(self.size) - 1) / 2
        return np.array([math.log(long), *middle, 0.0, 0.0, 0.0])

    def whole(self, numbers: Array) -> Array:
        """(..., 15) in the order of `vision.model.NAMES` from (..., 17)."""
        kit = numbers[..., :6] * self.scale + self.shift
        own = numbers[..., KIT:]
        return np.concatenate([own[..., :6], kit, own[..., 6:]], axis=-1)

    def numbers(self) -> Array:
        """The 17 of this view's own pose, without bias."""
        params = self.pose.params
        kit = (params[6:12] - self.shift) / self.scale
        return np.concatenate([kit, [0.0, 0.0], params[:6], params[12:]])


def _kits(
    size_a: tuple[int, int], size_b: tuple[int, int], same: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which unknowns are each view's kit."""
    kit_b = np.arange(KIT)
    if not same:
        return np.arange(KIT, 2 * KIT), kit_b
    kit_a = kit_b.copy()
    if abs(math.log(size_a[0] * size_b[1] / (size_a[1] * size_b[0]))) > SHAPE:
        # Turned, or another crop: the middle of the picture is another place of the lens.
        kit_a[list(CENTRE)] = KIT, KIT + 1
    return kit_a, kit_b


def _priors(
    views: tuple[_View, _View], where: list[NDArray[np.intp]], count: int
) -> tuple[Array, Array]:
    """Linear rows R p - r: R (n, count), r (n,). What both share is stated once."""
    rows: list[Array] = []
    right: list[float] = []
    covered: set[int] = set()

    def add(index: NDArray[np.intp], root: Array, mean: Array) -> None:
        row = np.zeros((len(root), count))
        row[:, index] = root
        rows.extend(row)
        right.extend((root @ mean).tolist())

    order = sorted(zip(views, where, strict=True), key=lambda v: v[0].setup.known is None)
    for view, index in order:
        _tilt_rows(view, index, add)
        known = view.setup.known
        layout = index[KIT + 6 :]
        if known is not None:
            known = known.at(view.size)
            eleven = np.concatenate([index[:6], layout, index[6:8]])
            scale = np.concatenate([view.scale, np.ones(5)])
            mean = known.mean.copy()
            mean[:6] -= view.shift
            add(eleven, whitening(known.cov) * scale, mean / scale)
            covered.update(eleven.tolist())
            continue
        mean, sigma = shared_prior(view.size, view.setup)
        if int(layout[0]) not in covered:
            add(layout, np.diag(1 / sigma[6:]), mean[6:])
            covered.update(layout.tolist())
        tilt = view.setup.tilt
        bias = LEAST_SIGMA if tilt is None else max(tilt.bias_sigma_rad, LEAST_SIGMA)
        kit_mean = np.concatenate([(mean[:6] - view.shift) / view.scale, [0.0, 0.0]])
        kit_sigma = np.concatenate([sigma[:6] / view.scale, [bias, bias]])
        fresh = [k for k in range(KIT) if int(index[k]) not in covered]
        add(index[fresh], np.diag(1 / kit_sigma[fresh]), kit_mean[fresh])
        covered.update(index[:KIT].tolist())
    return np.array(rows), np.array(right)


def _tilt_rows(view: _View, index: NDArray[np.intp], add: object) -> None:
    """The sensor reads tilt plus fixed error plus noise; without one, how phones are held."""
    assert callable(add)
    tilt = view.setup.tilt
    pitch_roll = index[KIT + 4 : KIT + 6]
    if tilt is None:
        add(pitch_roll, np.diag([1 / PITCH_RAD[1], 1 / ROLL_RAD[1]]), np.array([PITCH_RAD[0], 0.0]))
    else:
        noise = 1 / np.maximum(tilt.noise_rad, LEAST_SIGMA)
        both = np.concatenate([pitch_roll, index[6:8]])
        root = np.hstack([np.diag(noise), np.diag(noise)])
        read = np.array([tilt.pitch_rad, tilt.roll_rad, 0.0, 0.0])
        add(both, root, read)
    height = index[KIT + 2 : KIT + 3]
    add(height, np.array([[1 / HEIGHT_M[1]]]), np.log([HEIGHT_M[0]]))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    views: tuple[_View, _View]
    where: list[NDArray[np.intp]]
    prior: tuple[Array, Array]

    def rows(self, params: Array) -> Array:
        """Whitened misfits (..., n) of parameters (..., count)."""
        root, right = self.prior
        parts = [
            measured(view.view, view.whole(params[..., index]))
            for view, index in zip(self.views, self.where, strict=True)
        ]
        return np.concatenate([*parts, params @ root.T - right], axis=-1)

    def steps(self, count: int) -> Array:
        """Steps for derivatives: those of `vision.model.STEP` in these units."""
        out = np.full(count, 1e-6)
        for view, index in zip(self.views, self.where, strict=True):
            step = np.asarray(STEP)
            own = np.concatenate([step[6:12] / view.scale, [1e-6, 1e-6], step[:6], step[12:]])
            out[index] = own
        return out


def _solve(problem: _Problem, start: Array) -> tuple[Array, Array, Array]:
    """Gauss-Newton with halved steps: parameters, rows and derivatives at the end."""
    params = start
    step = problem.steps(len(start))
    sides = np.diag(step)

    def slopes_at(at: Array) -> tuple[Array, Array]:
        here, plus, minus = np.split(
            problem.rows(at + np.vstack([0 * at, sides, -sides])), [1, 1 + len(at)]
        )
        return here[0], ((plus - minus) / (2 * step[:, None])).T

    rows, slope = slopes_at(params)
    for _ in range(ROUNDS):
        change = np.linalg.lstsq(slope, -rows, rcond=None)[0]
        cost = float(rows @ rows)
        for half in range(6):
            trial = params + change * 0.5**half
            if float((problem.rows(trial) ** 2).sum()) <= cost + 1e-12:
                break
        else:
            break
        params = trial
        rows, slope = slopes_at(params)
        if float(np.abs(change / step).max()) * 1e-6 < DONE or abs(
            cost - float(rows @ rows)
        ) < 1e-9 * (1 + cost):
            break
    return params, rows, slope


def _six(place: Placement) -> Array:
    return np.array([getattr(place, name) for name in QUANTITIES])
