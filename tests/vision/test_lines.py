"""Line pieces, the part of the picture that is searched, and where a rod's partner would lie."""

import cv2
import numpy as np
import pytest

from tests.bench.scenes import true_line
from tests.scenes import line_rms_px, scenes
from vision import hough, partners
from vision.contrast import HALF
from vision.find import ways
from vision.frame import Frame
from vision.layouts import from_ground, on_ground
from vision.model import focal_prior
from vision.part import WHOLE_PX, ground_row, searched_part
from vision.setup import Lens, Setup, Tilt, View

LAID = [s for s in scenes() if s.layout in ("t", "pair")]


@pytest.mark.parametrize("strip", [2, 8, 16, 32])
def test_sums_along_lines_are_those_of_opencv(strip):
    """OpenCV 4.x, `cv::ximgproc::FastHoughTransform`: the dyadic patterns of Brady (1998)."""
    rows = np.zeros((strip, 5 * strip + 40), np.int16)
    rng = np.random.default_rng(strip)
    rows[:, strip:-strip] = rng.integers(-120, 121, (strip, rows.shape[1] - 2 * strip))
    theirs = cv2.ximgproc.FastHoughTransform(
        rows,
        cv2.CV_16S,
        angleRange=cv2.ximgproc.ARO_315_45,
        op=cv2.ximgproc.FHT_ADD,
        makeSkew=cv2.ximgproc.HDO_RAW,
    )
    assert theirs.shape[0] == 2 * strip - 1
    theirs = theirs[:, : rows.shape[1]]
    for turn in (1, -1):
        spare = np.empty_like(rows), np.empty_like(rows)
        ours = hough._sums(rows, turn, *spare)
        for steps in range(strip):
            # The margins of zeros keep lines from wrapping round.
            inside = slice(0, -strip) if turn > 0 else slice(strip, None)
            np.testing.assert_array_equal(
                ours[steps, inside], theirs[strip - 1 - turn * steps, inside]
            )


@pytest.mark.parametrize("angle_deg", [0, 20, 45, 70, 90, 120, 160])
def test_the_strongest_piece_lies_on_a_thin_line_and_none_on_a_step(angle_deg):
    along = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    middle = np.array([160.0, 100.0])
    y, x = np.mgrid[:200, :320]
    off = (x - middle[0]) * along[1] - (y - middle[1]) * along[0]
    at = (x - middle[0]) * along[0] + (y - middle[1]) * along[1]
    planes = np.zeros((3, 200, 320), np.float32)
    planes[0] = np.clip(1.5 - np.abs(off), 0, 1) * (np.abs(at) < 40)
    # A step 40 pixels beside it, twice as strong, that fades before the picture's rim.
    planes[1] = np.clip(off / 2 + 20, -1, 1) * np.clip(2 - np.hypot(off, at) / 40, 0, 1)
    best = hough.find_lines(planes, 20)
    assert line_rms_px(best.ends_px[0], middle + np.outer([-10.0, 10.0], along)) < 1.0
    strong = best.ends_px[best.strength > 0.3 * best.strength[0]]
    assert all(line_rms_px(ends, middle + np.outer([-10.0, 10.0], along)) < 12 for ends in strong)


# --- the part that is searched ---------------------------------------------------------------


@pytest.mark.parametrize("width", [640, 1280, 3840])
def test_points_of_the_part_are_where_they_are_in_the_picture(width):
    rng = np.random.default_rng(2)
    height = width * 9 // 16
    luma = rng.integers(0, 255, (height, width), np.uint8)
    chroma = np.full((height // 2, width // 2), 128, np.uint8)
    focal_px = 0.8 * width
    setup = Setup(lens=Lens(focal_px, 1.0), tilt=Tilt(np.deg2rad(-8.0), 0.0, 0.01, 0.0))
    part = searched_part(Frame(luma, chroma, chroma), setup)
    assert part.top_px > 0
    assert part.top_px / part.factor % WHOLE_PX == 0
    points = rng.uniform(0, 100, (5, 2, 2))
    np.testing.assert_allclose(part.from_full(part.to_full(points, HALF), HALF), points)
    # The first pixel of the part covers the picture's pixels from `top_px` on.
    corner = part.to_full(np.array([-0.5, -0.5]), 1)
    np.testing.assert_allclose(corner, [-0.5, part.top_px - 0.5])
    if part.factor == 1:
        np.testing.assert_array_equal(part.frame.y, luma[int(part.top_px) :])


def test_rows_left_out_show_no_ground_within_ten_metres_of_a_lens_at_half_a_metre():
    """The horizon of a pinhole lens lies f tan(pitch) above its centre (any handbook)."""
    size, focal_px = (1280, 720), 1000.0
    for pitch_deg in (-4.0, -8.0, -16.0):
        pitch = np.deg2rad(pitch_deg)
        setup = Setup(lens=Lens(focal_px, 1e-6), tilt=Tilt(pitch, 0.0, 1e-6, 0.0))
        horizon = 359.5 - focal_px * np.tan(-pitch)
        ten_metres = 359.5 - focal_px * np.tan(-pitch - np.arctan(0.5 / 10.0))
        row = ground_row(size, setup)
        assert row == pytest.approx(max(ten_metres, 0.0), abs=1.0)
        assert row > horizon or row == 0.0
        # Less is left out where less is known, and where the phone leans.
        for vague in (
            Setup(lens=Lens(focal_px, 100.0), tilt=setup.tilt),
            Setup(lens=setup.lens, tilt=Tilt(pitch, 0.0, 0.01, 0.0)),
            Setup(lens=setup.lens, tilt=Tilt(pitch, 0.1, 1e-6, 0.0)),
        ):
            assert ground_row(size, vague) < row or row == 0.0
    assert ground_row(size, Setup()) == 0.0
    assert ground_row(size, Setup(tilt=Tilt(0.9, 0.0, 0.01, 0.0))) == 360.0  # a sensor gone wrong


@pytest.mark.parametrize("scene", LAID, ids=lambda s: s.name)
def test_no_rod_is_left_out(scene):
    row = ground_row(scene.size, scene.setup(seed=1))
    assert row < min(np.array(rod["ends_px"])[:, 1].min() for rod in scene.rods[:2]) - 10


# --- partners --------------------------------------------------------------------------------


def test_the_ground_is_seen_where_it_is_said_to_be():
    rng = np.random.default_rng(4)
    pixels = rng.uniform([100, 400], [1100, 700], (6, 2, 2))
    pitch, roll = np.array([-0.3, -0.1, 0.02]), np.array([0.05, -0.1, 0.0])
    ground = on_ground(pixels, (1280, 720), 900.0, pitch, roll)
    for k in range(3):
        seen = from_ground(ground[k], (1280, 720), 900.0, pitch[k], roll[k])
        np.testing.assert_allclose(seen, pixels, atol=1e-9)


@pytest.mark.parametrize("known", [True, False], ids=["told", "untold"])
@pytest.mark.parametrize("scene", LAID, ids=lambda s: s.name)
def test_either_rod_says_where_the_other_is(scene, known):
    """The partner's true line is among those that are tried, from the true other rod."""
    setup = scene.setup(seed=1) if known else Setup(view=scene.setup().view)
    size = scene.size
    focal_px, _ = focal_prior(size, setup)
    for k, role in enumerate(setup.roles):
        anchor = np.array(scene.rods[k]["ends_px"])
        if "cut_off" in scene.tags:
            continue
        true = true_line(scene.rods[1 - k], size)
        nearest = np.inf
        for ground, height, *tilt in partners._stances(anchor, role, size, focal_px, setup):
            step_m = partners.STEP_PX * partners._away(ground, height) / (focal_px / HALF)
            lines_m = partners._family(ground, role, setup, step_m)
            lines = from_ground(lines_m / height, size, focal_px, *tilt)
            assert 50 < len(lines) < 5000
            nearest = min(nearest, min(line_rms_px(line, true) for line in lines))
        # In the planes half of that; a grown segment may lie a pixel beside its piece.
        assert nearest < (6.0 if known else 12.0)


def test_from_right_above_no_more_lines_are_tried():
    """A rod half a metre in front of the feet of someone who looks down at it."""
    size, focal_px, pitch = (1280, 720), 1000.0, np.deg2rad(-80.0)
    toe = from_ground(np.array([[-0.05, -0.4], [-0.05, 0.6]]), size, focal_px, pitch, 0.0)
    setup = Setup(view=View.DOWN_THE_LINE, tilt=Tilt(pitch, 0.0, 0.01, 0.0))
    [(ground, height, *_)] = partners._stances(toe, setup.roles[0], size, focal_px, setup)
    assert abs(ground.mean(axis=0)[1]) < 0.3
    step_m = partners.STEP_PX * partners._away(ground, height) / (focal_px / HALF)
    assert len(partners._family(ground, setup.roles[0], setup, step_m)) < 10_000


def faint(seed: int, level: float) -> tuple[Frame, Setup, np.ndarray, np.ndarray]:
    """A T whose bar stands out and whose stem differs from the noisy ground by `level` alone."""
    size, focal_px = (1280, 720), 1000.0
    pitch = np.deg2rad(-14.0)
    bar_m = np.array([[-0.6, 3.4], [0.6, 3.4]]) / 1.1
    stem_m = np.array([[0.0, 3.4], [0.0, 2.2]]) / 1.1
    bar, stem = (from_ground(m, size, focal_px, pitch, 0.0) for m in (bar_m, stem_m))
    luma = np.random.default_rng(seed).normal(110.0, 10.0, size[::-1]).astype(np.float32)
    luma = cv2.GaussianBlur(luma, (0, 0), 1.2) * 2 - 110.0
    for ends, width, value in ((bar, 4, 90.0), (stem, 6, level)):
        mask = np.zeros(size[::-1], np.uint8)
        cv2.line(mask, *(tuple(int(v) for v in e * 16) for e in ends), 255, width, cv2.LINE_AA, 4)
        luma += value * mask / 255.0
    chroma = np.full((size[1] // 2, size[0] // 2), 128, np.uint8)
    frame = Frame(np.clip(luma, 0, 255).astype(np.uint8), chroma, chroma.copy())
    setup = Setup(
        view=View.FACE_ON, lens=Lens(focal_px, 10.0), tilt=Tilt(pitch, 0.0, np.deg2rad(0.5), 0.0)
    )
    return frame, setup, bar, stem


def test_a_rod_that_hardly_stands_out_is_seen_where_its_partner_says():
    plain = with_partners = 0
    for seed in range(20):
        frame, setup, _, stem = faint(seed, 3.5)
        _, fine, partnered = ways(frame, setup)
        for seen in (fine, partnered):
            on = any(line_rms_px(ends, stem) < 5.0 for ends in seen.candidates.ends_px)
            plain += on and seen is fine
            with_partners += on and seen is partnered
    assert plain <= 8  # 3
    assert with_partners >= 12  # 12


def test_a_picture_without_rod_like_segments_has_no_partners():
    planes = np.zeros((3, 90, 160), np.float32)
    none = partners.partner_pieces(
        planes, lambda p: p, np.empty((0, 2, 2)), np.empty(0), (320, 180), Setup(), hough.FINE
    )
    assert none == []
    weak = np.array([[[100.0, 100.0], [200.0, 100.0]]])
    none = partners.partner_pieces(
        planes, lambda p: p, weak, np.array([-9.0]), (320, 180), Setup(), hough.FINE
    )
    assert none == []
