"""A picture that shows its rods where they were is told from one that does not."""

import cv2
import numpy as np
import pytest

from tests.scenes import scenes
from vision.find import find
from vision.rest import LEAST, SHIFT_PX, SIDE_PX, Landmarks, landmarks, unmoved
from vision.rods import Rods

LAID = [scene for scene in scenes() if scene.layout in ("t", "pair")]
NOISE = 2.5  # grey levels


def marked(scene, seed=0) -> tuple[np.ndarray, Landmarks]:
    """The scene's luma in floats, and landmarks of a noisy picture of it."""
    rods = find(scene.frame(), scene.setup(), accept=-np.inf)
    assert isinstance(rods, Rods)
    luma = scene.frame().y.astype(np.float32)
    marks = landmarks(noisy(luma, np.random.default_rng(seed)), rods)
    assert marks is not None
    return luma, marks


def noisy(luma, rng) -> np.ndarray:
    noise = NOISE * rng.standard_normal(luma.shape, np.float32)
    return np.clip(luma + noise, 0, 255).round().astype(np.uint8)


def moved(luma, right_px, down_px, turn_rad=0.0) -> np.ndarray:
    height, width = luma.shape
    shift = cv2.getRotationMatrix2D((width / 2, height / 2), np.rad2deg(turn_rad), 1.0)
    shift[:, 2] += right_px, down_px
    return cv2.warpAffine(
        luma, shift, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


@pytest.mark.parametrize("scene", LAID, ids=lambda scene: scene.name)
def test_noise_is_no_motion_and_a_shift_of_two_thirds_of_a_pixel_is(scene):
    luma, marks = marked(scene)
    rng = np.random.default_rng(1)
    assert sum(unmoved(marks, noisy(luma, rng)) for _ in range(20)) >= 19
    for way in np.arange(8) * np.pi / 4:
        shifted = moved(luma, 0.67 * np.cos(way), 0.67 * np.sin(way))
        assert not unmoved(marks, noisy(shifted, rng)), way
    # A tripod's head that gives way, and one that is turned, by much and by little.
    for turn_deg in (0.2, -0.2, 2.0, 30.0):
        assert not unmoved(marks, noisy(moved(luma, 0, 0, np.deg2rad(turn_deg)), rng)), turn_deg
    for down_px in (2, 9, 40, 200):
        assert not unmoved(marks, noisy(moved(luma, 0, down_px), rng)), down_px


@pytest.mark.parametrize("scene", LAID[:4], ids=lambda scene: scene.name)
def test_a_cloud_is_no_motion_but_a_foot_is(scene):
    luma, marks = marked(scene)
    rng = np.random.default_rng(2)
    assert unmoved(marks, noisy(luma + 9, rng))
    for x, y in marks.corners_px:
        covered = luma.copy()
        covered[y : y + SIDE_PX, x : x + SIDE_PX // 2] = rng.choice([25, 235])
        assert not unmoved(marks, noisy(covered, rng))


def test_another_size_is_another_picture():
    luma, marks = marked(LAID[0])
    assert not unmoved(marks, noisy(luma[:, :-2], np.random.default_rng(0)))


def test_rods_that_leave_the_picture_give_no_landmarks():
    scene = LAID[0]
    rods = find(scene.frame(), scene.setup(), accept=-np.inf)
    assert isinstance(rods, Rods)
    luma = scene.frame().y
    ends = rods.ends_px.reshape(-1, 2)
    strip = luma[: int(ends[:, 1].min()) + SIDE_PX // 2]  # only the upper edge of what is there
    assert landmarks(strip, rods) is None
    whole = landmarks(luma, rods)
    assert whole is not None
    assert len(whole.corners_px) >= LEAST


def test_it_agrees_with_an_independent_tracker():
    """OpenCV's pyramidal Lucas-Kanade (calcOpticalFlowPyrLK), on shifts that both can see."""
    told: list[tuple[float, bool]] = []
    rng = np.random.default_rng(3)
    for scene in LAID:
        luma, marks = marked(scene)
        before = noisy(luma, np.random.default_rng(0))
        points = (marks.corners_px + SIDE_PX / 2 - 0.5).astype(np.float32)[:, None]
        for far_px in np.linspace(0.0, 1.0, 9):
            way = rng.uniform(0, 2 * np.pi)
            shifted = noisy(moved(luma, far_px * np.cos(way), far_px * np.sin(way)), rng)
            flow, _, _ = cv2.calcOpticalFlowPyrLK(
                before, shifted, points, None, winSize=(SIDE_PX - 3, SIDE_PX - 3), maxLevel=0
            )
            far = float(np.linalg.norm(np.median(flow - points, axis=(0, 1))))
            told.append((far, unmoved(marks, shifted)))
    near = [still for far, still in told if far < SHIFT_PX / 2]
    away = [still for far, still in told if far > 1.8 * SHIFT_PX]
    assert min(len(near), len(away)) >= len(LAID)
    assert np.mean(near) >= 0.9
    assert not any(away)
