"""A measured rod: at the picture's rim, and how far its line is from the true one."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.bench.line_errors import off_px
from tests.bench.scenes import LAID, right, true_line
from tests.scenes import scenes
from tests.synthetic import SIZE, draw
from vision.find import find
from vision.frame import Frame
from vision.look import LOOK
from vision.model import measured, observe
from vision.ribbon import measure
from vision.rods import End, Rods
from vision.setup import View


@pytest.mark.parametrize(
    "ends",
    [
        [[59.0, 2.0], [121.0, 3.0]],
        [[-40.0, -3.0], [60.0, -2.0]],
        [[2.0, 300.0], [1.0, 380.0]],
        [[-200.0, -90.0], [-120.0, -60.0]],
        [[10.0, 10.0], [16.0, 14.0]],
    ],
)
def test_a_segment_at_the_rim_is_survived(ends):
    for scene in scenes():
        ribbon = measure(scene.frame(), np.array(ends))
        assert np.isfinite(ribbon.ends_px).all()


def test_a_segment_outside_the_picture_has_cut_ends():
    frame = scenes()[0].frame()
    assert measure(frame, np.array([[-200.0, -90.0], [-120.0, -60.0]])).ends == (End.CUT, End.CUT)


def test_lines_are_shifted_and_turned_by_as_much_as_is_said():
    """Against the true axes of path-traced rods: most of a line's error is a shift of all of it."""
    shifts, turns, reaches = [], [], []  # the first two in sigmas
    for scene in scenes():
        rods = find(scene.frame(), scene.setup(), accept=-np.inf)
        if scene.layout not in LAID or not isinstance(rods, Rods) or not right(rods, scene):
            continue
        for rod, truth in zip(rods.both, scene.rods, strict=False):
            shift, turn = off_px(rod, true_line(truth, scene.size)) * np.sqrt(2)
            shifts.append(shift / rod.line_sigma_px)
            turns.append(turn / rod.line_sigma_px * rod.line_reach)
            reaches.append(rod.line_reach)
            assert rod.line_reach > (1.5 if truth["kind"] == "stick" else 0.8)
    assert len(shifts) >= 12
    assert np.median(reaches) > 1.5
    for errors in (np.array(shifts), np.array(turns)):
        assert 0.4 < np.sqrt((errors**2).mean()) < 1.6
        assert (np.abs(errors) < 2).mean() >= 0.85


def test_a_rod_is_the_same_from_any_part_of_it():
    """A search often sees some of a rod: its ends are then told again from where they were told."""
    off = []  # pixels
    for scene in (scene for scene in scenes() if scene.layout in LAID):
        for rod in scene.rods[:2]:
            first, *_, last = true_line(rod, scene.size)
            whole = measure(scene.frame(), np.array([first, last])).ends_px
            for part in ((0.0, 0.4), (0.3, 0.7), (0.6, 1.0), (0.0, 0.6), (0.4, 1.0)):
                start, stop = (first + share * (last - first) for share in part)
                found = measure(scene.frame(), np.array([start, stop])).ends_px
                off.append(np.abs(found - whole).max())
    assert len(off) == 70
    assert np.percentile(off, 50) < 0.5
    assert np.percentile(off, 90) < 2.0
    assert np.percentile(off, 95) < 4.0


def test_errors_at_two_points_are_a_shift_and_a_turn():
    """Of a regression on even samples the two come to the same: m +- d, each of sigma / sqrt(2)."""
    case = draw(np.random.default_rng(8), View.FACE_ON)
    view = observe(case.rods.both, SIZE, case.setup)
    rows = measured(view, case.params)[:4].reshape(2, 2)
    away = rows * view.line_sigma
    first, second = away[:, 0] - away[:, 1], away[:, 0] + away[:, 1]
    sigma = np.array([rod.line_sigma_px for rod in case.rods.both])
    assert (rows**2).sum() == pytest.approx(((first**2 + second**2) / sigma**2).sum())
    reach = 3.0
    longer = replace(case.rods.first, line_reach=reach), replace(case.rods.second, line_reach=reach)
    turned = measured(observe(longer, SIZE, case.setup), case.params)[:4].reshape(2, 2)
    np.testing.assert_allclose(turned, rows * [1.0, reach])


def _strip(colour_of):
    """Green ground with a strip on it whose linear colour `colour_of` makes of the ground's."""
    rng = np.random.default_rng(4)
    ground = np.array([0.05, 0.22, 0.1]) * np.exp(rng.normal(0, 0.15, (240, 360, 1)))  # BGR
    ground = cv2.GaussianBlur(ground, (0, 0), 1.0)
    ground[118:123, 60:300] = colour_of(ground[118:123, 60:300])
    srgb = np.clip(ground, 0, 1) ** (1 / 2.2) * 255
    return Frame.from_bgr(np.rint(srgb).astype(np.uint8))


def club(grip_level, seed, ground_noise=6.0):
    """A light shaft, 5 pixels wide, along y = 120; its grip, 7 wide, lies a pixel beside it.

    A stick as long where there is no grip (None).
    """
    rng = np.random.default_rng(seed)
    grey = rng.normal(110.0, ground_noise, (240, 360))
    grey[118:123, 60:300] = 200.0
    if grip_level is not None:
        grey[116:123, 225:300] = grip_level
    grey = cv2.GaussianBlur(grey, (0, 0), 0.7) + rng.normal(0, 2.0, grey.shape)
    return Frame.from_bgr(np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2))


@pytest.mark.parametrize("grip_level", [30.0, 60.0, 140.0])
def test_a_grip_beside_its_shafts_line_does_not_turn_it(grip_level):
    """Through the middles of both it would be turned by 1.4 pixels from end to end."""
    turns = []
    for seed in range(6):
        (_, first), (_, last) = measure(
            club(grip_level, seed), np.array([[60.0, 120.0], [299.0, 119.0]])
        ).ends_px
        assert abs(first - 120.0) < 0.3
        turns.append(abs(last - first))
    assert np.median(turns) < 0.3


@pytest.mark.parametrize(
    ("what", "colour_of", "low", "high"),
    [
        ("a shadow", lambda g: 0.4 * g, 0.75, 1.0),
        ("a shadow under a blue sky", lambda g: g * [0.5, 0.4, 0.33], 0.6, 1.0),
        ("a dark shaft", lambda g: 0 * g + 0.03, 0.0, 0.3),
        ("a white stick", lambda g: 0 * g + 0.8, 0.0, 0.0),
        ("a red stick", lambda g: 0 * g + [0.02, 0.03, 0.4], 0.0, 0.1),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_shadow_is_told_by_the_ground_that_it_dims(what, colour_of, low, high):
    ribbon = measure(_strip(colour_of), np.array([[60.0, 120.0], [299.0, 120.0]]))
    assert low <= ribbon.look[LOOK.index("shade")] <= high


@pytest.mark.parametrize("seed", range(4))
def test_what_is_no_rod_at_all_is_survived(seed):
    """Noise and blots: both ends of what seems to run there may be told in the same place."""
    rng = np.random.default_rng(seed)
    grey = rng.normal(110.0, 25.0, (200, 260))
    for x, y in rng.integers(20, 180, (30, 2)):
        cv2.circle(grey, (int(x), int(y)), int(rng.integers(1, 5)), float(rng.uniform(0, 255)), -1)
    grey = np.clip(cv2.GaussianBlur(grey, (0, 0), 1.2), 0, 255).astype(np.uint8)
    frame = Frame.from_bgr(np.repeat(grey[..., None], 3, axis=2))
    for _ in range(150):
        middle, turn = rng.uniform(30, 170, 2), rng.uniform(0, np.pi)
        half = rng.uniform(14, 60) * np.array([np.cos(turn), np.sin(turn)])
        ribbon = measure(frame, np.array([middle - half, middle + half]))
        assert np.isfinite(ribbon.ends_px).all()
        assert np.linalg.norm(ribbon.ends_px[1] - ribbon.ends_px[0]) > 1.0
