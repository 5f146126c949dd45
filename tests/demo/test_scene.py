"""The drawn scene against hand-made projections and against its own pixels."""

from __future__ import annotations

import math
import time

import cv2
import numpy as np
import pytest

from server.demo.geometry import START, Camera, Laid, Pose, gravity, project, truth
from server.demo.scene import COLOURS, Scene, render
from vision.setup import Handed, Role, View
from vision.tilt import tilt_from_gravity

EVERY = [(view, handed) for view in View for handed in Handed]
POSES = [
    Pose(),
    START,
    Pose(0.3, 4.0, 1.3, math.radians(-5), math.radians(-12), math.radians(-4)),
    Pose(-0.1, 2.4, 1.5, math.radians(2), math.radians(-25), math.radians(9)),
]


def _centroids(picture, base, ends, colour, samples=24):
    """Signed distance of the drawn rod's middle from the line through `ends`, at each sample.

    Measured across the rod in how much nearer to the rod's colour a pixel is than in a picture
    without the rod: an independent look at the pixels.
    """
    gain = (picture.astype(float) - base) @ (np.array(colour) - base.mean(axis=(0, 1)))
    p, q = ends
    length = float(np.linalg.norm(q - p))
    along = (q - p) / length
    normal = np.array([-along[1], along[0]])
    s = np.arange(-8, 8.01, 0.25)
    out = []
    for t in np.linspace(0.08, 0.92, samples) * length:
        total = np.zeros(s.size)
        for dt in np.arange(-4, 5):
            xy = p + (t + dt) * along + s[:, None] * normal
            grid = xy.astype(np.float32)[None]
            total += cv2.remap(gain.astype(np.float32), grid, None, cv2.INTER_LINEAR)[0]
        weight = np.clip(total - 0.25 * total.max(), 0, None)
        out.append(float((weight * s).sum() / weight.sum()))
    return np.array(out)


def _inside(ends, camera):
    return all(10 < x < camera.width - 10 and 10 < y < camera.height - 10 for x, y in ends)


@pytest.mark.parametrize(("view", "handed"), EVERY)
@pytest.mark.parametrize("pose", POSES)
def test_rods_are_drawn_where_the_truth_says(view, handed, pose):
    laid = Laid(view, handed)
    scene = Scene(laid=laid, ball=False)
    known = truth(pose, laid)
    rods = laid.rods_m()
    checked = 0
    for role, ends in known.ends_px.items():
        if not _inside(ends, scene.camera):
            continue
        picture = render(scene, pose).astype(float)
        hidden = Laid(view, handed, diameter_m=1e-7)
        base = render(Scene(laid=hidden, ball=False), pose).astype(float)
        off = _centroids(picture, base, ends, COLOURS[scene.colours[role]])
        assert abs(np.median(off)) < 0.2
        assert np.max(np.abs(off)) < 0.3
        checked += 1
    assert rods.keys() == known.ends_px.keys()
    assert checked >= 1


@pytest.mark.parametrize("pose", POSES[:2])
def test_rods_end_where_the_truth_says(pose):
    laid = Laid()
    known = truth(pose, laid)
    picture = render(Scene(laid=laid, ball=False), pose).astype(float)
    bare = Laid(diameter_m=1e-7)
    base = render(Scene(laid=bare, ball=False), pose).astype(float)
    for role, ends in known.ends_px.items():
        gain = (picture - base) @ (np.array(COLOURS[Scene().colours[role]]) - base.mean((0, 1)))
        for end, other in (ends, ends[::-1]):
            out = (end - other) / np.linalg.norm(end - other)
            s = np.arange(-12, 12.01, 0.1)
            xy = (end + s[:, None] * out).astype(np.float32)[None]
            line = cv2.remap(gain.astype(np.float32), xy, None, cv2.INTER_LINEAR)[0]
            half = np.median(line[:60]) / 2
            beyond = s[np.flatnonzero(line < half)[0]]  # past it may lie the other rod
            assert abs(beyond) < 0.6, role


def test_projection_agrees_with_opencv_by_hand():
    """Face-on, right-handed, square: the camera 3.5 m out on -Y, 1.2 m high, looking along +Y."""
    pose = Pose(0.0, 3.5, 1.2, 0.0, 0.0, 0.0)
    camera = Camera()
    points = np.array([[0.0, 0.0, 0.0], [0.61, 0.0, 0.0], [0.0, -1.22, 0.0], [0.2, 0.3, 0.5]])
    # By hand: x right = +X, y down = -Z, z forward = +Y.
    r = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
    t = -r @ np.array([0.0, -3.5, 1.2])
    want, _ = cv2.projectPoints(points, cv2.Rodrigues(r)[0], t, camera.matrix, np.zeros(5))
    np.testing.assert_allclose(project(points, pose, Laid(), camera), want[:, 0], atol=1e-6)


@pytest.mark.parametrize(("view", "handed"), EVERY)
def test_signs_of_the_pose(view, handed):
    """As seen from behind the phone: each positive quantity moves the picture the way it must."""
    laid, camera = Laid(view, handed), Camera()
    spot = np.array([[0.0, 0.0, 0.0]])

    def at(**change):
        return project(spot, Pose(**{"pitch_rad": -0.15, **change}), laid, camera)[0]

    x, y = at()
    assert at(offset_m=0.3)[0] < x - 50  # lens to the right: the rods go left in the picture
    assert at(yaw_rad=0.05)[0] < x - 40
    assert at(pitch_rad=-0.10)[1] > y + 40  # looking up: the ground goes down
    assert at(height_m=1.4)[1] > y + 50
    assert abs(at(distance_m=5.0)[1] - camera.height / 2) < abs(y - camera.height / 2)
    # Rolled clockwise, the picture turns counterclockwise: what lay on the right rises.
    right = project(spot, Pose(offset_m=-0.6), laid, camera)[0]
    assert right[0] > camera.width / 2
    assert project(spot, Pose(offset_m=-0.6, roll_rad=0.1), laid, camera)[0][1] < right[1]


@pytest.mark.parametrize("handed", list(Handed))
def test_the_trade_s_sides(handed):
    """Face-on, a right-handed golfer's target is on the camera's right; down the line, his ball
    rod lies right of his toe rod. Left-handed: mirrored."""
    side = 1 if handed is Handed.RIGHT else -1
    camera = Camera()
    face = project(np.array([[0, 0, 0], [0.5, 0, 0]]), Pose(), Laid(View.FACE_ON, handed), camera)
    assert (face[1, 0] - face[0, 0]) * side > 0
    pair = truth(Pose(), Laid(View.DOWN_THE_LINE, handed)).ends_px
    assert (pair[Role.BALL][0, 0] - pair[Role.TOE][0, 0]) * side > 0


def test_order_of_the_ends():
    t = truth(Pose(), Laid(View.FACE_ON, Handed.LEFT)).ends_px
    assert t[Role.TARGET][0, 0] < t[Role.TARGET][1, 0]
    assert t[Role.STEM][0, 1] < t[Role.STEM][1, 1]  # far end first: higher in the picture
    pair = truth(Pose(), Laid(View.DOWN_THE_LINE)).ends_px
    assert all(ends[0, 1] < ends[1, 1] for ends in pair.values())


@pytest.mark.parametrize("handed", list(Handed))
def test_a_leaning_stem_moves_the_lens_off_the_true_perpendicular(handed):
    """Three degrees at 3.5 m are 18 cm; the stem's near end leans toward the target."""
    lean = math.radians(3)
    known = truth(Pose(), Laid(View.FACE_ON, handed, lean_rad=lean))
    toward_target = 1 if handed is Handed.RIGHT else -1
    assert known.angle_deg == pytest.approx(93)
    assert known.square_offset_m == pytest.approx(toward_target * 3.5 * math.sin(lean))
    # On the stem's own extension the stem stands upright in the picture all the same.
    stem = known.ends_px[Role.STEM]
    assert stem[0, 0] == pytest.approx(stem[1, 0], abs=1e-6)


def test_a_closing_pair_closes_toward_the_target():
    known = truth(Pose(), Laid(View.DOWN_THE_LINE, lean_rad=math.radians(2)))
    assert known.angle_deg == pytest.approx(2)
    assert known.square_offset_m is None
    far, near = Laid(View.DOWN_THE_LINE, lean_rad=math.radians(2)).rods_m()[Role.BALL]
    assert abs(far[1]) < abs(near[1])


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize(("view", "handed"), EVERY)
def test_gravity_reads_back_as_the_pose(pose, view, handed):
    tilt = tilt_from_gravity(gravity(pose, Laid(view, handed)), 0.0)
    assert tilt is not None
    assert tilt.pitch_rad == pytest.approx(pose.pitch_rad, abs=1e-9)
    assert tilt.roll_rad == pytest.approx(pose.roll_rad, abs=1e-9)


def test_same_seed_same_picture_and_noise_by_frame():
    first, again, other = (render(Scene(), START, n) for n in (4, 4, 5))
    assert np.array_equal(first, again)
    difference = first.astype(int) - other
    assert 1.0 < difference.std() < 5.0
    assert np.abs(difference).max() < 30


@pytest.mark.parametrize(
    "pose",
    [
        Pose(distance_m=0.5, height_m=1.6, pitch_rad=-1.3),  # straight down, part of a rod behind
        Pose(pitch_rad=0.9),  # sky alone
        Pose(yaw_rad=0.7, roll_rad=0.4),
    ],
)
def test_odd_poses_are_drawn(pose):
    picture = render(Scene(), pose)
    assert picture.shape == (720, 1280, 3)
    assert picture.std() > 2


def test_upright_picture_and_speed(capsys):
    scene = Scene(camera=Camera().turned(True))
    assert render(scene, START).shape == (1280, 720, 3)
    render(Scene(), START)
    times = []
    for n in range(5):
        begin = time.perf_counter()
        render(Scene(), START, n)
        times.append(time.perf_counter() - begin)
    with capsys.disabled():
        print(f" [a picture of 1280x720 takes {min(times) * 1000:.0f} ms]", end="")
    assert min(times) < 1.0  # only a gross slip: the machine may be busy
