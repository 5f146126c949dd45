"""A first look: several views of the same unmoved rods by the same lens, solved together.

What one view cannot tell apart (the rods' own angle, the focal length, where the lens stands) many
views of a walk can. Views that were found wrongly are weighted down or left out with the reason,
ends that are covered are set aside, and misfit widens every covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.agree import agreement
from vision.bundle import JOINT, OWN, covariance, information, whole
from vision.consensus import State, disagreement, misfit, settled
from vision.known import SHARED, KnownRods
from vision.model import COUNT, inverse, observe
from vision.pose import Pose, lens_source
from vision.setup import Lens, LensSource, Setup
from vision.sights import Sight, alone, check_together, problem_of

ANOTHER_LENS = 0.7  # a stated focal length narrowed to this share is measured, no longer stated


class Fate(StrEnum):
    """What became of a view."""

    USED = "used"
    DOUBTED = "doubted"  # agrees badly: weighted down
    DISAGREES = "disagrees"  # left out: wrong rods, or rods that had been moved


@dataclass(frozen=True, slots=True, eq=False)
class WalkView:
    """One view after the joint solution. `pose` is None where the view was left out.

    `setup`: the view's own, with what all the *other* views say of rods and lens as known.
    `probability`: of so bad an agreement with the others if it were a view of the same rods.
    """

    sight: Sight
    setup: Setup
    pose: Pose | None
    fate: Fate
    weight: float
    probability: float


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """The joint solution: a view for each sight in order, and what is `known` from now on.

    `misfit`: chi^2 per degree of freedom of all views; where above 1 it widened every covariance.
    """

    views: tuple[WalkView, ...]
    known: KnownRods
    misfit: float

    @property
    def used(self) -> int:
        """How many views carry the solution."""
        return sum(view.pose is not None for view in self.views)


@dataclass(frozen=True, slots=True)
class NoWalk:
    """No joint solution: fewer than two views agree with each other."""

    agreeing: int


def solve_walk(sights: Sequence[Sight], before: Walk | None = None) -> Walk | NoWalk:
    """All views together; `before` is the solution of some of these very sights, to start from.

    What `Setup.known` holds is the prior, where it is there. Raises WalkError unless all views
    have one size, layout, hand, and stated lens and rods.
    """
    if len(sights) < 2:
        return NoWalk(len(sights))
    check_together(sights)
    state = _start(sights, before)
    if state.active.sum() >= 2:
        state = settled(state)
    if state.active.sum() >= 2:
        again = _reconsidered(state, sights, before)
        state = state if again is None else settled(again)
    if state.active.sum() < 2:
        return NoWalk(int(state.active.sum()))
    return _walk(state, sights)


def _start(sights: Sequence[Sight], before: Walk | None) -> State:
    """Each view by itself; those solved before as they were."""
    count, setup = len(sights), sights[0].setup
    solved = {} if before is None else {id(v.sight): v for v in before.views}
    known = setup.known if before is None else before.known
    params = np.zeros((count, COUNT))
    weight, hidden = np.ones(count), np.zeros((count, 4), bool)
    for k, sight in enumerate(sights):
        view = solved.get(id(sight))
        if view is not None and view.pose is not None:
            params[k], weight[k] = view.pose.params, view.weight
            hidden[k] = view.pose.hidden.reshape(-1)
        else:
            pose = alone(sight, known)
            params[k], hidden[k] = pose.params, pose.hidden.reshape(-1)
    usable = np.isfinite(params).all(axis=1)
    shared = np.zeros(JOINT)
    if known is not None:
        shared[: len(SHARED)] = known.at(sights[0].size).mean
    else:
        shared[: COUNT - OWN] = np.median(params[usable][:, OWN:], axis=0)
    problem = problem_of(sights)
    return State(problem, np.where(usable, weight, 0.0), hidden, params[:, :OWN], shared)


def _reconsidered(state: State, sights: Sequence[Sight], before: Walk | None) -> State | None:
    """The state with views solved anew from what is known now, where that changes them.

    Those left out come back if they agree; in those with ends set aside it may be other ends,
    which linear tests from one minimum cannot see.
    """
    known = _known(state, sights)
    done = set() if before is None else {id(v.sight) for v in before.views if v.pose is not None}
    own, weight, hidden = state.own.copy(), state.weight.copy(), state.hidden.copy()
    changed = False
    for k, sight in enumerate(sights):
        left_out = state.weight[k] == 0
        if id(sight) in done or not (left_out or state.hidden[k].any()):
            continue
        found = agreement(sight.rods, sight.size, sight.setup.knowing(known))
        aside = found.pose.hidden.reshape(-1)
        if found.moved() or not (left_out or (aside != state.hidden[k]).any()):
            continue
        own[k], hidden[k] = found.pose.params[:OWN], aside
        weight[k] = 1.0 if left_out else weight[k]
        changed = True
    return replace(state, own=own, weight=weight, hidden=hidden) if changed else None


def _known(state: State, sights: Sequence[Sight]) -> KnownRods:
    info = information(*state.part())
    return _as_known(state.shared, info.shared_cov * max(1.0, misfit(state)), sights[0])


def _as_known(mean: NDArray[np.float64], cov: NDArray[np.float64], sight: Sight) -> KnownRods:
    """The shared parameters as what is known from now on."""
    setup = sight.setup
    source = lens_source(setup)
    if setup.known is None and setup.lens is not None:
        stated = setup.lens.sigma_px / setup.lens.focal_px
        source = source if np.sqrt(cov[0, 0]) > ANOTHER_LENS * stated else LensSource.FIRST_LOOK
    if source is LensSource.ASSUMED:
        source = LensSource.FIRST_LOOK
    count = len(SHARED)
    mean, cov = mean[:count].copy(), cov[:count, :count].copy()
    return KnownRods(setup.view, setup.handed, sight.size, mean, cov, source)


def _walk(state: State, sights: Sequence[Sight]) -> Walk:
    """The result from the settled state."""
    problem, at = state.part()
    info = information(problem, at)
    fit = misfit(state)
    wider = max(1.0, fit)
    known = _as_known(at.shared, info.shared_cov * wider, sights[0])
    views = []
    place = {int(v): k for k, v in enumerate(np.flatnonzero(state.active))}
    for number, sight in enumerate(sights):
        if number not in place:
            setup = sight.setup.knowing(known)
            probability = agreement(sight.rods, sight.size, setup).probability
            views.append(WalkView(sight, setup, None, Fate.DISAGREES, 0.0, probability))
            continue
        k = place[number]
        # What the others say: this view's information taken away again.
        others = inverse(info.shared - info.each[k])
        mean = at.shared + others @ (info.by_shared[k].T @ (info.weight[k] * info.rest[k]))
        setup = sight.setup.knowing(_as_known(mean, others * wider, sight))
        chi2, freedom, probability = disagreement(info, k, bool(problem.sensed[k]))
        weight = float(state.weight[number])
        pose = _pose(sight, setup, state, number, covariance(info, k)[:COUNT, :COUNT] * wider)
        pixels = info.rest[k, :4] * pose.view.line_sigma.ravel()
        residual_px = float(np.sqrt((pixels**2).sum() / 2))
        pose = replace(pose, misfit=chi2 / freedom, cost=chi2, residual_px=residual_px)
        fate = Fate.USED if weight == 1.0 else Fate.DOUBTED
        views.append(WalkView(sight, setup, pose, fate, weight, probability))
    return Walk(tuple(views), known, fit)


def _pose(sight: Sight, setup: Setup, state: State, number: int, cov: NDArray[np.float64]) -> Pose:
    """One view's part of the joint solution as a pose of its own."""
    hidden = state.hidden[number].reshape(2, 2)
    view = observe(sight.rods.both, sight.size, setup)
    params = whole(state.own[number : number + 1], state.shared)[0]
    focal = float(np.exp(params[6]))
    return Pose(
        view=replace(view, end_sigma=np.where(hidden, np.inf, view.end_sigma)),
        params=params,
        cov=cov,
        misfit=1.0,
        cost=0.0,
        residual_px=0.0,
        runner_up_ratio=float("inf"),
        hidden=hidden.copy(),
        lens=Lens(focal, focal * float(np.sqrt(cov[6, 6])), lens_source(setup), float(params[9])),
    )
