"""Which ends the pose sets aside, what that adds to its spread, what it says of the lens."""

import dataclasses
import math

import cv2
import numpy as np
import pytest

from tests.synthetic import SIZE, camera, draw
from tests.vision.test_pose import seen_exactly
from vision.model import COUNT, ends_in_view, observe, residuals
from vision.pose import (
    HIDDEN_GAIN,
    RUNS_ON_COST,
    _between,
    _levenberg_marquardt,
    _starts,
    _Without,
    _without_one_end,
    lens_source,
    solve_pose,
    whitened_jacobian,
)
from vision.setup import Lens, LensSource, Role, Setup, Tilt, View


def lengthened(rods, which, end, by_px):
    """The rods with one end moved outward along its line, inward if negative."""
    rod = getattr(rods, which)
    ends = rod.ends_px.copy()
    span = ends[end] - ends[1 - end]
    ends[end] += by_px * span / np.linalg.norm(span)
    return dataclasses.replace(rods, **{which: dataclasses.replace(rod, ends_px=ends)})


@pytest.mark.parametrize("which", ["first", "second"])
@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize(("by_px", "price"), [(-40.0, 0.0), (40.0, RUNS_ON_COST)])
def test_an_end_that_runs_on_has_its_price_and_a_covered_one_has_none(which, end, by_px, price):
    rods, setup, truth = seen_exactly(draw(np.random.default_rng(121), View.FACE_ON))
    view = observe(lengthened(rods, which, end, by_px).both, SIZE, setup)
    cost = float((residuals(view, truth) ** 2).sum())
    without = _without_one_end(view, truth, cost)
    at = (("first", "second").index(which), end)
    [it] = [w for w in without if w.end == at]
    assert it.cost == pytest.approx((residuals(it.view, it.params) ** 2).sum() + price)
    # The others are measured as before; best first, and each mends half of what the best must.
    assert np.isinf(it.view.end_sigma).sum() == 1 and np.isinf(it.view.end_sigma[at])
    assert [w.cost for w in without] == sorted(w.cost for w in without)
    assert all(cost - w.cost > HIDDEN_GAIN / 2 for w in without)


@pytest.mark.parametrize("moved_px", [2.0, 6.0, 9.0, 12.0, 30.0])
def test_an_end_is_set_aside_only_where_that_mends_the_misfit_clearly(moved_px):
    """Nine of chi^2, three sigmas of one measurement."""
    rods, setup, _ = seen_exactly(draw(np.random.default_rng(121), View.FACE_ON))
    view = observe(lengthened(rods, "second", 1, -moved_px).both, SIZE, setup)
    params, costs = _levenberg_marquardt(view, _starts(view, setup))
    cost, each = float(costs[0]), []
    for rod, end in np.ndindex(2, 2):
        sigma = view.end_sigma.copy()
        sigma[rod, end] = np.inf
        trial = dataclasses.replace(view, end_sigma=sigma)
        solved, left = _levenberg_marquardt(trial, params)
        off_px = (view.end_px[rod, end] - projected(view, solved[0])[rod, end]) @ view.along[rod]
        short = off_px > 0 if end == 0 else off_px < 0
        each.append(float(left[0]) + (0.0 if short else RUNS_ON_COST))
    want = sorted(c for c in each if cost - c > HIDDEN_GAIN / 2)
    if cost - min(each) < HIDDEN_GAIN:
        want = []
    got = _without_one_end(view, params[0], cost)
    assert [w.cost for w in got] == pytest.approx(want)
    assert bool(got) == (moved_px > 8) or 6 < moved_px < 20


def projected(view, params):
    """The model's ends (2, 2, 2) in pixels, by OpenCV."""
    centre = np.array([params[0], params[1], np.exp(params[2])])
    focal = np.exp(params[6])
    matrix = np.array([[focal, 0, params[7]], [0, focal, params[8]], [0, 0, 1]])
    points = ends_in_view(view, params).reshape(-1, 1, 3)
    turn, shift = camera(*params[3:6], centre)
    pixels, _ = cv2.projectPoints(points, turn, shift, matrix, np.array([params[9], 0, 0, 0]))
    return pixels.reshape(2, 2, 2)


def test_variance_between_the_minima_is_that_of_the_mixture():
    """Drawn: each minimum with a probability of exp(-chi^2 / 2), the best one's own included."""
    rng = np.random.default_rng(131)
    best, cost = rng.normal(size=COUNT), 3.0
    costs = [3.5, 6.0, 2.0]  # one is better than the best by less than its price: taken as equal
    others = [best + rng.normal(size=COUNT) for _ in costs]
    rivals = [_Without((0, 0), None, p, c) for p, c in zip(others, costs, strict=True)]
    weights = np.exp(-0.5 * np.array([cost, *np.maximum(costs, cost)]))
    drawn = rng.choice(4, size=200_000, p=weights / weights.sum())
    steps = np.stack([best, *others])[drawn] - best
    np.testing.assert_allclose(
        _between(best, cost, rivals), steps.T @ steps / len(steps), rtol=0.02, atol=0.02
    )
    assert (_between(best, cost, []) == 0).all()


def test_what_is_not_known_about_the_ends_is_in_the_spread():
    """Cov = within the best minimum, widened by misfit, plus between it and its rivals."""
    rivalled = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        case = draw(rng, View.FACE_ON, know_focal=False)
        rods = lengthened(case.rods, "second", int(rng.integers(2)), -float(rng.uniform(10, 60)))
        pose = solve_pose(rods, SIZE, case.setup)
        view = observe(rods.both, SIZE, case.setup)
        params, costs = _levenberg_marquardt(view, _starts(view, case.setup))
        least = int(costs.argmin())
        without = _without_one_end(view, params[least], float(costs[least]))
        if not without or pose.hidden.sum() != 1:
            continue
        rivalled += len(without) > 1
        jacobian = whitened_jacobian(pose)
        within = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True) * max(1.0, pose.misfit)
        between = _between(pose.params, pose.cost, without[1:])
        np.testing.assert_allclose(pose.cov, within + between, rtol=1e-6, atol=1e-12)
    assert rivalled >= 3


def test_lens_and_residual_are_those_of_the_solution():
    case = draw(np.random.default_rng(141), View.FACE_ON)
    pose = solve_pose(case.rods, SIZE, case.setup)
    assert pose.lens.focal_px == pytest.approx(np.exp(pose.params[6]))
    assert pose.lens.sigma_px == pytest.approx(pose.lens.focal_px * np.sqrt(pose.cov[6, 6]))
    assert pose.lens.k1 == pose.params[9]
    across = residuals(pose.view, pose.params)[:4] * pose.view.line_sigma.ravel()
    assert pose.residual_px == pytest.approx(np.sqrt((across**2).sum() / 2))


def test_the_source_of_the_lens_is_the_one_that_was_given():
    assert lens_source(Setup()) is LensSource.ASSUMED
    assert lens_source(Setup(lens=Lens(1000.0, 5.0, LensSource.PROFILE))) is LensSource.PROFILE


def test_a_phone_held_straight_down_starts_five_degrees_off_it():
    """At 90 degrees, turn and roll are one: the search begins where they are two."""
    case = draw(np.random.default_rng(151), View.FACE_ON)
    down = dataclasses.replace(case.setup, tilt=Tilt(math.radians(-89.9), 0.0, 0.01))
    (start,) = _starts(observe(case.rods.both, SIZE, down), down)
    assert start[4] == pytest.approx(math.radians(-85))


def test_a_clubs_ends_say_less_than_a_sticks():
    case = draw(np.random.default_rng(9), View.DOWN_THE_LINE)
    long = dataclasses.replace(case.setup, rod_lengths_m={Role.TOE: 1.2, Role.BALL: 1.2})
    sticks = solve_pose(case.rods, SIZE, long)
    lengths = {Role.TOE: 1.18, Role.BALL: 1.16}  # one is shorter than any stick
    clubs = solve_pose(case.rods, SIZE, dataclasses.replace(case.setup, rod_lengths_m=lengths))
    stated = [rod.end_sigma_px for rod in case.rods.both]
    np.testing.assert_allclose(sticks.view.end_sigma, stated)
    np.testing.assert_allclose(clubs.view.end_sigma, np.array(stated) * [[1.0], [1.6]])
    # Of a line the look alone says how far it may be off.
    np.testing.assert_allclose(clubs.view.line_sigma, sticks.view.line_sigma)
    free = dataclasses.replace(case.setup, rod_lengths_m={Role.TOE: 1.2})
    unstated = solve_pose(case.rods, SIZE, free).view
    np.testing.assert_allclose(unstated.line_sigma, sticks.view.line_sigma)
    np.testing.assert_allclose(unstated.end_sigma, stated)
