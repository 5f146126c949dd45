"""Where along its line a rod ends: of drawn rods, of path-traced ones, and of covered ones."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.bench.learn_sliding import ending_shares
from tests.bench.scenes import LAID, right, true_line
from tests.scenes import scenes
from vision.ends import (
    CHANNELS,
    CONTEXT,
    INPUTS,
    REACH,
    SAMPLES,
    Ending,
    ended,
    place_of,
    shares_of,
    shown,
    unit_at,
)
from vision.ends_weights import ENDS
from vision.find import find
from vision.frame import Frame
from vision.full_band import unit_of
from vision.ribbon import measure
from vision.rods import End, Rods

WIDTH_PX = 4.5
STOP = 300.0  # where a drawn stick ends, in the middle between pixels' edges


def stick(stop: float, tilt_deg: float = 0.0, size: int = 400) -> Frame:
    """A white stick on rough green ground from x = 60 to `stop`, turned about its middle."""
    rng = np.random.default_rng(11)
    fine = 8
    ground = np.array([50.0, 110.0, 60.0]) + rng.normal(0, 9.0, (size, size, 1))
    ground = cv2.GaussianBlur(ground, (0, 0), 0.8)
    mask = np.zeros((size * fine, size * fine), np.float32)
    turn = np.deg2rad(tilt_deg)
    along, middle = np.array([np.cos(turn), np.sin(turn)]), np.array([(60 + STOP) / 2, size / 2])
    ends = [middle + along * (x - middle[0]) for x in (60.0, stop)]
    half = np.array([-along[1], along[0]]) * WIDTH_PX / 2
    corners = np.array([ends[0] - half, ends[1] - half, ends[1] + half, ends[0] + half])
    cv2.fillPoly(mask, [np.rint(((corners + 0.5) * fine - 0.5) * 16).astype(np.int32)], 1.0, 8, 4)
    share = cv2.resize(mask, (size, size), interpolation=cv2.INTER_AREA)[..., None]
    share = cv2.GaussianBlur(share, (0, 0), 0.7)[..., None]
    bgr = ground * (1 - share) + 225.0 * share + rng.normal(0, 2.0, (size, size, 3))
    return Frame.from_bgr(np.clip(bgr, 0, 255).astype(np.uint8))


def ends_near(frame: Frame, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    planes = (frame.y, frame.u, frame.v)
    return ended(planes, ends, WIDTH_PX, unit_of(frame), ENDS.weights)[:3]


@pytest.mark.parametrize("off_px", [-6.0, -2.5, 0.0, 2.5, 6.0])
def test_a_drawn_sticks_end_is_found_from_either_side(off_px):
    frame = stick(STOP)
    start = np.array([[60.0, 200.0], [STOP + off_px, 200.0]])
    placed, sigma, unseen = ends_near(frame, start)
    assert placed[1, 0] == pytest.approx(STOP, abs=1.2)  # a quarter of its width
    np.testing.assert_allclose(placed[:, 1], 200.0)  # along the line, not across
    assert sigma[1] < 2.0
    assert (unseen < 0.2).all()


def test_a_drawn_end_that_moves_is_followed_between_pixels():
    found = []
    for more in np.arange(0.0, 3.0, 0.5):
        line = np.array([[60.0, 200.0], [STOP + 1.0, 200.0]])
        found.append(ends_near(stick(STOP + more), line)[0][1, 0])
    slope = np.polyfit(np.arange(0.0, 3.0, 0.5), found, 1)[0]
    assert 0.7 < slope < 1.3


def test_path_traced_ends_are_where_they_are_said_to_be():
    """True ends against found ones, clubs' too: half within three pixels in ten of the width."""
    off, sigmas = [], []  # in widths; in sigmas
    for scene in scenes():
        rods = find(scene.frame(), scene.setup(), accept=-np.inf)
        if scene.layout not in LAID or not isinstance(rods, Rods) or not right(rods, scene):
            continue
        for rod, truth in zip(rods.both, scene.rods, strict=False):
            true = true_line(truth, scene.size)[[0, -1]]
            span = rod.ends_px[1] - rod.ends_px[0]
            if (true[1] - true[0]) @ span < 0:
                true = true[::-1]
            miss = np.abs((rod.ends_px - true) @ span) / np.linalg.norm(span)
            for k, kind in enumerate(rod.ends):
                if kind is End.SEEN:
                    off.append(miss[k] / rod.width_px)
                    sigmas.append(miss[k] / rod.end_sigma_px[k])
    assert len(off) >= 20
    assert np.median(off) < 0.3
    assert (np.array(sigmas) < 2.0).mean() >= 0.85


@pytest.mark.parametrize("beyond_px", [30.0, 70.0])
def test_a_covered_end_is_hidden_or_where_its_cover_begins(beyond_px):
    """A box over a stick's end: it is never told as seen on the box, or beyond it."""
    rng = np.random.default_rng(5)
    frame = stick(STOP)
    luma, u, v = frame.y.copy(), frame.u.copy(), frame.v.copy()
    edge = int(STOP - beyond_px)
    luma[150:250, edge : edge + 110] = np.clip(rng.normal(70, 3, (100, 110)), 0, 255)
    u[75:125, edge // 2 : edge // 2 + 55], v[75:125, edge // 2 : edge // 2 + 55] = 128, 150
    covered = replace(frame, y=luma, u=u, v=v)
    rod = measure(covered, np.array([[60.0, 200.0], [edge - 4.0, 200.0]]))
    assert rod.ends[0] is End.SEEN
    assert rod.ends_px[0, 0] == pytest.approx(60.0, abs=1.5)
    if rod.ends[1] is End.SEEN:
        assert abs(rod.ends_px[1, 0] - edge) < 3.0  # not on the box, or beyond it


def test_an_end_at_the_rim_is_cut():
    frame = stick(STOP, size=303)
    rod = measure(frame, np.array([[60.0, 151.0], [296.0, 151.0]]))
    assert rod.ends == (End.SEEN, End.CUT)
    assert rod.end_sigma_px[1] >= 1e3


def test_a_picture_twice_as_large_says_the_same():
    """Pictures larger than usual are looked at in coarser steps."""
    small = cv2.resize(stick(STOP).y, (1280, 1280), interpolation=cv2.INTER_CUBIC)
    big = cv2.resize(small, (2560, 2560), interpolation=cv2.INTER_CUBIC)
    line = np.array([[60.0, 200.0], [STOP + 2.0, 200.0]])
    found = []
    for luma, factor in ((small, 1), (big, 2)):
        side = luma.shape[0] // 2
        grey = np.full((side, side), 128, np.uint8)
        frame = Frame(luma, grey, grey.copy())
        at = (line + 0.5) * (1280 / 400 * factor) - 0.5
        width = WIDTH_PX * 1280 / 400 * factor
        planes = (frame.y, frame.u, frame.v)
        placed, sigma, *_ = ended(planes, at, width, unit_of(frame), ENDS.weights)
        found.append((*((placed[:, 0] + 0.5) / factor), *(sigma / factor)))
    np.testing.assert_allclose(found[0], found[1], atol=0.8)


def test_the_loops_answer_as_the_network_that_was_learnt():
    rng = np.random.default_rng(2)
    seen = rng.normal(0, 1, (6, SAMPLES, CHANNELS)).astype(np.float32)
    context = rng.normal(0, 0.5, (6, CONTEXT)).astype(np.float32)
    whole = ending_shares(ENDS, seen, context)
    for k in range(6):
        np.testing.assert_allclose(
            shares_of(seen[k], context[k], ENDS.weights), whole[k], atol=1e-4
        )
    np.testing.assert_allclose(whole.sum(axis=1), 1.0, atol=1e-6)


def test_without_an_answer_all_steps_are_alike():
    blind = Ending(np.zeros((INPUTS, 2), np.float32), *np.zeros((2, 2), np.float32), -np.inf)
    frame = stick(STOP)
    seen, context = shown(
        (frame.y, frame.u, frame.v), np.array([[60.0, 200.0], [STOP, 200.0]]), 1, WIDTH_PX, 1.0
    )
    shares = shares_of(seen, context, blind.weights)
    np.testing.assert_allclose(shares[:-1], 1 / (2 * REACH + 1))
    assert shares[-1] == 0.0
    place, sigma = place_of(shares)
    steps = np.arange(-REACH, REACH + 1)
    assert sigma == pytest.approx(np.sqrt(((steps - place) ** 2).mean()))


@pytest.mark.parametrize("at", [-7.0, -0.5, 0.0, 2.25, 9.0])
def test_the_place_lies_between_the_steps_that_share_it(at):
    shares = np.zeros(2 * REACH + 2)
    low = int(np.floor(at))
    shares[low + REACH] = 0.8 * (low + 1 - at)
    shares[low + REACH + 1] = 0.8 * (at - low)
    shares[-1] = 0.2
    place, sigma = place_of(shares)
    assert place == pytest.approx(at, abs=0.05)
    assert sigma <= 0.51


def test_steps_grow_with_the_rod_and_the_picture():
    assert unit_at(4.5, 1.0) == pytest.approx(1.5)
    assert unit_at(1.5, 1.0) == pytest.approx(0.8)
    assert unit_at(60.0, 1.0) == pytest.approx(3.0)
    assert unit_at(60.0, 3.0) == pytest.approx(9.0)
