"""The pose against OpenCV's projection, an independent solver and its own sampling."""

import dataclasses

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.synthetic import SIZE, camera, draw
from vision.model import cam_from_view, observe, residuals
from vision.placement import QUANTITIES, ground_from_view, place
from vision.pose import _starts, mark_hidden, solve_pose, start_cost
from vision.read import conclude
from vision.reading import Verdict
from vision.rods import End
from vision.setup import Handed, Line, Setup, View

VIEWS = list(View)


def test_rotation_matches_rodrigues_turns():
    rng = np.random.default_rng(0)
    for heading, pitch, roll in rng.uniform(-0.6, 0.6, (20, 3)):
        params = np.zeros(15)
        params[3:6] = heading, pitch, roll
        expected = cv2.Rodrigues(camera(heading, pitch, roll, np.zeros(3))[0])[0]
        np.testing.assert_allclose(cam_from_view(params), expected, atol=1e-12)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("handed", list(Handed))
def test_without_noise_the_truth_comes_back(view, handed):
    rng = np.random.default_rng(11)
    for _ in range(10):
        case = draw(rng, view, handed=handed, line_px=1e-6)
        exact = dataclasses.replace(
            case.rods,
            first=dataclasses.replace(case.rods.first, line_sigma_px=0.1),
            second=dataclasses.replace(case.rods.second, line_sigma_px=0.1),
        )
        placement, _ = place(solve_pose(exact, SIZE, case.setup), case.setup)
        for name in QUANTITIES:
            assert abs(getattr(placement, name) - case.truth[name]) < 4 * placement.sigma(name)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(
    ("tilt", "focal", "count"),
    [(0.5, True, 500), (1.0, False, 250), (None, False, 250)],
    ids=["all", "tilt", "nothing"],
)
def test_two_sigmas_hold_the_truth_in_at_least_92_per_cent_of_draws(view, tilt, focal, count):
    rng = np.random.default_rng(21)
    inside = np.zeros(6)
    for _ in range(count):
        case = draw(rng, view, know_tilt=tilt, know_focal=focal)
        placement, _ = place(solve_pose(case.rods, SIZE, case.setup), case.setup)
        z = [(getattr(placement, n) - case.truth[n]) / placement.sigma(n) for n in QUANTITIES]
        inside += np.abs(z) < 2
    share = dict(zip(QUANTITIES, inside / count, strict=True))
    print(view.value, tilt, focal, share)
    # Draws are narrower than the priors assume, so only too few is a fault.
    assert min(share.values()) >= 0.92, share


@pytest.mark.parametrize("view", VIEWS)
def test_no_false_square_near_the_tolerances(view):
    rng = np.random.default_rng(31)
    false, true = 0, 0
    for _ in range(300):
        off = {
            "offset_m": rng.choice([-1, 1]) * rng.uniform(0.03, 0.09),
            "yaw_rad": np.deg2rad(rng.choice([-1, 1]) * rng.uniform(1.0, 3.0)),
            "roll_rad": np.deg2rad(rng.choice([-1, 1]) * rng.uniform(1.0, 3.0)),
        }
        case = draw(rng, view, place=off)
        square = conclude(case.rods, SIZE, case.setup).verdict is Verdict.SQUARE
        outside = (
            abs(off["offset_m"]) > 0.05
            or abs(off["yaw_rad"]) > np.deg2rad(2)
            or abs(off["roll_rad"]) > np.deg2rad(2)
        )
        false += square and outside
        true += square and not outside
    assert false <= 1


@pytest.mark.parametrize("view", VIEWS)
def test_a_lens_on_the_line_is_called_square(view):
    rng = np.random.default_rng(41)
    place_at = {"offset_m": 0.0, "yaw_rad": 0.0, "roll_rad": 0.0}
    called = 0
    for _ in range(40):
        case = draw(rng, view, place=place_at)
        called += conclude(case.rods, SIZE, case.setup).verdict is Verdict.SQUARE
    assert called >= 30


@pytest.mark.parametrize("view", VIEWS)
def test_scipy_finds_the_same_minimum(view):
    """Independent solver: SciPy's trust-region least squares on the same residuals."""
    rng = np.random.default_rng(51)
    for _ in range(5):
        case = draw(rng, view)
        pose = solve_pose(case.rods, SIZE, case.setup)
        model = observe(case.rods.both, SIZE, case.setup)
        start = pose.params + rng.normal(0, 0.01, len(pose.params))
        start[7:9] = pose.params[7:9]
        found = least_squares(
            lambda p, m=model: residuals(m, p)[np.isfinite(residuals(m, p))],
            start,
            x_scale="jac",
            xtol=1e-12,
            ftol=1e-12,
        )
        assert 2 * found.cost == pytest.approx(pose.cost, rel=1e-4, abs=1e-6)
        np.testing.assert_allclose(found.x[:6], pose.params[:6], atol=2e-3)


@pytest.mark.parametrize("which", ["first", "second"])
@pytest.mark.parametrize("end", [0, 1])
def test_an_end_that_stops_short_is_set_aside(which, end):
    rng = np.random.default_rng(61)
    case = draw(rng, View.FACE_ON)
    rod = getattr(case.rods, which)
    short = rod.ends_px.copy()
    short[end] = rod.ends_px[1 - end] + 0.6 * (rod.ends_px[end] - rod.ends_px[1 - end])
    rods = dataclasses.replace(case.rods, **{which: dataclasses.replace(rod, ends_px=short)})
    pose = solve_pose(rods, SIZE, case.setup)
    seen = [End.SEEN, End.SEEN]
    seen[end] = End.HIDDEN
    marked, other = mark_hidden(rods, pose), "second" if which == "first" else "first"
    assert getattr(marked, which).ends == tuple(seen)
    assert getattr(marked, other).ends == (End.SEEN, End.SEEN)
    for name in ("first", "second"):
        assert getattr(marked, name).ends_px is getattr(rods, name).ends_px
    placement, _ = place(pose, case.setup)
    assert abs(placement.offset_m - case.truth["offset_m"]) < 4 * placement.sigma("offset_m")


def test_the_hand_line_moves_the_offset_toward_the_ball():
    rng = np.random.default_rng(71)
    for handed, sign in ((Handed.RIGHT, -1), (Handed.LEFT, 1)):
        case = draw(rng, View.DOWN_THE_LINE, handed=handed)
        pose = solve_pose(case.rods, SIZE, case.setup)
        toe, _ = place(pose, case.setup)
        hands, _ = place(pose, dataclasses.replace(case.setup, line=Line.HANDS))
        assert (hands.offset_m - toe.offset_m) * sign > 0.1


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("handed", list(Handed))
def test_ground_axes_are_right_handed_and_point_at_the_target(view, handed):
    matrix = ground_from_view(Setup(view=view, handed=handed))
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
    target_in_view = matrix[:3, :3].T @ np.array([1.0, 0, 0])
    if view is View.DOWN_THE_LINE:
        expected = [0, 1, 0]
    else:
        expected = [1 if handed is Handed.RIGHT else -1, 0, 0]
    np.testing.assert_allclose(target_in_view, expected, atol=1e-12)
    np.testing.assert_allclose(matrix @ matrix.T, np.eye(4), atol=1e-12)


@pytest.mark.parametrize("view", VIEWS)
def test_how_promising_rods_are_is_the_least_chi_square_of_the_places_to_start_from(view):
    rng = np.random.default_rng(81)
    case = draw(rng, view, know_tilt=None)
    model = observe(case.rods.both, SIZE, case.setup)
    starts = _starts(model, case.setup)
    assert len(starts) == 3
    each = [sum(r**2 for r in residuals(model, start).tolist()) for start in starts]
    assert start_cost(case.rods, SIZE, case.setup) == pytest.approx(min(each))
    assert min(each) >= solve_pose(case.rods, SIZE, case.setup).cost
