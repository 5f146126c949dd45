"""What a film is worth, against known values: travel, blur, shake of drawn clips, light."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from server.demo.geometry import Laid, Pose, gravity, project
from server.demo.scene import Scene, render
from vision.backlight import backlight
from vision.frame import Frame
from vision.live import LiveState, step
from vision.setup import Player, Setup, View
from vision.shake import ball_distance_m, glimpse, kept, shake
from vision.tilt import tilt_from_gravity
from vision.worth import Camera, worth

FPS = 15
POSE = Pose(0.02, 3.4, 1.0, 0.01, math.radians(-10), 0.0)


def test_travel_and_blur_are_speed_times_time() -> None:
    got = worth(Camera(240, 60, 1 / 500, (1920, 1080)), Player(club="driver"))
    assert got.speed_mps == 42.0  # trade, 14
    assert got.travel_m == pytest.approx(42 / 60)  # the measured rate, not the promised one
    assert got.blur_m == pytest.approx(0.084)
    assert got.camera.slower
    assert worth(Camera(30), Player(club_speed_mps=50)).travel_m == pytest.approx(50 / 30)
    unknown = worth(Camera(), Player())
    assert (unknown.travel_m, unknown.blur_m) == (None, None)


def swung(camera, player, exposure_s, at_s, middle_m):
    """A bright disc that flies across a plane 3 m away, exposed as a shutter does: by summing."""
    focal, far_m, steps = 1040.0, 3.0, 80
    total = np.zeros((60, 1280))
    columns = np.arange(1280.0)
    rows = np.arange(60.0)[:, None]
    for k in range(steps):
        t = at_s + exposure_s * (k + 0.5) / steps
        x = 640 + focal * (player.speed_mps * t - middle_m) / far_m
        total += np.hypot(columns - x, rows - 30) <= 6
    return total / steps, focal / far_m


@pytest.mark.parametrize("club", ["wedge", "7-iron", "driver"])
@pytest.mark.parametrize(("fps", "exposure_s"), [(60, 1 / 250), (120, 1 / 500), (240, 1 / 1000)])
def test_travel_and_blur_are_what_drawn_pictures_show(club, fps, exposure_s):
    """A club head's flight, drawn and measured in pixels: its way from picture to picture, and the
    length of its smear, which for a disc of even light is flight and disc together."""
    player = Player(club=club)
    got = worth(Camera(fps, fps, exposure_s), player)
    middle_m = player.speed_mps * (0.5 / fps + exposure_s / 2)
    places, smears = [], []
    for at_s in (0.0, 1 / fps):
        picture, px_per_m = swung(got.camera, player, exposure_s, at_s, middle_m)
        light = picture.sum(axis=0)
        places.append(float((light * np.arange(1280)).sum() / light.sum()))
        lit = np.flatnonzero(picture[30] > 0)
        smears.append((lit[-1] - lit[0] + 1 - 13) / px_per_m)
    assert got.travel_m == pytest.approx((places[1] - places[0]) / px_per_m, rel=0.03)
    assert got.blur_m == pytest.approx(np.mean(smears), rel=0.2)


def watched(view, shaken_rad, seconds=3.0, seed=1):
    """The shake measured on a drawn, compressed clip, and its true rms turn across the view."""
    rng = np.random.default_rng(seed)
    scene = Scene(laid=Laid(view))
    setup = Setup(view=view, tilt=tilt_from_gravity(gravity(POSE, scene.laid), 0.0))
    live, glimpses, turns, got = LiveState(), (), [], None
    for k in range(round(seconds * FPS)):
        # Two incommensurate swings, as a tripod's legs make.
        t = k / FPS
        phase = rng.uniform(0, 0.3)
        pan = shaken_rad * math.sin(2 * math.pi * 2.3 * t + phase)
        tilt = 0.6 * shaken_rad * math.sin(2 * math.pi * 3.7 * t + 1 + phase)
        turns.append((pan, tilt))
        pose = replace(POSE, yaw_rad=POSE.yaw_rad + pan, pitch_rad=POSE.pitch_rad + tilt)
        _, data = cv2.imencode(".jpg", render(scene, pose, k), [cv2.IMWRITE_JPEG_QUALITY, 75])
        frame = Frame.from_bgr(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8))
        live, told = step(live, frame, setup, t)
        reading = told.reading
        glimpses = kept(glimpses, glimpse(reading, t), t)
        if reading.placement is not None and reading.lens is not None:
            far = ball_distance_m(reading.placement, reading.setup)
            got = shake(glimpses, (1280, 720), reading.lens.focal_px, far)
    rms = math.sqrt(float(np.var(np.array(turns), axis=0).sum()))
    return got, rms


@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_a_known_shake_is_measured_to_a_fifth_and_a_still_camera_does_not_shake(view, capsys):
    still, _ = watched(view, 0.0)
    lines = [f"still {math.degrees(still.rms_rad):.4f} deg"]
    assert math.degrees(still.rms_rad) < 0.01
    for shaken_deg in (0.05, 0.2):
        got, true = watched(view, math.radians(shaken_deg))
        lines.append(f"{math.degrees(got.rms_rad):.4f} of {math.degrees(true):.4f}")
        assert got.rms_rad == pytest.approx(true, rel=0.2)
        assert got.told
        # At the ball: the angle over the true way from lens to ball.
        ball = Setup(view=view).player.ball_m
        if view is View.FACE_ON:
            far = math.hypot(POSE.distance_m - ball, POSE.offset_m, POSE.height_m)
        else:
            far = math.hypot(POSE.distance_m, ball, POSE.height_m)
        assert got.ball_m == pytest.approx(true * far, rel=0.25)
    with capsys.disabled():
        print(f"\nshake {view.value}: " + ", ".join(lines))


def test_the_spread_of_a_shake_is_what_repeated_measurements_show() -> None:
    """Made glimpses with normal noise and shake: the spread of 200 results against their sigma."""
    rng = np.random.default_rng(3)
    ends = np.array([[[290, 400], [990, 412]], [[640, 406], [560, 640]]], float)
    sigma_line, sigma_end, turn = np.array([0.2, 0.3]), np.full((2, 2), 1.5), 0.0012
    from vision.drift_solve import rod_numbers
    from vision.shake import Glimpse, _design

    design = _design(ends, (1280, 720), 1040.0)
    span = ends[:, 1] - ends[:, 0]
    along = span / np.linalg.norm(span, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    found, told = [], []
    for _ in range(200):
        glimpses = []
        for k in range(45):
            numbers = design @ np.append(rng.normal(0, turn, 2), 0.0)
            numbers[:4] += rng.normal(0, np.repeat(sigma_line, 2))
            numbers[4:] += rng.normal(0, 1.5, 4)
            move = numbers[:4].reshape(2, 2, 1) * across[:, None]
            move = move + numbers[4:].reshape(2, 2, 1) * along[:, None]
            assert rod_numbers(ends, ends + move)[:4] == pytest.approx(numbers[:4], abs=0.1)
            glimpses.append(Glimpse(k / 15, ends + move, sigma_line, sigma_end))
        got = shake(tuple(glimpses), (1280, 720), 1040.0, 3.0)
        found.append(got.rms_rad)
        told.append(got.sigma_rad)
    assert np.mean(found) == pytest.approx(turn * math.sqrt(2), rel=0.05)
    assert 0.6 <= np.std(found) / np.median(told) <= 1.4


def lit(view, against):
    """A drawn scene with a golfer: lit from the front, or against a bright sky and a low sun."""
    scene = Scene(laid=Laid(view))
    picture = render(scene, POSE, 1).astype(float) / 255
    linear = picture**2.2
    head = project(np.array([[0.0, 0.15, 1.78], [0.0, 0.15, 0.0]]), POSE, scene.laid, scene.camera)
    foot_y, head_y = head[1, 1], max(head[0, 1], 0)
    horizon = int(foot_y - 40)
    wide = int(0.22 * 1040 / POSE.distance_m)
    x = int(head[1, 0])
    if against:
        linear[:horizon] = np.clip(linear[:horizon] * 2.0 + 0.75, 0, 1)
        linear[horizon:] *= 0.35
    body = 0.02 if against else 0.22
    linear[int(head_y) : int(foot_y), x - wide : x + wide] = body
    bgr = np.clip(255 * linear ** (1 / 2.2), 0, 255).astype(np.uint8)
    setup = Setup(view=view, tilt=tilt_from_gravity(gravity(POSE, scene.laid), 0.0))
    # The place is known from before the golfer stood there.
    clean = Frame.from_bgr(render(scene, POSE, 1))
    _, live = step(LiveState(), clean, setup, 0.0)
    return backlight(Frame.from_bgr(bgr), live.reading)


@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_a_golfer_against_the_light_is_told_from_one_lit_from_the_front(view, capsys) -> None:
    front, back = lit(view, False), lit(view, True)
    with capsys.disabled():
        print(
            f"\nlight {view.value}: front {front}, {front.ground_stops:.1f} stops; against {back}, "
            f"{back.ground_stops:.1f} stops"
        )
    assert not front.against
    assert back.against
