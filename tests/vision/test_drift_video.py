"""The drift watch on pictures: drawn with the sensor's noise, found and followed live."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from server.demo.geometry import Laid, Pose, gravity
from server.demo.scene import Scene, render
from vision.drift import Limits, Watch, look, remember
from vision.frame import Frame
from vision.live import LiveState, step
from vision.setup import Setup, View
from vision.tilt import tilt_from_gravity

FPS = 15
POSE = Pose(0.03, 3.4, 1.1, 0.01, math.radians(-13), 0.005)
NIGHTLY = pytest.mark.nightly
QUALITY = 75  # a compressed stream, not the drawing itself


class Film:
    """A camera whose noisy pictures are read one after another."""

    def __init__(self, view):
        self.scene = Scene(laid=Laid(view))
        tilt = tilt_from_gravity(gravity(POSE, self.scene.laid), 0.0)
        self.setup = Setup(view=view, tilt=tilt)
        self.live = LiveState()
        self.number = 0
        self.state = remember(Limits())

    def run(self, pose, seconds, until=None):
        """Everything told, one a frame, with the seconds since the call."""
        told = []
        for k in range(round(seconds * FPS)):
            self.number += 1
            drawn = render(self.scene, pose, self.number)
            _, data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
            frame = Frame.from_bgr(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8))
            time_s = self.number / FPS
            self.live, live = step(self.live, frame, self.setup, time_s)
            size = (frame.width, frame.height)
            self.state, drift = look(self.state, live.reading, size, time_s)
            told.append(((k + 1) / FPS, drift))
            if until is not None and drift.watch is until:
                break
        return told


@pytest.mark.parametrize(
    ("view", "change", "which"),
    [
        (View.FACE_ON, {"offset_m": -0.01}, 0),
        pytest.param(View.DOWN_THE_LINE, {"yaw_rad": math.radians(0.3)}, 3, marks=NIGHTLY),
        pytest.param(View.FACE_ON, {"pitch_rad": math.radians(-0.3)}, 4, marks=NIGHTLY),
        pytest.param(View.DOWN_THE_LINE, {"height_m": -0.01}, 2, marks=NIGHTLY),
    ],
    ids=["left", "turned", "tilted", "lower"],
)
def test_a_noisy_video_is_quiet_until_the_camera_moves_and_tells_it_in_time(view, change, which):
    film = Film(view)
    told = film.run(POSE, 13.0)
    watches = [drift.watch for _, drift in told]
    assert set(watches) == {Watch.LEARNING, Watch.STILL}
    assert watches[-1] is Watch.STILL
    moved = replace(POSE, **{k: getattr(POSE, k) + v for k, v in change.items()})
    told = film.run(moved, 5.0, until=Watch.MOVED)
    after_s, drift = told[-1]
    assert drift.watch is Watch.MOVED
    _, drift = film.run(moved, 1.5)[-1]
    six = np.concatenate([drift.move.move_m, drift.move.turn_rad])
    (wanted,) = change.values()
    sigma = np.sqrt(np.diag(drift.move.cov))
    print(f"{view.value} {change}: told after {after_s:.1f} s as {six} +- {sigma}")
    assert six[which] == pytest.approx(wanted, rel=0.35)
    assert drift.too_far if which < 3 else drift.too_turned
    others = np.abs(six - np.eye(6)[which] * wanted)
    assert (others < 2.5 * sigma).all()
    # Of the ways, or of the turns, it is the surest one: the one that is told.
    told_as = drift.move.way_main if which < 3 else drift.move.turn_main
    assert told_as[0] == which % 3
