"""What leaves the picture and what cures it, against cv2.projectPoints."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vision.pinhole import TARGET, VIEWS, Camera, golfer_faces, line_of_sight, place, turned
from vision.envelope import swing_envelope
from vision.errors import SetupError
from vision.framing import Cure, Framing, Part, frame_swing
from vision.setup import Goal, Handed, Player, Setup, View

WIDE, TALL = (1280, 720), (720, 1280)


def frame(camera: Camera, setup: Setup) -> Framing:
    return frame_swing(camera.cam_from_ground, camera.focal_px, camera.size, setup)


def of(setup: Setup, part: Part) -> np.ndarray:
    points, parts = swing_envelope(setup)
    return points[[p is part for p in parts]]


@pytest.mark.parametrize("hand", list(Handed))
def test_where_the_golfer_stands(hand):
    """docs/trade.md 3 and 4: toes on the rod, ball in front of them, hands and club likewise."""
    setup, faces = Setup(handed=hand), golfer_faces(hand)
    assert np.allclose(of(setup, Part.FEET) @ faces, [0, 0, -0.2848, -0.2848])
    assert np.allclose(of(setup, Part.BALL) @ faces, setup.player.ball_m)
    assert (of(setup, Part.HANDS_TOP) @ TARGET < 0).all()  # away from the target
    assert (of(setup, Part.HANDS_FINISH) @ TARGET > 0).all()
    assert (swing_envelope(setup)[0][:, 2] >= 0).all()


@pytest.mark.parametrize("hand", list(Handed))
def test_face_on_the_ball_is_nearer_than_the_toes_and_the_target_on_its_side(hand):
    setup, camera = Setup(handed=hand), place(View.FACE_ON, hand, distance=5)
    depth = {part: camera.depth(of(setup, part)).mean() for part in Part}
    assert depth[Part.BALL] < depth[Part.FEET]
    target_px = camera.project(np.array([[0, 0, 1.0], [1, 0, 1.0]]))
    target_is_right = target_px[1, 0] > target_px[0, 0]
    assert target_is_right == (hand is Handed.RIGHT)
    # at the finish the hands are on the target's side of the top
    top, finish = (
        camera.project(of(setup, p))[:, 0].mean() for p in (Part.HANDS_TOP, Part.HANDS_FINISH)
    )
    assert (finish > top) == target_is_right


@pytest.mark.parametrize("hand", list(Handed))
def test_down_the_line_the_ball_is_on_its_side_of_the_golfer(hand):
    setup = Setup(view=View.DOWN_THE_LINE, handed=hand)
    camera = place(View.DOWN_THE_LINE, hand, distance=5)
    ball, feet = (camera.project(of(setup, p))[:, 0].mean() for p in (Part.BALL, Part.FEET))
    assert (ball > feet) == (hand is Handed.RIGHT)


@pytest.mark.parametrize(("view", "hand"), VIEWS)
@pytest.mark.parametrize("size", [WIDE, TALL])
def test_out_is_what_opencv_projects_outside(view, hand, size):
    rng = np.random.default_rng(3)
    seen = set()
    for _ in range(60):
        setup = Setup(view=view, handed=hand, player=Player(height_m=rng.uniform(1.4, 2.0)))
        camera = place(
            view,
            hand,
            offset=rng.uniform(-0.5, 0.5),
            distance=rng.uniform(2.2, 6.0),
            height=rng.uniform(0.3, 1.6),
            yaw=rng.uniform(-0.2, 0.2),
            pitch=rng.uniform(-0.2, 0.2),
            roll=rng.uniform(-0.1, 0.1),
            size=size,
        )
        points, parts = swing_envelope(setup)
        pixels, edge = camera.project(points), 0.01 * 720
        low, high = edge, np.array(size) - 1 - edge
        inside = ((pixels >= low) & (pixels <= high)).all(axis=1) & (camera.depth(points) > 0.2)
        want = tuple(
            p for p in Part if any(q is p and not i for q, i in zip(parts, inside, strict=True))
        )
        told = frame(camera, setup)
        assert told.out == want and told.ok == (not want)
        seen.add(told.ok)
    assert seen == {True, False}


def cured(camera: Camera, framing: Framing, setup: Setup, share: float = 1.0) -> Camera:
    """The cure carried out, or a share of its walk."""
    ahead = line_of_sight(setup.view, setup.handed)
    size = camera.size
    if framing.cure in (Cure.UPRIGHT, Cure.SIDEWAYS):
        size = (min(size), max(size)) if framing.cure is Cure.UPRIGHT else (max(size), min(size))
    axes = turned(camera.rotation, camera.rotation[0], framing.tilt_rad)
    return Camera(camera.lens - share * framing.back_m * ahead, axes, camera.focal_px, size)


@pytest.mark.parametrize(("view", "hand"), VIEWS)
def test_the_cure_cures(view, hand):
    kinds = set()
    for size in (WIDE, TALL):
        for distance in np.arange(2.2, 6.0, 0.4):
            for pitch in (-0.15, 0.0, 0.1):
                setup = Setup(view=view, handed=hand)
                camera = place(view, hand, distance=distance, pitch=pitch, size=size)
                told = frame(camera, setup)
                if told.ok:
                    assert told == Framing(True, ())
                    continue
                kinds.add(told.cure)
                after = cured(camera, told, setup)
                if told.cure in (Cure.UPRIGHT, Cure.SIDEWAYS) and not told.tilt_rad:
                    # turning may be the first of two steps: then less is left to walk
                    left = frame(after, setup)
                    assert left.ok or (left.cure in (Cure.BACK, Cure.TILT) and left.back_m < 3)
                    after = cured(after, left, setup)
                assert frame(after, setup).ok, (size, distance, pitch, told)
    turn = Cure.SIDEWAYS if view is View.FACE_ON else Cure.UPRIGHT
    assert kinds == {Cure.BACK, Cure.TILT, turn}


@pytest.mark.parametrize(("view", "size"), [(View.FACE_ON, WIDE), (View.DOWN_THE_LINE, TALL)])
def test_back_is_the_least_that_leaves_room_for_the_tolerances(view, size):
    setup = Setup(view=view)
    camera = place(view, Handed.RIGHT, distance=2.5, size=size)
    told = frame(camera, setup)
    assert told.cure is Cure.BACK and 0.5 < told.back_m < 2.5
    square = cured(camera, told, setup)
    for yaw in (-1, 1):
        for offset in (-1, 1):
            axes = turned(square.rotation, np.array([0, 0, 1.0]), yaw * math.radians(2))
            right = np.cross(line_of_sight(view, Handed.RIGHT), [0, 0, 1.0])
            edge = Camera(square.lens + offset * 0.05 * right, axes, square.focal_px, size)
            assert frame(edge, setup).ok
    assert not frame(cured(camera, told, setup, share=0.5), setup).ok


@pytest.mark.parametrize(("view", "hand"), VIEWS)
def test_what_squaring_up_brings_back_needs_no_cure(view, hand):
    setup = Setup(view=view, handed=hand)
    camera = place(view, hand, distance=6.0, yaw=math.radians(30))
    told = frame(camera, setup)
    assert not told.ok and told.cure is None
    assert frame(place(view, hand, distance=6.0), setup).ok


def test_a_stated_distance_too_near_is_told_even_when_all_fits():
    asked = Setup(goal=Goal(distance_m=2.5, framing=True))
    far = place(View.FACE_ON, Handed.RIGHT, distance=5.0)
    told = frame(far, asked)
    assert told.ok and told.cure is Cure.BACK
    near = place(View.FACE_ON, Handed.RIGHT, distance=2.5)
    assert frame(near, asked).back_m == told.back_m
    assert frame(cured(near, told, asked), asked).ok
    assert frame(far, Setup(goal=Goal(distance_m=5.0, framing=True))).cure is None


@settings(max_examples=60, deadline=None)
@given(
    offset=st.floats(-0.5, 0.5),
    distance=st.floats(2.0, 6.0),
    yaw=st.floats(-0.2, 0.2),
    pitch=st.floats(-0.2, 0.2),
    roll=st.floats(-0.1, 0.1),
    view=st.sampled_from(list(View)),
    size=st.sampled_from([WIDE, TALL]),
)
def test_left_handed_is_the_mirror_image(offset, distance, yaw, pitch, roll, view, size):
    right = frame(
        place(view, Handed.RIGHT, offset, distance, 0.9, yaw, pitch, roll, size=size),
        Setup(view=view, handed=Handed.RIGHT),
    )
    left = frame(
        place(view, Handed.LEFT, -offset, distance, 0.9, -yaw, pitch, -roll, size=size),
        Setup(view=view, handed=Handed.LEFT),
    )
    assert (left.ok, left.out, left.cure) == (right.ok, right.out, right.cure)
    assert left.back_m == pytest.approx(right.back_m, abs=0.02)


def test_a_taller_golfer_with_a_longer_club_needs_more_room():
    camera = place(View.FACE_ON, Handed.RIGHT, distance=2.5)
    short = frame(camera, Setup(player=Player(height_m=1.5, club="wedge")))
    tall = frame(camera, Setup(player=Player(height_m=2.0, club="driver")))
    assert tall.back_m > short.back_m + 0.5


@pytest.mark.parametrize(
    ("matrix", "focal", "size"),
    [(np.eye(3), 1000.0, WIDE), (np.eye(4), 0.0, WIDE), (np.eye(4), 1000.0, (0, 720))],
)
def test_misuse(matrix, focal, size):
    with pytest.raises(SetupError, match="cannot be used"):
        frame_swing(matrix, focal, size, Setup())
