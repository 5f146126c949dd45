"""Half an hour of an unmoving camera's noisy video, through the real finder and the real watch.

Drawn once for each view; every picture then gets fresh noise of a sensor, a light that changes
slowly, and a stream's compression. Time is simulated: as fast as it computes.
"""

import math

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

FPS = 15  # what the page streams and the watch is fed with
SECONDS = 1800
POSE = Pose(0.03, 3.4, 1.1, 0.01, math.radians(-13), 0.005)
# A sensor: shot noise grows with the root of the light, above a floor of its own (grey levels).
SHOT, FLOOR = 0.35, 1.5
LIGHT = 0.12  # share by which a thin cloud dims the picture, over minutes
COLOUR = 0.02  # and by which it makes red and blue differ
PERIODS_S = (97.0, 411.0, 233.0)
QUALITY = 75
LONGEST_S = 3000.0  # of real time; one core takes 8 to 15 minutes


class Video:
    """A drawn picture as a camera that stands still sends it: `bgr` at a time."""

    def __init__(self, view: View, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.laid = Laid(view)
        drawn = [render(Scene(laid=self.laid), POSE, k).astype(np.float32) for k in range(16)]
        self.clean = np.mean(drawn, axis=0)  # the drawing's own noise averaged away
        self.spread = np.sqrt(SHOT**2 * self.clean + FLOOR**2)
        h, w = self.clean.shape[:2]
        # Fresh in every picture: a window anywhere in a larger field, mirrored or not, either sign.
        self.grain = self.rng.standard_normal((h + 256, w + 256, 3), np.float32)
        self.phases = self.rng.uniform(0, 2 * math.pi, 3)

    def bgr(self, time_s: float) -> np.ndarray:
        h, w = self.clean.shape[:2]
        one, two, three = np.sin(2 * math.pi * time_s / np.array(PERIODS_S) + self.phases)
        gain = 1.0 + LIGHT * (one + two) / 2
        red, blue = gain * (1 - COLOUR * three), gain * (1 + COLOUR * three)
        y, x, mirror, sign = (int(v) for v in self.rng.integers(0, (256, 256, 2, 2)))
        grain = self.grain[y : y + h, x : x + w][:: 1 - 2 * mirror]
        grain = cv2.multiply(grain, self.spread, scale=1.0 - 2 * sign)
        lit = cv2.multiply(self.clean, (blue, gain, red, 0.0))
        sent = cv2.add(lit, grain, dtype=cv2.CV_8U)  # rounded, and cut off at black and white
        _, data = cv2.imencode(".jpg", sent, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)


@pytest.mark.nightly
@pytest.mark.timeout(LONGEST_S)
@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_half_an_hour_of_noisy_video_gives_no_alarm(view):
    video = Video(view, seed=17)
    setup = Setup(view=view, tilt=tilt_from_gravity(gravity(POSE, video.laid), 0.0))
    live, state = LiveState(), remember(Limits())
    told, found, farthest, widest = [], 0, 0.0, 0.0
    for number in range(SECONDS * FPS):
        frame = Frame.from_bgr(video.bgr(number / FPS))
        live, one = step(live, frame, setup, number / FPS)
        found += one.reading.pose is not None
        state, drift = look(state, one.reading, (frame.width, frame.height), number / FPS)
        if not told or told[-1][1] is not drift.watch:
            told.append((number / FPS, drift.watch))
        if drift.move is not None:
            farthest = max(farthest, drift.move.distance_m)
            widest = max(widest, drift.move.angle_rad)
    share = found / (SECONDS * FPS)
    print(
        f"{view.value}: {told}, rods in {100 * share:.2f} % of {SECONDS * FPS} pictures, "
        f"at most {100 * farthest:.2f} cm and {math.degrees(widest):.3f} deg"
    )
    assert [watch for _, watch in told] == [Watch.LEARNING, Watch.STILL]
    assert share > 0.99
