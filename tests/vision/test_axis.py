"""What a rod's axis in its band is like, and whether there is a rod on it."""

import numpy as np
import pytest

from tests.bench.learn_sliding import rod_odds as odds_by_numpy
from tests.bench.scenes import LAID, true_line
from tests.scenes import scenes
from tests.vision.test_across import REACH, sunny
from vision.across import HALF, PATCH, windows_of
from vision.across_weights import ACROSS
from vision.axis import LIKE, SUREST, axis_of, rod_odds
from vision.frame import Frame
from vision.full_band import band_along, unit_of
from vision.rod_weights import ROD

NETS = ACROSS.weights, ROD.weights


def band_of(frame: Frame, ends: np.ndarray) -> np.ndarray:
    planes = (frame.y, frame.u, frame.v)
    return band_along(planes, np.ascontiguousarray(ends), HALF, unit_of(frame))


def like_of(frame: Frame, ends: np.ndarray, reach: float = 2.0) -> dict[str, float]:
    return dict(zip(LIKE, axis_of(band_of(frame, ends), *NETS, reach)[3], strict=True))


def beside(axis: np.ndarray, aside_px: float) -> np.ndarray:
    """The line through the axis's ends, moved across by so much."""
    way = (axis[-1] - axis[0]) / np.linalg.norm(axis[-1] - axis[0])
    return axis[[0, -1]] + aside_px * np.array([-way[1], way[0]])


def test_the_axis_of_a_short_band_is_told_too():
    band = np.full((20, 2 * HALF + 1, 3), 128.0, np.float32)
    band[:, HALF + 2 : HALF + 5, 0] = 220.0
    first, last, sigma, like = axis_of(band, *NETS, REACH)
    np.testing.assert_allclose([first, last], 3.0, atol=0.6)
    assert np.isfinite(sigma)
    assert np.isfinite(like).all()
    assert like.shape == (len(LIKE),)


def test_a_rod_is_smoother_than_the_ground():
    ends = np.array([[44.0, 120.0], [316.0, 120.0]])
    along, beneath = (
        like_of(Frame.from_bgr(np.ascontiguousarray(bgr)), ends)["rough"]
        for bgr in (sunny(200.0, 0.5), sunny(200.0, 1.0)[60:])
    )
    assert along < beneath - 0.3


def test_there_is_a_rod_where_one_lies_and_none_beside_it():
    """Of path-traced rods: on the axis, and on the ground 40 pixels beside it."""
    on, off = [], []
    for scene in scenes():
        for rod in scene.rods[:2] if scene.layout in LAID else ():
            axis, frame = true_line(rod, scene.size), scene.frame()
            on.append(like_of(frame, axis[[0, -1]], 5.0)["rod"])
            off += [like_of(frame, beside(axis, px), 5.0)["rod"] for px in (-40.0, 40.0)]
    assert len(on) >= 10
    assert np.median(on) > 0.0
    assert np.median(off) < -4.0
    assert (np.array(on)[:, None] > off).mean() > 0.99


def test_what_lies_over_a_rod_leaves_the_other_parts_as_they_are():
    bgr = sunny(200.0, 0.5)
    ends = np.array([[44.0, 120.0], [316.0, 120.0]])
    free = like_of(Frame.from_bgr(bgr), ends)
    bgr[90:150, 140:220] = 90
    over = like_of(Frame.from_bgr(bgr), ends)
    assert over["third rod"] == pytest.approx(free["third rod"], abs=1.0)
    assert over["rod"] < free["rod"] - 1.0
    assert over["least third rod"] < free["least third rod"] - 2.0


def test_the_parts_of_the_windows_are_in_order():
    frame = Frame.from_bgr(sunny(180.0, 0.5))
    like = like_of(frame, np.array([[44.0, 119.0], [316.0, 122.0]]), REACH)
    assert like["third rod"] >= like["two thirds rod"] >= like["rod"] >= like["least third rod"]
    assert like["third likely"] >= like["two thirds likely"] >= like["likely"] - 0.5


def test_the_compiled_odds_are_what_the_network_learnt():
    """Against the plain matrix products of the bench, and within the limits of one window."""
    scene = next(s for s in scenes() if s.layout in LAID)
    profiles, context = windows_of(band_of(scene.frame(), true_line(scene.rods[0], scene.size)))
    offs = np.linspace(-6.4, 4.4, len(profiles))
    patches = np.stack(
        [
            p[k : k + 2 * PATCH + 1]
            for p, k in zip(profiles, np.rint(offs).astype(int) + HALF, strict=True)
        ]
    )
    plain = np.clip(odds_by_numpy(ROD, patches, context), -SUREST, SUREST)
    np.testing.assert_allclose(rod_odds(profiles, context, offs, ROD.weights), plain, atol=2e-3)
