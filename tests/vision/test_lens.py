"""A calibrated lens in the pose: its distortion and principal point are taken out."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.synthetic import SIZE, draw
from vision.lens import camera_matrix, straight
from vision.placement import place
from vision.pose import solve_pose
from vision.rods import Rods
from vision.setup import Lens, LensSource, View

BEND = (0.09, -0.12, 1.5e-3, -1e-3, 0.03)
CENTRE = (652.0, 349.0)


def test_straight_undoes_opencvs_projection():
    rng = np.random.default_rng(0)
    lens = Lens(1000.0, 1.0, LensSource.PROFILE, centre_px=CENTRE, bend=BEND)
    rays = np.column_stack([rng.uniform(-0.6, 0.6, 50), rng.uniform(-0.33, 0.33, 50), np.ones(50)])
    matrix = camera_matrix(1000.0, CENTRE)
    still = np.zeros(3)
    seen = cv2.projectPoints(rays, still, still, matrix, np.array(BEND))[0].reshape(-1, 2)
    ideal = 1000.0 * rays[:, :2] + CENTRE
    assert np.abs(seen - ideal).max() > 5
    assert straight(seen, lens) == pytest.approx(ideal, abs=0.01)
    assert straight(seen.reshape(5, 10, 2), lens).shape == (5, 10, 2)


def test_lenses_without_bend_leave_points_alone():
    points = np.array([[1.0, 2.0]])
    assert straight(points, None) is points
    assert straight(points, Lens(1000.0, 1.0)) is points


def test_a_resized_picture_keeps_the_lens():
    lens = Lens(1000.0, 2.0, LensSource.PROFILE, 0.0, 0.01, CENTRE, 1.5, BEND)
    half = lens.scaled(0.5)
    assert (half.focal_px, half.sigma_px, half.centre_sigma_px) == (500.0, 1.0, 0.75)
    assert half.centre_px == (325.75, 174.25)  # (652.5, 349.5) / 2 - 0.5
    assert (half.bend, half.k1_sigma, half.source) == (BEND, 0.01, LensSource.PROFILE)


def bent(case, focal_px):
    """The draw's rods as a lens with BEND and CENTRE in place of the draw's own would see them."""
    own = camera_matrix(focal_px, (case.params[7], case.params[8]))
    theirs = camera_matrix(focal_px, CENTRE)
    still = np.zeros(3)

    def seen(px):
        flat = np.ascontiguousarray(px).reshape(-1, 1, 2)
        rays = cv2.undistortPoints(flat, own, np.array([case.params[9], 0, 0, 0])).reshape(-1, 2)
        rays = np.column_stack([rays, np.ones(len(rays))])
        out = cv2.projectPoints(rays, still, still, theirs, np.array(BEND))[0]
        return out.reshape(px.shape)

    first, second = (replace(rod, ends_px=seen(rod.ends_px)) for rod in case.rods.both)
    return Rods(first, second, case.rods.score, case.rods.runner_up)


@pytest.mark.parametrize("view", View)
def test_a_profile_takes_distortion_and_centre_out_of_the_pose(view):
    """Through the ends alone, as straight lines between bent ends are what the fit measures."""
    with_profile, focal_alone, pulls = [], [], []
    rng = np.random.default_rng(2)
    for _ in range(40):
        case = draw(rng, view)
        focal_px = float(np.exp(case.params[6]))
        rods = bent(case, focal_px)
        lens = Lens(focal_px, 3.0, LensSource.PROFILE, 0.0, 0.005, CENTRE, 2.0, BEND)
        for known, errors in ((lens, with_profile), (Lens(focal_px, 3.0), focal_alone)):
            setup = replace(case.setup, lens=known)
            placement, _ = place(solve_pose(rods, SIZE, setup), setup)
            error = placement.yaw_rad - case.truth["yaw_rad"]
            errors.append(abs(error))
            if known is lens:
                pulls.append(error / placement.sigma("yaw_rad"))
    assert np.median(with_profile) < 0.6 * np.median(focal_alone)
    assert (np.abs(pulls) < 2).mean() >= 0.85
