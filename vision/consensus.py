"""Which views and ends of a walk are to be believed: fits and judgements in turn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.agree import FALSE_ALARM, chi2_tail
from vision.bundle import (
    ENDS,
    MEASURED,
    OWN,
    Estimate,
    Information,
    Problem,
    covariance,
    fit,
    fit_robustly,
    information,
    rows,
)
from vision.pose import RUNS_ON_COST

GOOD_FIT = 2.0  # chi^2 per degree of freedom up to which plain least squares is trusted at once
WRONG_END = 12.0  # an end that costs this much chi^2 is covered; beyond its rod: more
WELL_END = 6.0  # an end that would cost no more is taken back
FAR_OFF = 6.0  # after a robust fit: sigmas from which an end is covered
MOST_HIDDEN = 2  # ends of one view
DROP_WEIGHT = 0.04  # a view whose chi^2 is 25 times what it should be is left out
ROUNDS = 20


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where the solution of n views stands.

    `weight` (n,): 0 for a view that is left out. `hidden` (n, 4): ends set aside, in the order of
    the problem's rows. `own` (n, 6), `shared` (15,): the parameters.
    """

    problem: Problem
    weight: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    own: NDArray[np.float64]
    shared: NDArray[np.float64]

    @property
    def active(self) -> NDArray[np.bool_]:
        """Which views (n,) take part."""
        return self.weight > 0

    def part(self) -> tuple[Problem, Estimate]:
        """The least-squares problem of the views that take part, and where it starts."""
        kept = np.ones((len(self.weight), MEASURED))
        kept[:, ENDS] = ~self.hidden
        problem = replace(self.problem, weight=self.problem.weight * kept * self.weight[:, None])
        return problem.only(self.active), Estimate(self.own[self.active], self.shared, 0.0)

    def fitted(self) -> State:
        """The same at its least-squares minimum."""
        return self._at(fit(*self.part()))

    def _at(self, found: Estimate) -> State:
        own = self.own.copy()
        own[self.active] = found.own
        return replace(self, own=own, shared=found.shared)

    def fitted_robustly(self) -> State:
        """The same at a minimum that few wrong views and ends do not bend."""
        return self._at(fit_robustly(*self.part()))


def settled(state: State) -> State:
    """The solution from a start: fitted, ends set aside or taken back, views weighted or left out.

    Fewer than two views that take part are returned as they are: they are no walk.
    """
    state = _first(state)
    for _ in range(ROUNDS):
        if state.active.sum() < 2:
            return state
        info = information(*state.part())
        changed = _judged_ends(state, info) or _judged_views(state, info)
        if changed is None:
            return state
        state = changed if changed.active.sum() < 2 else changed.fitted()
    return state


def _first(state: State) -> State:
    """The first fit: plain where that fits well, else robust, with what it shows to be wrong."""
    plain = state.fitted()
    if misfit(plain) <= GOOD_FIT:
        return plain
    state = state.fitted_robustly()
    problem, at = state.part()
    rest = np.abs(rows(problem, at.own, at.shared))
    rest[:, :MEASURED] *= problem.weight > 0
    hidden, weight = state.hidden.copy(), state.weight.copy()
    for k, view in enumerate(np.flatnonzero(state.active)):
        ends = rest[k, ENDS]
        room = MOST_HIDDEN - int(hidden[view].sum())
        far = [int(e) for e in np.argsort(-ends)[:room] if ends[e] > FAR_OFF]
        hidden[view, far] = True
        rest[k, ENDS][far] = 0.0
        freedom = int((problem.weight[k] > 0).sum()) - len(far) - OWN + 2 * int(problem.sensed[k])
        off = float((rest[k, :MEASURED] ** 2).sum()) / max(freedom, 1)
        if off > GOOD_FIT:
            weight[view] *= 1.0 / off
            weight[view] = weight[view] if weight[view] >= DROP_WEIGHT else 0.0
    state = replace(state, hidden=hidden, weight=weight)
    return state if state.active.sum() < 2 else state.fitted()


def _judged_ends(state: State, info: Information) -> State | None:
    """The state with ends set aside or taken back, at most one a view; None where all is well.

    Without a row of misfit r and leverage h the cost falls by r^2 / (1 - h); a row set aside would
    raise it by r^2 / (1 + h) (Cook and Weisberg 1982, Residuals and Influence in Regression, 2.2).
    """
    hidden = state.hidden.copy()
    seen = state.problem.weight[:, ENDS] > 0
    changed = False
    for k, view in enumerate(np.flatnonzero(state.active)):
        rest = info.rest[k, ENDS]
        by = np.concatenate([info.by_own[k, ENDS], info.by_shared[k, ENDS]], axis=1)
        weight = state.weight[view]
        leverage = weight * np.einsum("rp,pq,rq->r", by, covariance(info, k), by)
        square = weight * rest**2
        # Covered ends stop short of their rod's; far fewer run on.
        short = np.array([rest[0] < 0, rest[1] > 0, rest[2] < 0, rest[3] > 0])
        limit = WRONG_END + np.where(short, 0.0, RUNS_ON_COST)
        gain = square / np.maximum(1 - leverage, 1e-3)
        gain = np.where(seen[view] & ~hidden[view] & (leverage < 0.999), gain - limit, -np.inf)
        worst = int(gain.argmax())
        if gain[worst] > 0 and hidden[view].sum() < MOST_HIDDEN:
            hidden[view, worst] = changed = True
            continue
        well = seen[view] & hidden[view] & (square / (1 + leverage) < WELL_END)
        if well.any():
            hidden[view, well] = False
            changed = True
    return replace(state, hidden=hidden) if changed else None


def _judged_views(state: State, info: Information) -> State | None:
    """The state with the worst view weighted down or left out; None where all agree."""
    sensed = state.problem.sensed[state.active]
    found = [disagreement(info, k, bool(sensed[k])) for k in range(len(info.rest))]
    worst = min(range(len(found)), key=lambda k: found[k][2])
    chi2, freedom, probability = found[worst]
    if probability >= FALSE_ALARM:
        return None
    view = int(np.flatnonzero(state.active)[worst])
    weight = state.weight.copy()
    weight[view] *= freedom / chi2
    if weight[view] < DROP_WEIGHT:
        weight[view] = 0.0
    return replace(state, weight=weight)


def disagreement(info: Information, view: int, sensed: bool) -> tuple[float, int, float]:
    """How badly one view agrees with all others: chi^2, degrees of freedom, probability.

    In the directions z = Q^T r that the view's own parameters cannot follow (Q spans what is
    orthogonal to their derivatives), z has the covariance 1 - Q^T J C J^T Q under the joint fit
    with the shared parameters' covariance C; z^T (..)^-1 z is what the view adds to the cost.
    Rows are the measurements, and pitch and roll where they are `sensed`.
    """
    root = np.sqrt(info.weight[view])
    root[MEASURED:] = 0.0, float(sensed), float(sensed)
    counted = root > 0
    rest = (root * info.rest[view])[counted]
    by_own = (root[:, None] * info.by_own[view])[counted]
    if len(rest) <= OWN:
        return 0.0, 1, 1.0
    q = np.linalg.qr(by_own, mode="complete")[0][:, OWN:]
    z = q.T @ rest
    by = q.T @ (root[:, None] * info.by_shared[view])[counted]
    spread = np.eye(len(z)) - by @ info.shared_cov @ by.T
    # A direction that this view alone determines (eigenvalue 0) says nothing about agreement.
    values, vectors = np.linalg.eigh(spread)
    kept = values > 1e-6
    chi2 = float(((vectors.T @ z)[kept] ** 2 / values[kept]).sum())
    freedom = max(int(kept.sum()), 1)
    return chi2, freedom, chi2_tail(chi2, freedom)


def misfit(state: State) -> float:
    """chi^2 per degree of freedom. How phones are held is a prior: its rows count for nothing."""
    problem, at = state.part()
    rest = rows(problem, at.own, at.shared)
    seen = problem.weight * rest[:, :MEASURED] ** 2
    sensed = problem.sensed[:, None] * rest[:, MEASURED + 1 :] ** 2
    prior = problem.root @ (at.shared - problem.mean)
    counted = int((problem.weight > 0).sum()) + 2 * int(problem.sensed.sum())
    freedom = max(counted - OWN * len(rest), 1)
    return float(seen.sum() + sensed.sum() + prior @ prior) / freedom
