"""The clips for the browser tests: their code, their script, their file."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from server.demo.geometry import START, Pose
from server.demo.scene import Scene, render
from tests.clips import FPS, read_code, stamp, walk_script, write_clip


@pytest.mark.parametrize("number", [0, 1, 170, 341, 682, 1023])
@pytest.mark.parametrize("width", [1280, 640])
def test_code_survives_compression_and_a_smaller_picture(number, width):
    picture = stamp(render(Scene(), START), number)
    small = cv2.resize(picture, (width, width * 9 // 16), interpolation=cv2.INTER_AREA)
    done, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 25])
    assert done
    assert read_code(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)) == number


def test_no_code_no_number():
    assert read_code(render(Scene(), START)) is None
    torn = stamp(render(Scene(), START), 5)
    torn[:24, 320:360] = 255 - torn[:24, 320:360]  # one bit flipped
    assert read_code(torn) is None
    assert read_code(np.zeros((720, 1280, 3), np.uint8)) is None


def test_script_starts_off_and_stays_square():
    frames = walk_script(stay_s=2.0)
    assert [f.number for f in frames] == list(range(len(frames)))
    assert frames[0].pose == START
    assert frames[-1].phase == "stay"
    assert frames[-1].pose.offset_m == pytest.approx(0, abs=1e-9)
    assert frames[-1].pose.yaw_rad == pytest.approx(0, abs=1e-9)
    steps = np.diff([f.pose.offset_m for f in frames])
    assert (steps >= -1e-12).all()
    assert steps.max() * FPS < 0.6  # metres a second


def test_file_holds_every_picture_twice(tmp_path):
    frames = [f for f in walk_script() if f.number in (0, 40, 60)]
    path = tmp_path / "walk.mjpeg"
    write_clip(path, frames)
    parts = path.read_bytes().split(b"\xff\xd8\xff")[1:]
    assert len(parts) == 2 * len(frames)
    seen = [
        read_code(cv2.imdecode(np.frombuffer(b"\xff\xd8\xff" + p, np.uint8), cv2.IMREAD_COLOR))
        for p in parts
    ]
    assert seen == [0, 0, 40, 40, 60, 60]
    assert math.isclose(frames[0].pose.offset_m, START.offset_m)
    assert isinstance(frames[1].pose, Pose)
