"""Where across its band a rod lies: against the true axes of path-traced rods, and its shadow."""

import cv2
import numpy as np
import pytest

from tests.bench.learn_sliding import log_shares as shares_by_numpy
from tests.bench.scenes import LAID, true_line
from tests.scenes import scenes
from vision import across
from vision.across import HALF, paired, windows_of
from vision.across_weights import ACROSS
from vision.frame import Frame
from vision.full_band import band_along, lit_up, onto_axis, shaded_side, unit_of
from vision.rod_weights import ROD

WEIGHTS = ACROSS.weights
REACH = 14.0


def looked_at(frame: Frame, ends: np.ndarray) -> np.ndarray:
    planes = (frame.y, frame.u, frame.v)
    starts, unit = np.ascontiguousarray(ends), unit_of(frame)
    return onto_axis(planes, starts, unit, WEIGHTS, ROD.weights, REACH, HALF)[0]


def off_px(ends: np.ndarray, points: np.ndarray) -> float:
    """How far the line lies from points (n, 2): rms."""
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return float(np.sqrt((((points - ends[0]) @ [-along[1], along[0]]) ** 2).mean()))


def rods():
    """(frame, the axis's points) of every rod in the path-traced pictures."""
    for scene in scenes():
        for rod in scene.rods[:2] if scene.layout in LAID else ():
            yield scene.frame(), true_line(rod, scene.size)


@pytest.mark.parametrize("aside_px", [-6.0, -2.0, 0.0, 3.0, 7.0])
def test_a_line_beside_a_rod_is_moved_onto_its_axis(aside_px):
    misses = []
    for frame, axis in rods():
        span = (axis[-1] - axis[0]) / np.linalg.norm(axis[-1] - axis[0])
        start = axis[[0, -1]] + np.array([[aside_px], [aside_px + 1.0]]) * [-span[1], span[0]]
        misses.append(off_px(looked_at(frame, start), axis))
    assert len(misses) >= 10
    assert np.median(misses) < 0.3
    assert np.mean(np.array(misses) < 1.0) >= 0.8


def sunny(rod: float, shadow: float, wide: int = 3, seed: int = 0) -> np.ndarray:
    """Rough ground with a rod along y = 120 and, below it, its shadow, twice as wide."""
    rng = np.random.default_rng(seed)
    grey = cv2.GaussianBlur(rng.normal(120.0, 14.0, (240, 360)), (0, 0), 1.0)
    low = 120 - wide // 2
    grey[low + wide : low + 3 * wide, 40:320] *= shadow
    grey[low : low + wide, 40:320] = rod
    grey = cv2.GaussianBlur(grey, (0, 0), 0.7) + rng.normal(0, 2.0, grey.shape)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("start_px", [120.0, 124.0])
@pytest.mark.parametrize("rod", [230.0, 160.0])
def test_a_rod_is_told_from_its_shadow(rod, start_px):
    """The shadow is wider, as unlike the ground, and 4.5 pixels off: not a quarter of the way."""
    for seed in range(4):
        frame = Frame.from_bgr(sunny(rod, 0.45, seed=seed))
        ends = looked_at(frame, np.array([[44.0, start_px], [316.0, start_px]]))
        assert np.abs(ends[:, 1] - 120.0).max() < 1.2


def test_left_and_right_are_alike():
    bgr = sunny(200.0, 0.5)
    ends = np.array([[44.0, 117.0], [316.0, 119.0]])
    one = looked_at(Frame.from_bgr(bgr), ends)
    rows = np.ascontiguousarray(bgr[::-1])
    mirrored = looked_at(Frame.from_bgr(rows), ends * [1, -1] + [0, 239.0])
    np.testing.assert_allclose(one[:, 1], 239.0 - mirrored[:, 1], atol=0.02)


def test_in_a_larger_picture_the_axis_is_the_same():
    for scene in [s for s in scenes() if s.layout in LAID][:3]:
        axis = true_line(scene.rods[0], scene.size)
        start = axis[[0, -1]] + [0.0, 2.0]
        large = cv2.resize(scene.bgr(), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
        assert unit_of(Frame.from_bgr(large)) == pytest.approx(3.0)
        there = looked_at(Frame.from_bgr(large), (start + 0.5) * 3 - 0.5)
        here = looked_at(scene.frame(), start)
        np.testing.assert_allclose((there + 0.5) / 3 - 0.5, here, atol=0.35)


def test_the_compiled_network_says_what_it_learnt():
    """Against the plain matrix products of the bench, where it was learnt."""
    for frame, axis in list(rods())[:4]:
        band = band_along((frame.y, frame.u, frame.v), axis[[0, -1]].copy(), HALF, 1.0)
        profiles, context = windows_of(band)
        plain = np.maximum(shares_by_numpy(ACROSS, profiles, context), across.LEAST_SHARE)
        np.testing.assert_allclose(across.log_shares(profiles, context, WEIGHTS), plain, atol=2e-3)


def test_a_line_is_found_that_most_windows_agree_on():
    """A fifth of the windows say something else, and one says nothing."""
    count, columns = 10, 2 * HALF + 1
    shares = np.full((count, columns), across.LEAST_SHARE)
    for g in range(count):
        at = HALF + 3.0 - 4.0 * (g + 0.5) / count
        shares[g] = np.maximum(-0.5 * (np.arange(columns) - at) ** 2 - 0.9, across.LEAST_SHARE)
    shares[[2, 6]] = np.roll(shares[[2, 6]], 9, axis=1)
    shares[8] = -np.log(columns)
    first, last, likely = across.likeliest(shares, REACH)
    assert abs(first - 3.0) <= 0.5
    assert abs(last + 1.0) <= 0.5
    assert -2.4 < likely < -1.0
    first, last, sigma = across.fitted(shares, np.ones(count), first, last)
    np.testing.assert_allclose([first, last], [3.0, -1.0], atol=0.05)
    assert sigma < 0.1


def test_a_unit_and_its_mirror_image_see_the_same_from_either_side():
    rng = np.random.default_rng(3)
    parts = (rng.normal(0, 0.2, shape) for shape in ((across.INPUTS, 4), (4,), (4,)))
    net = paired(*(part.astype(np.float32) for part in parts))
    profiles = rng.normal(0, 1, (3, 2 * (HALF + across.PATCH) + 1, 4)).astype(np.float32)
    context = rng.normal(0, 1, (3, across.CONTEXT)).astype(np.float32)
    there = across.log_shares(np.ascontiguousarray(profiles[:, ::-1]), context, net.weights)
    np.testing.assert_allclose(
        across.log_shares(profiles, context, net.weights), there[:, ::-1], atol=1e-4
    )


@pytest.mark.parametrize(("below", "side"), [(0.5, 1.0), (1.0, 0.0), (1.9, -1.0)])
def test_the_side_in_the_shade_is_told_and_the_other_stands_for_it(below, side):
    """Ground of 60 above the rod; below it half, as much, or twice: then above is the shade."""
    band = np.full((50, 2 * HALF + 1, 3), 128.0, np.float32)
    band[..., 0] = 60.0
    band[:, HALF + 2 :, 0] = 60.0 * below
    band[:, HALF - 1 : HALF + 2, 0] = 200.0
    assert shaded_side(band) == side
    before = band.copy()
    if side:
        lit_up(band, side, 1)
    lit = 60.0 * max(below, 1.0)
    np.testing.assert_allclose(band[:, [0, -1], 0], lit if side else before[:, [0, -1], 0])
    np.testing.assert_array_equal(band[:, HALF - 1 : HALF + 2], before[:, HALF - 1 : HALF + 2])


def test_another_ground_is_no_shade():
    """A mat's edge along the rod: as dark as a shadow, but of another colour."""
    band = np.full((50, 2 * HALF + 1, 3), 128.0, np.float32)
    band[..., 0] = 120.0
    band[:, HALF + 2 :] = [70.0, 128.0, 100.0]
    assert shaded_side(band) == 0.0
