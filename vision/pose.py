"""Stage 2: rods -> pose, by one small Levenberg-Marquardt with priors as rows, and its covariance.

Several starts are solved and every distinct minimum is kept. The covariance is
s^2 (J^T J)^-1 with s^2 = max(1, chi^2 / degrees of freedom): misfit widens it, agreement never
narrows it (Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.misfit import Numbers, minimise, slopes
from vision.model import (
    COUNT,
    View2D,
    cam_from_view,
    ends_in_view,
    inverse,
    observe,
    residuals,
)
from vision.rods import End, Rod, Rods
from vision.setup import Lens, LensSource, Setup, View

HIDDEN_GAIN = 9.0  # an end that costs this much chi^2 is covered, or runs on into something else
RUNS_ON_COST = 4.0
# A club's grip cap and head are found less exactly than is said of them: 95 % within 3.3 sigmas, of
# sticks' ends within 1.8 (272 and 456 ends in 185 path-traced scenes not learnt from).
CLUB_END = 1.6
START_TURNS_RAD = np.deg2rad([0.0, -8.0, 8.0])


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """One view's solution. `params` and `cov` are in the order of `vision.model.NAMES`.

    `misfit` = chi^2 per degree of freedom; `runner_up_ratio` = next distinct minimum's cost over
    the best's (inf where there is none); `hidden` (2, 2) marks ends taken as covered.
    """

    view: View2D
    params: NDArray[np.float64]
    cov: NDArray[np.float64]
    misfit: float
    cost: float
    residual_px: float
    runner_up_ratio: float
    hidden: NDArray[np.bool_]
    lens: Lens

    @property
    def cam_from_view(self) -> NDArray[np.float64]:
        """Rigid transform (4, 4) from the view frame to OpenCV's camera frame."""
        out = np.eye(4)
        out[:3, :3] = cam_from_view(self.params)
        centre = np.array([self.params[0], self.params[1], np.exp(self.params[2])])
        out[:3, 3] = -out[:3, :3] @ centre
        return out

    @property
    def distances_m(self) -> NDArray[np.float64]:
        """How far each rod's middle is from the lens (2,)."""
        middles = ends_in_view(self.view, self.params).mean(axis=1)
        lens = np.array([self.params[0], self.params[1], np.exp(self.params[2])])
        return np.asarray(np.linalg.norm(middles - lens, axis=1))


def solve_pose(rods: Rods, size: tuple[int, int], setup: Setup) -> Pose:
    """The lens's pose from two rods; covered ends are set aside one by one."""
    view = _alone(rods, size, setup)
    hidden = np.zeros((2, 2), bool)
    params, cost = _levenberg_marquardt(view, _starts(view, setup))
    rivals: list[_Without] = []
    for _ in range(2):
        least = int(cost.argmin())
        without = _without_one_end(view, params[least], float(cost[least]))
        if not without:
            break
        hidden[without[0].end] = True
        view = without[0].view
        rivals += without[1:]
        params, cost = _levenberg_marquardt(view, params)
    order = np.argsort(cost, kind="stable")
    best = params[order[0]]
    jacobian = _jacobian(view, best)
    rest = residuals(view, best)
    finite = np.isfinite(view.end_sigma).sum() + 4 + np.isfinite(view.prior_sigma).sum()
    freedom = max(int(finite) - COUNT, 1)
    misfit = float(rest @ rest) / freedom
    cov = inverse(jacobian.T @ jacobian) * max(1.0, misfit)
    cov = cov + _between(best, float(cost[order[0]]), rivals)
    others = [cost[k] for k in order[1:] if np.abs(params[k][:6] - best[:6]).max() > 0.02]
    ratio = float(others[0] / max(cost[order[0]], 1e-3)) if others else float("inf")
    pixels = rest[:8] * np.concatenate(
        [
            view.line_sigma.ravel(),
            np.where(np.isfinite(view.end_sigma), view.end_sigma, 0).ravel(),
        ]
    )
    focal = float(np.exp(best[6]))
    lens = Lens(
        focal,
        focal * float(np.sqrt(cov[6, 6])),
        lens_source(setup),
        float(best[9]),
    )
    return Pose(
        view=view,
        params=best,
        cov=cov,
        misfit=misfit,
        cost=float(cost[order[0]]),
        residual_px=float(np.sqrt((pixels[:4] ** 2).sum() / 2)),
        runner_up_ratio=ratio,
        hidden=hidden,
        lens=lens,
    )


def lens_source(setup: Setup) -> LensSource:
    """Where the focal length comes from."""
    if setup.known is not None:
        return setup.known.source
    return LensSource.ASSUMED if setup.lens is None else setup.lens.source


def whitened_jacobian(pose: Pose) -> NDArray[np.float64]:
    """Derivatives (23, COUNT) of `vision.model.residuals`' rows, each over its sigma, at the pose.

    Without misfit, the pose's covariance is (J^T J)^-1 of this matrix.
    """
    return _jacobian(pose.view, pose.params)


def start_cost(rods: Rods, size: tuple[int, int], setup: Setup) -> float:
    """The least cost of the places from which `solve_pose` would start: how promising they are."""
    view = _alone(rods, size, setup)
    return float((residuals(view, _starts(view, setup)) ** 2).sum(axis=-1).min())


def mark_hidden(rods: Rods, pose: Pose) -> Rods:
    """The rods with the ends that the pose set aside marked as hidden."""

    def marked(rod: Rod, row: NDArray[np.bool_]) -> Rod:
        kinds = tuple(End.HIDDEN if h else k for h, k in zip(row, rod.ends, strict=True))
        return replace(rod, ends=(kinds[0], kinds[1]))

    return replace(
        rods,
        first=marked(rods.first, pose.hidden[0]),
        second=marked(rods.second, pose.hidden[1]),
    )


def _alone(rods: Rods, size: tuple[int, int], setup: Setup) -> View2D:
    """What one view by itself says. In a walk, clubs' ends are lasting errors (`vision.sights`)."""
    view = observe(rods.both, size, setup)
    return replace(view, end_sigma=view.end_sigma * np.where(setup.clubs, CLUB_END, 1.0)[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class _Without:
    """The solution with one end set aside. `cost` includes how unlikely that is beforehand."""

    end: tuple[int, int]
    view: View2D
    params: NDArray[np.float64]
    cost: float


def _without_one_end(view: View2D, params: NDArray[np.float64], cost: float) -> list[_Without]:
    """Solutions without one end that mend the misfit clearly, best first; [] where none does."""
    seen = np.argwhere(np.isfinite(view.end_sigma))
    if len(seen) <= 2 or cost < HIDDEN_GAIN:
        return []
    out = []
    for rod, end in seen:
        end_sigma = view.end_sigma.copy()
        end_sigma[rod, end] = np.inf
        trial = replace(view, end_sigma=end_sigma)
        solved, left = _levenberg_marquardt(trial, params[None])
        # Residual of the end set aside: covered ends stop short, far fewer run on.
        whole = residuals(view, solved[0])[4:8].reshape(2, 2)[rod, end]
        short = whole < 0 if end == 0 else whole > 0
        price = 0.0 if short else RUNS_ON_COST
        out.append(_Without((int(rod), int(end)), trial, solved[0], float(left[0]) + price))
    out.sort(key=lambda w: w.cost)
    if cost - out[0].cost < HIDDEN_GAIN:
        return []
    return [w for w in out if cost - w.cost > HIDDEN_GAIN / 2]


def _between(best: NDArray[np.float64], cost: float, rivals: list[_Without]) -> NDArray[np.float64]:
    """Variance between a mixture's means: which end is the wrong one is not known."""
    weights = np.exp(-0.5 * np.array([max(r.cost - cost, 0.0) for r in rivals]))
    total = 1.0 + float(weights.sum())
    steps = np.array([r.params - best for r in rivals]).reshape(-1, COUNT)
    return np.asarray(np.einsum("n,np,nq->pq", weights / total, steps, steps))


def _starts(view: View2D, setup: Setup) -> NDArray[np.float64]:
    """Parameter vectors from the ground positions that a few tilts give."""
    out = []
    for turn in START_TURNS_RAD if setup.tilt is None else START_TURNS_RAD[:1]:
        start = view.prior_mean.copy()
        start[4] = np.clip(start[4] + turn, np.deg2rad(-85), np.deg2rad(10))
        out.append(_place(view, start, setup))
    return np.stack(out)


def _place(view: View2D, start: NDArray[np.float64], setup: Setup) -> NDArray[np.float64]:
    """Fill height, position and heading from the rods' ends seen with the start's tilt."""
    focal = np.exp(start[6])
    at = (view.end_px - start[7:9]) / focal
    rays = np.concatenate([at, np.ones((2, 2, 1))], axis=-1)
    level = start.copy()
    level[3] = 0.0
    world = rays @ cam_from_view(level)  # rows: camera axes in (right, forward, up)
    dip = np.maximum(-world[..., 2], 0.03)
    ground = world[..., :2] / dip[..., None]  # per metre of height, from below the lens
    span = ground[:, 1] - ground[:, 0]
    lengths = np.linalg.norm(span, axis=-1)
    height = float(np.exp(np.mean(start[10:12] - np.log(np.maximum(lengths, 1e-6)))))
    height = float(np.clip(height, 0.2, 4.0))
    ground = ground * height
    span = span * height
    if setup.view is View.FACE_ON:
        heading = float(np.arctan2(span[0, 1], span[0, 0]))
        origin = _crossing(ground)
    else:
        heading = float(np.arctan2(span[0, 0], -span[0, 1]))
        origin = ground[0].mean(axis=0)
    right = np.array([np.cos(heading), -np.sin(heading)])
    forward = np.array([np.sin(heading), np.cos(heading)])
    start[:2] = -(right * origin[0] + forward * origin[1])
    start[2] = np.log(height)
    start[3] = heading
    return start


def _crossing(ground: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where the stem's line meets the target rod's, or the stem's foot if nearly parallel."""
    a, b = ground[0, 0], ground[0, 1] - ground[0, 0]
    c, d = ground[1, 0], ground[1, 1] - ground[1, 0]
    cross = b[0] * d[1] - b[1] * d[0]
    if abs(cross) < 0.2 * np.linalg.norm(b) * np.linalg.norm(d):
        return np.asarray(c)
    s = ((c - a)[0] * d[1] - (c - a)[1] * d[0]) / cross
    return np.asarray(a + s * b)


def _jacobian(view: View2D, params: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivatives (23, COUNT) at `params` (COUNT,)."""
    return np.asarray(slopes(_one(view), view.root(), params))


def _one(view: View2D) -> Numbers:
    """The numbers of a single view, without the leading axis."""
    pair, side, *arrays = view.numbers()
    line_px, line_sigma, end_px, end_sigma, along = (array[0] for array in arrays)
    return pair, side, line_px, line_sigma, end_px, end_sigma, along


def _levenberg_marquardt(
    view: View2D, starts: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minima from all starts (n, COUNT), with their costs chi^2 (n,)."""
    numbers, root = _one(view), view.root()
    params, cost = np.empty_like(starts), np.empty(len(starts))
    for k, start in enumerate(starts):
        params[k], cost[k] = minimise(numbers, view.prior_mean, root, start)
    return params, cost
