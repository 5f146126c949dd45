"""Several views of one unmoved layout in one least-squares problem: the numerical core of a walk.

Unknown are fifteen numbers that all views share (`vision.known.SHARED`, then by how many of its
sigmas each rod's end is always seen too far along it) and six of each view (the first six of
`vision.model.NAMES`). Views see each other only through the shared ones, so each
step eliminates the views first and solves for the shared (Schur complement; Triggs, McLauchlan,
Hartley and Fitzgibbon 2000, "Bundle adjustment, a modern synthesis", section 6.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.known import SHARED
from vision.misfit import BEND_STEP, MAX_BEND, STEP
from vision.model import COUNT, View2D, inverse, measured

OWN = 6  # parameters of each view
JOINT = len(SHARED) + 4
ROWS = 11  # of each view: 4 of lines, 4 of ends, then height, pitch and roll
MEASURED = 8
ENDS = slice(4, 8)  # rows of the ends
BIAS = slice(9, 11)  # shared parameters: the sensor's fixed error
ALWAYS = slice(11, 15)  # the ends' errors that are the same in all views
ITERATIONS = 100
# Robust scales (in sigmas) that a fit with wrong views or covered ends goes through. Geman and
# McClure's weight at scale c is (1 + r^2 / c^2)^-2.
SCALES = (100.0, 30.0, 10.0, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """n views, their arrays stacked, and what is known beforehand.

    `view`: a `View2D` whose arrays have a leading axis n. `own_mean`, `own_sigma` (n, 3): height
    (log), pitch and roll, as a sensor reads them or as phones are held. `sensed` (n,): pitch and
    roll are a sensor's, with its fixed error. `weight` (n, 8): of each measurement, 0 for none.
    `mean` (15,), `root` (15, 15): the shared prior, R^T R = cov^-1.
    """

    view: View2D
    own_mean: NDArray[np.float64]
    own_sigma: NDArray[np.float64]
    sensed: NDArray[np.bool_]
    weight: NDArray[np.float64]
    mean: NDArray[np.float64]
    root: NDArray[np.float64]

    def only(self, which: NDArray[np.bool_]) -> Problem:
        """The same with some of the views (n,)."""
        return replace(
            self,
            view=_each(self.view, which),
            own_mean=self.own_mean[which],
            own_sigma=self.own_sigma[which],
            sensed=self.sensed[which],
            weight=self.weight[which],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """`own` (n, 6) and `shared` (15,), with the cost chi^2 at the robust scale it was made with."""

    own: NDArray[np.float64]
    shared: NDArray[np.float64]
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class Information:
    """What an estimate rests on: whitened rows (n, 11), their weights and their derivatives.

    `elimination` (n, 6, 15): how a view's own parameters follow the shared ones.
    """

    rest: NDArray[np.float64]
    weight: NDArray[np.float64]
    by_own: NDArray[np.float64]
    by_shared: NDArray[np.float64]
    own_cov: NDArray[np.float64]  # (n, 6, 6), the shared ones taken as exact
    elimination: NDArray[np.float64]
    each: NDArray[np.float64]  # (n, 15, 15), what each view says of the shared ones
    shared: NDArray[np.float64]  # (15, 15), their sum with the prior
    shared_cov: NDArray[np.float64]


def stack(views: Sequence[View2D]) -> View2D:
    """One `View2D` with a leading axis from several of one kind."""
    arrays: dict[str, Any] = {
        field.name: np.stack([getattr(view, field.name) for view in views])
        for field in fields(View2D)
        if isinstance(getattr(views[0], field.name), np.ndarray)
    }
    return replace(views[0], **arrays)


def _each(view: View2D, which: NDArray[np.bool_]) -> View2D:
    arrays: dict[str, Any] = {
        field.name: getattr(view, field.name)[which]
        for field in fields(View2D)
        if isinstance(getattr(view, field.name), np.ndarray)
    }
    return replace(view, **arrays)


def whole(own: NDArray[np.float64], shared: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each view's parameters (n, COUNT) in the order of `vision.model.NAMES`."""
    other = np.broadcast_to(shared[None, : COUNT - OWN], (len(own), COUNT - OWN))
    return np.concatenate([own, other], axis=-1)


def rows(
    problem: Problem, own: NDArray[np.float64], shared: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Whitened misfits (n, 11) of every view, weights left out."""
    seen = measured(problem.view, whole(own, shared))
    seen[:, ENDS] += shared[ALWAYS]
    return np.concatenate([seen, _sensed(problem, own, shared)], axis=-1)


def _sensed(
    problem: Problem, own: NDArray[np.float64], shared: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Height, pitch and roll against sensor and prior (n, 3): reading = truth + bias + noise."""
    said = np.stack([own[:, 2], own[:, 4], own[:, 5]], axis=-1)
    said[:, 1:] += np.where(problem.sensed[:, None], shared[BIAS], 0.0)
    return np.asarray((said - problem.own_mean) / problem.own_sigma)


def _slopes(
    problem: Problem, own: NDArray[np.float64], shared: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Derivatives (n, 11, 6) by each view's own and (n, 11, 15) by the shared parameters."""
    count = len(own)
    at = whole(own, shared)
    step = np.eye(COUNT)[:, None, :] * STEP
    out = measured(problem.view, np.stack([at - step, at + step]))
    slope = np.moveaxis((out[1] - out[0]) / (2 * STEP)[:, None, None], 0, -1)  # (n, 8, COUNT)
    by_own = np.zeros((count, ROWS, OWN))
    by_shared = np.zeros((count, ROWS, JOINT))
    by_own[:, :MEASURED] = slope[..., :OWN]
    by_shared[:, :MEASURED, : COUNT - OWN] = slope[..., OWN:]
    by_shared[:, ENDS, ALWAYS] = np.eye(4)
    for row, entry in zip(range(MEASURED, ROWS), (2, 4, 5), strict=True):
        by_own[:, row, entry] = 1.0 / problem.own_sigma[:, row - MEASURED]
    for row, entry in ((9, 9), (10, 10)):
        by_shared[:, row, entry] = problem.sensed / problem.own_sigma[:, row - MEASURED]
    return by_own, by_shared


def _weights(problem: Problem, rest: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """Weight of each row (n, 11); sensor and priors keep theirs."""
    weight = np.ones_like(rest)
    weight[:, :MEASURED] = problem.weight
    if np.isfinite(scale):
        weight[:, :MEASURED] *= (1.0 + (rest[:, :MEASURED] / scale) ** 2) ** -2.0
    return weight


def _cost(
    problem: Problem, rest: NDArray[np.float64], shared: NDArray[np.float64], scale: float
) -> float:
    square = rest**2
    seen = square[:, :MEASURED]
    if np.isfinite(scale):
        seen = seen / (1.0 + seen / scale**2)
    prior = problem.root @ (shared - problem.mean)
    seen = problem.weight * seen
    return float(seen.sum() + square[:, MEASURED:].sum() + prior @ prior)


@dataclass(frozen=True, slots=True, eq=False)
class _Normal:
    """The weighted normal equations at one point: own blocks a, coupling b, shared block c."""

    by_own: NDArray[np.float64]
    by_shared: NDArray[np.float64]
    weight: NDArray[np.float64]
    a: NDArray[np.float64]
    b: NDArray[np.float64]
    c: NDArray[np.float64]

    def gradient(
        self, rest: NDArray[np.float64], prior: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """J^T W r (n, 6) and (15,), with the shared prior's own part of it."""
        heavy = self.weight * rest
        own = np.einsum("nrp,nr->np", self.by_own, heavy)
        return own, np.einsum("nrp,nr->p", self.by_shared, heavy) + prior

    def solve(
        self, own: NDArray[np.float64], shared: NDArray[np.float64], damping: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The damped system's solution for a right side, views eliminated first."""
        a = self.a + damping * _diagonal(self.a)
        solved = np.linalg.solve(a, np.concatenate([self.b, own[..., None]], axis=-1))
        schur = self.c + damping * np.diag(np.diag(self.c))
        schur = schur - np.einsum("npq,npr->qr", self.b, solved[..., :-1])
        step = np.linalg.solve(schur, shared - np.einsum("npq,np->q", self.b, solved[..., -1]))
        return solved[..., -1] - solved[..., :-1] @ step, step

    def along(self, own: NDArray[np.float64], shared: NDArray[np.float64]) -> NDArray[np.float64]:
        """J times a step: (n, 11)."""
        return np.asarray(np.einsum("nrp,np->nr", self.by_own, own) + self.by_shared @ shared)

    def length(self, own: NDArray[np.float64], shared: NDArray[np.float64]) -> float:
        """A step's squared length, each parameter over its own scale."""
        scale = np.einsum("npp->np", self.a)
        return float((scale * own**2).sum() + np.diag(self.c) @ shared**2)


def fit(problem: Problem, start: Estimate, scale: float = np.inf) -> Estimate:
    """The nearest minimum by Levenberg-Marquardt, at a robust `scale` (inf: least squares).

    With geodesic acceleration, as in `vision.pose`: without a sensor the minimum lies in a narrow
    bent valley.
    """
    own, shared = start.own, start.shared
    rest = rows(problem, own, shared)
    cost = _cost(problem, rest, shared, scale)
    damping, small = 1e-4, 0
    prior = problem.root.T @ problem.root
    normal = _normal(problem, own, shared, rest, scale)
    for _ in range(ITERATIONS):
        gradient = normal.gradient(rest, prior @ (shared - problem.mean))
        own_step, step = (-part for part in normal.solve(*gradient, damping))
        ahead = rows(problem, own + BEND_STEP * own_step, shared + BEND_STEP * step)
        curved = (2 / BEND_STEP) * ((ahead - rest) / BEND_STEP - normal.along(own_step, step))
        bend = normal.solve(*normal.gradient(curved, np.zeros(JOINT)), damping)
        if normal.length(*bend) <= MAX_BEND**2 * normal.length(own_step, step):
            own_step, step = own_step - bend[0] / 2, step - bend[1] / 2
        trial_own, trial_shared = own + own_step, shared + step
        trial_own[:, 2] = np.clip(trial_own[:, 2], np.log(0.1), np.log(6.0))
        trial = rows(problem, trial_own, trial_shared)
        trial_cost = _cost(problem, trial, trial_shared, scale)
        if trial_cost < cost:
            small = small + 1 if cost - trial_cost < 1e-6 * (1.0 + cost) else 0
            own, shared, rest, cost = trial_own, trial_shared, trial, trial_cost
            if small == 2:
                break
            normal = _normal(problem, own, shared, rest, scale)
            damping = max(damping / 5, 1e-12)
        else:
            damping = damping * 5
            if damping > 1e8:
                break
    return Estimate(own, shared, cost)


def _normal(
    problem: Problem,
    own: NDArray[np.float64],
    shared: NDArray[np.float64],
    rest: NDArray[np.float64],
    scale: float,
) -> _Normal:
    by_own, by_shared = _slopes(problem, own, shared)
    weight = _weights(problem, rest, scale)
    heavy = np.swapaxes(by_own * weight[..., None], 1, 2)
    c = np.einsum("nrp,nrq->pq", by_shared * weight[..., None], by_shared)
    c = c + problem.root.T @ problem.root
    return _Normal(by_own, by_shared, weight, heavy @ by_own, heavy @ by_shared, c)


def fit_robustly(problem: Problem, start: Estimate) -> Estimate:
    """A minimum that a few wrong views and covered ends do not bend: scales made small in turn."""
    for scale in SCALES:
        start = fit(problem, start, scale)
    return start


def _diagonal(a: NDArray[np.float64]) -> NDArray[np.float64]:
    """The diagonals of (n, p, p) as matrices, nowhere zero."""
    return np.asarray(np.maximum(np.einsum("npp->np", a), 1e-9)[:, None] * np.eye(a.shape[-1]))


def information(problem: Problem, at: Estimate) -> Information:
    """What the estimate rests on, and its covariance without regard to misfit."""
    rest = rows(problem, at.own, at.shared)
    by_own, by_shared = _slopes(problem, at.own, at.shared)
    weight = _weights(problem, rest, np.inf)
    heavy = np.swapaxes(by_own * weight[..., None], 1, 2)
    b = heavy @ by_shared
    own_cov = np.linalg.pinv(heavy @ by_own, hermitian=True)
    elimination = np.asarray(own_cov @ b, np.float64)
    each = np.swapaxes(by_shared * weight[..., None], 1, 2) @ by_shared
    each = np.asarray(each - np.swapaxes(b, 1, 2) @ elimination, np.float64)
    shared = each.sum(axis=0) + problem.root.T @ problem.root
    return Information(
        rest=rest,
        weight=weight,
        by_own=by_own,
        by_shared=by_shared,
        own_cov=np.asarray(own_cov, np.float64),
        elimination=elimination,
        each=each,
        shared=shared,
        shared_cov=inverse(shared),
    )


def covariance(info: Information, view: int) -> NDArray[np.float64]:
    """Joint covariance (21, 21) of one view's own parameters and the shared ones."""
    follow = np.concatenate([-info.elimination[view], np.eye(JOINT)])
    out = follow @ info.shared_cov @ follow.T
    out[:OWN, :OWN] += info.own_cov[view]
    return np.asarray(out)
