"""What a first look leaves: carried to other pictures, and as a prior."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.walks import walk
from vision.agree import chi2_tail
from vision.budget import error_budget
from vision.errors import SetupError
from vision.known import MEASURED_RAD
from vision.model import COUNT, focal_prior, observe, whitening
from vision.placement import place
from vision.pose import solve_pose
from vision.setup import Handed, Role, Setup, View
from vision.walk import solve_walk


@pytest.fixture(scope="module")
def walked():
    rng = np.random.default_rng(21)
    made = walk(rng, 10)
    return made, solve_walk(made.sights)


@pytest.mark.parametrize("freedom", range(1, 12))
def test_the_tail_of_chi_square_is_scipys(freedom):
    for value in (0.0, 0.3, 1.0, 4.0, 11.0, 30.0, 90.0):
        assert chi2_tail(value, freedom) == pytest.approx(stats.chi2.sf(value, freedom), rel=1e-9)


def test_a_root_whitens():
    rng = np.random.default_rng(22)
    half = rng.normal(size=(6, 6)) * [1, 1e-3, 10, 1, 1e-2, 5]
    cov = half.T @ half
    root = whitening(cov)
    np.testing.assert_allclose(root @ cov @ root.T, np.eye(6), atol=1e-8)
    assert np.allclose(root, np.tril(root))


def test_the_prior_is_the_walks_own_covariance(walked):
    """The prior rows' normal matrix, inverted, is the known covariance with the sensor's noise."""
    made, found = walked
    one = made.sights[-1]
    setup = one.setup.knowing(found.known)
    root = observe(one.rods.both, one.size, setup).prior_root
    cov = np.linalg.inv(root[4:, 4:].T @ root[4:, 4:])
    np.testing.assert_allclose(cov[2:, 2:], found.known.cov[:9, :9], rtol=1e-5, atol=1e-12)
    noise = one.setup.tilt.sigma_rad**2
    np.testing.assert_allclose(
        cov[:2, :2], found.known.cov[9:, 9:] + noise * np.eye(2), rtol=1e-5, atol=1e-12
    )
    np.testing.assert_allclose(cov[:2, 2:], -found.known.cov[9:, :9], rtol=1e-4, atol=1e-11)


def test_each_view_says_the_same_as_alone_with_what_the_others_say(walked):
    """Leaving a view out of the walk and giving it the rest as a prior loses nothing."""
    _, found = walked
    for view in found.views[3:]:
        alone = solve_pose(view.sight.rods, view.sight.size, view.setup)
        sigma = np.sqrt(np.diag(view.pose.cov))
        assert (np.abs(alone.params - view.pose.params) < 0.35 * sigma).all()
        np.testing.assert_allclose(np.sqrt(np.diag(alone.cov))[:7], sigma[:7], rtol=0.25)


def test_the_budget_of_a_joint_pose_adds_up(walked):
    _, found = walked
    last = found.views[-1]
    budget = error_budget(last.pose, last.setup)
    placement, angle = place(last.pose, last.setup)
    assert budget.sigma("offset_m") == pytest.approx(placement.sigma("offset_m"), rel=0.25)
    assert budget.sigma("angle_rad") == pytest.approx(angle.sigma_rad, rel=0.25)
    assert all(step.how.value not in ("lens", "rods", "tilt-sensor") for step in budget.steps)


def test_lens_and_lengths_are_known_to_the_search(walked):
    made, found = walked
    setup = Setup(view=View.FACE_ON).knowing(found.known)
    assert focal_prior((1280, 720), setup)[0] == pytest.approx(
        np.exp(made.layout.shared[0]), rel=0.06
    )
    assert setup.length_m(Role.STEM) == found.known.lengths_m[1]
    assert setup.length_m(Role.TOE) == 1.22


def test_another_size_of_the_same_picture(walked):
    _, found = walked
    known = found.known
    small = known.at((640, 360))
    assert small.lens.focal_px == pytest.approx(known.lens.focal_px / 2)
    # Pixel (0, 0) is the middle of the first pixel: halves are about 639.5 and 319.5.
    assert small.mean[1] - 319.5 == pytest.approx((known.mean[1] - 639.5) / 2)
    assert small.cov[1, 1] == pytest.approx(known.cov[1, 1] / 4)
    np.testing.assert_allclose(small.mean[3:], known.mean[3:])
    turned = known.at((720, 1280))
    assert turned.lens.focal_px == pytest.approx(known.lens.focal_px)
    assert turned.mean[1:3] == pytest.approx([359.5, 639.5])
    assert np.linalg.eigvalsh(turned.cov).min() > 0
    with pytest.raises(SetupError, match="another shape"):
        known.at((640, 480))


def test_known_rods_of_another_layout_are_misuse(walked):
    _, found = walked
    with pytest.raises(SetupError, match="look at them again"):
        Setup(view=View.DOWN_THE_LINE).knowing(found.known)
    with pytest.raises(SetupError, match="look at them again"):
        Setup(handed=Handed.LEFT).knowing(found.known)


def test_an_angle_hardly_seen_is_not_called_measured():
    """Two looks from nearly one place, without a sensor: the prior still speaks."""
    rng = np.random.default_rng(23)
    made = walk(rng, 2, shares=[0.95, 1.0], sensor=False)
    found = solve_walk(made.sights)
    assert found.known.angle_sigma_rad > MEASURED_RAD and not found.known.angle_measured
    last = found.views[-1]
    _, angle = place(last.pose, last.setup)
    assert angle.measured is False
    assert last.pose.cov.shape == (COUNT, COUNT)


def test_an_angle_well_seen_is_called_measured_by_its_own_spread(walked):
    _, found = walked
    last = found.views[-1]
    _, angle = place(last.pose, last.setup)
    assert angle.sigma_rad < MEASURED_RAD and angle.measured is True
    # the same angle with a spread beyond the limit, all else as well known as before
    widened = last.pose.cov.copy()
    widened[12, 12] += (1.1 * MEASURED_RAD) ** 2
    _, vague = place(replace(last.pose, cov=widened), last.setup)
    assert vague.measured is False
    assert place(last.pose, replace(last.setup, known=None))[1].measured is False
