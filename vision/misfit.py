"""The model of `vision.model` compiled: misfits of one view, and Levenberg-Marquardt on them.

Plain numbers throughout, so that a tracked picture's pose costs a tenth of a millisecond and holds
no interpreter lock meanwhile.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel

Array = NDArray[np.float64]
# Of `vision.model.View2D`: `pair`, `side`, `line_px`, `line_sigma`, `end_px`, `end_sigma`, `along`;
# of one view, or of several: then the arrays have a leading axis.
Numbers = tuple[bool, float, Array, Array, Array, Array, Array]

COUNT = 15  # parameters, as in `vision.model.NAMES`
SEEN = 8  # rows of measurements: 4 of lines, 4 of ends
NEAREST_M = 0.05
ROD_RADIUS_M = 0.006  # a stick's 4.5 mm to a shaft's 8 mm lie this high above the ground
STEP = np.array([1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-5] + [1e-6] * 5)
ITERATIONS = 40
BEND_STEP = 0.1  # share of a step over which the residuals' curvature is measured
MAX_BEND = 0.75  # larger second-order parts are not trusted (Transtrum and Sethna's alpha)


@kernel
def measured_rows(views: Numbers, which: NDArray[np.intp], params: Array) -> Array:
    """Whitened misfits (n, 8) of `params` (n, COUNT), each against the view `which` (n,)."""
    pair, side, line_px, line_sigma, end_px, end_sigma, along = views
    out = np.empty((len(params), SEEN))
    for i in range(len(params)):
        k = which[i]
        one = (pair, side, line_px[k], line_sigma[k], end_px[k], end_sigma[k], along[k])
        _measure(one, params[i], out[i])
    return out


@kernel
def _measure(view: Numbers, p: Array, out: Array) -> None:
    """The first `SEEN` misfits of one view into `out`."""
    pair, side, line_px, line_sigma, end_px, end_sigma, along = view
    right_m, forward_m, height_m, focal = p[0], p[1], np.exp(p[2]), np.exp(p[6])
    sin_h, cos_h = np.sin(p[3]), np.cos(p[3])
    sin_p, cos_p = np.sin(p[4]), np.cos(p[4])
    sin_r, cos_r = np.sin(p[5]), np.cos(p[5])
    k1, lean, a, b = p[9], p[12], p[13], p[14]
    sin_l, cos_l = np.sin(lean), np.cos(lean)
    up = ROD_RADIUS_M - height_m
    for rod in range(2):
        length = np.exp(p[10 + rod])
        ideal_x, ideal_y = np.empty(2), np.empty(2)
        for end in range(2):
            far = 1.0 if end == 0 else -1.0
            # Where this end lies: right and forward, as in `vision.model.ends_in_view`.
            if pair and rod == 0:
                x, y = 0.0, far * length / 2
            elif pair:
                x = side * a - far * side * sin_l * length / 2
                y = b + far * cos_l * length / 2
            elif rod == 0:
                x, y = a - far * length / 2, 0.0
            else:
                reach = b if end == 0 else b + length
                x, y = sin_l * reach, -cos_l * reach
            x, y = x - right_m, y - forward_m
            level = sin_h * x + cos_h * y
            across = cos_h * x - sin_h * y
            down = sin_p * level - cos_p * up
            depth = max(cos_p * level + sin_p * up, NEAREST_M)
            ideal_x[end] = (cos_r * across + sin_r * down) / depth
            ideal_y[end] = (cos_r * down - sin_r * across) / depth
        # Lines: measured points, undistorted, against the model's line (distances in pixels).
        span_x, span_y = ideal_x[1] - ideal_x[0], ideal_y[1] - ideal_y[0]
        norm = max(np.sqrt(span_x * span_x + span_y * span_y), 1e-9)
        for end in range(2):
            u = (line_px[rod, end, 0] - p[7]) / focal
            v = (line_px[rod, end, 1] - p[8]) / focal
            x, y = u, v
            for _ in range(2):
                bent = 1.0 + k1 * (x * x + y * y)
                x, y = u / bent, v / bent
            off = ((x - ideal_x[0]) * span_y - (y - ideal_y[0]) * span_x) / norm
            out[2 * rod + end] = off * focal
        first, second = out[2 * rod], out[2 * rod + 1]
        out[2 * rod] = 0.5 * (first + second) / line_sigma[rod, 0]
        out[2 * rod + 1] = 0.5 * (second - first) / line_sigma[rod, 1]
        # Ends: along the measured rod only; across is the lines' business.
        for end in range(2):
            x, y = ideal_x[end], ideal_y[end]
            scale = focal * (1.0 + k1 * (x * x + y * y))
            x = p[7] + scale * x - end_px[rod, end, 0]
            y = p[8] + scale * y - end_px[rod, end, 1]
            beside = x * along[rod, 0] + y * along[rod, 1]
            out[4 + 2 * rod + end] = beside / end_sigma[rod, end]


@kernel
def _misfits(
    view: Numbers,
    mean: Array,
    root: Array,
    p: Array,
    out: Array,
) -> float:
    """All `SEEN` + COUNT rows into `out`, and their squares' sum."""
    _measure(view, p, out)
    total = 0.0
    for i in range(COUNT):
        out[SEEN + i] = 0.0
        for j in range(i + 1):  # the root is lower triangular
            out[SEEN + i] += root[i, j] * (p[j] - mean[j])
    for i in range(SEEN + COUNT):
        total += out[i] * out[i]
    return total


@kernel
def slopes(
    view: Numbers,
    root: Array,
    p: Array,
) -> Array:
    """Derivatives (23, COUNT): central differences of the measurements, the prior's own rows."""
    out = np.zeros((SEEN + COUNT, COUNT))
    at = p.copy()
    ahead, behind = np.empty(SEEN), np.empty(SEEN)
    for q in range(COUNT):
        at[q] = p[q] + STEP[q]
        _measure(view, at, ahead)
        at[q] = p[q] - STEP[q]
        _measure(view, at, behind)
        at[q] = p[q]
        for r in range(SEEN):
            out[r, q] = (ahead[r] - behind[r]) / (2 * STEP[q])
    out[SEEN:] = root
    return out


@kernel
def _factored(matrix: Array) -> Array:
    """Cholesky's lower triangle; a pivot lost to rounding is replaced by a tiny one."""
    n = len(matrix)
    low = np.zeros((n, n))
    for j in range(n):
        total = matrix[j, j]
        for k in range(j):
            total -= low[j, k] * low[j, k]
        low[j, j] = np.sqrt(max(total, 1e-14 * matrix[j, j]))
        for i in range(j + 1, n):
            total = matrix[i, j]
            for k in range(j):
                total -= low[i, k] * low[j, k]
            low[i, j] = total / low[j, j]
    return low


@kernel
def _solved(low: Array, right: Array) -> Array:
    """The x (n,) with L L^T x = right."""
    n = len(right)
    x = right.copy()
    for i in range(n):
        for k in range(i):
            x[i] -= low[i, k] * x[k]
        x[i] /= low[i, i]
    for back in range(n):
        i = n - 1 - back
        for k in range(i + 1, n):
            x[i] -= low[k, i] * x[k]
        x[i] /= low[i, i]
    return x


@kernel
def minimise(
    view: Numbers,
    mean: Array,
    root: Array,
    start: Array,
) -> tuple[Array, float]:
    """The minimum (COUNT,) that Levenberg-Marquardt reaches from a start, with its cost chi^2.

    With geodesic acceleration (Transtrum and Sethna 2012, arXiv:1201.5885): seen from above, turn
    and roll are one narrow bent valley, in which straight steps creep.
    """
    rows = SEEN + COUNT
    params, damping = start.copy(), 1e-2
    rest, ahead = np.empty(rows), np.empty(rows)
    cost = _misfits(view, mean, root, params, rest)
    normal = np.empty((COUNT, COUNT))
    gradient, scale = np.empty(COUNT), np.empty(COUNT)
    slope = np.empty((rows, COUNT))
    moved = True
    for _ in range(ITERATIONS):
        if moved:
            slope = slopes(view, root, params)
            for i in range(COUNT):
                gradient[i] = 0.0
                for r in range(rows):
                    gradient[i] += slope[r, i] * rest[r]
                for j in range(i + 1):
                    total = 0.0
                    for r in range(rows):
                        total += slope[r, i] * slope[r, j]
                    normal[i, j] = total
                    normal[j, i] = total
        damped = normal.copy()
        for i in range(COUNT):
            damped[i, i] += damping * max(normal[i, i], 1e-9)
            scale[i] = damped[i, i]
        low = _factored(damped)
        step = -_solved(low, gradient)
        # The second-order part of the step, unless it is no small part of it.
        _misfits(
            view,
            mean,
            root,
            params + BEND_STEP * step,
            ahead,
        )
        for r in range(rows):
            straight = 0.0
            for i in range(COUNT):
                straight += slope[r, i] * step[i]
            ahead[r] = (2.0 / BEND_STEP) * ((ahead[r] - rest[r]) / BEND_STEP - straight)
        curved = np.zeros(COUNT)
        for r in range(rows):
            for i in range(COUNT):
                curved[i] += slope[r, i] * ahead[r]
        bend = -0.5 * _solved(low, curved)
        second, first = (scale * bend * bend).sum(), (scale * step * step).sum()
        trial = params + step
        if 4.0 * second <= MAX_BEND**2 * first:
            trial = trial + bend
        trial[2] = min(max(trial[2], np.log(0.1)), np.log(6.0))
        trial_cost = _misfits(view, mean, root, trial, ahead)
        moved = trial_cost < cost
        gain = cost - trial_cost if moved else 0.0
        if moved:
            params, cost = trial, trial_cost
            rest[:] = ahead
        damping = min(max(damping / 3 if moved else damping * 3, 1e-9), 1e9)
        if gain < 1e-6 * cost + 1e-9 and (moved or damping > 1e6):
            break
    return params, cost
