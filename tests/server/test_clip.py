"""`check` on a whole clip: drawn by the practice ground's renderer, read by the real core."""

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from server import cli
from server.demo.geometry import Pose
from tests.server.made_clips import SMALL, made_clip
from tests.server.made_files import picture, write
from tests.server.made_readings import VALIDATOR

PLACE = Pose(offset_m=0.2, yaw_rad=math.radians(-2.0))
KNOWN = ["--focal-px", f"{SMALL.focal_px:g}", "--tilt", "-9,0,0.5", "--every", "1"]


@pytest.fixture
def line(capsys):
    def line(*words):
        code = cli.main(["check", "--json", "--whole", *map(str, words)])
        (text,) = capsys.readouterr().out.splitlines()
        found = json.loads(text)
        VALIDATOR.validate(found)
        return code, found

    return line


def test_a_still_camera_gives_one_answer_for_its_clip(line, tmp_path):
    clip = made_clip(tmp_path / "still.mp4", [PLACE] * 12)
    code, found = line(clip, *KNOWN)
    assert code == 0 and found["verdict"] == "off"
    told = found["clip"]
    assert (told["pictures"], told["found"], told["camera"]) == (12, 12, "still")
    assert told["used"] >= 11 and told["moved"] is None
    for quantity, true in (("offset_m", 0.2), ("yaw_deg", -2.0), ("height_m", 1.0)):
        error = found["placement"][quantity] - true
        assert abs(error) < 3 * found["sigma"][quantity], quantity


def test_pictures_without_rods_have_no_part_in_it(line, tmp_path):
    blank = replace(PLACE, pitch_rad=math.radians(30.0))  # the sky
    clip = made_clip(tmp_path / "c.mp4", [blank] * 4 + [PLACE] * 8)
    _, found = line(clip, *KNOWN)
    assert (found["clip"]["pictures"], found["clip"]["found"]) == (12, 8)
    assert found["placement"]["offset_m"] == pytest.approx(0.2, abs=0.05)


def test_a_camera_that_moves_is_said_and_never_called_square(line, tmp_path):
    square, moved = Pose(), Pose(offset_m=0.06)
    clip = made_clip(tmp_path / "moved.mp4", [square] * 12 + [moved] * 8)
    _, found = line(clip, *KNOWN)
    told = found["clip"]
    assert told["camera"] == "moved" and found["verdict"] == "off"
    assert (told["moved"]["last_frame"], told["moved"]["next_frame"]) == (11, 12)
    assert told["moved"]["move_m"][0] == pytest.approx(0.06, abs=0.02)
    assert "THE CAMERA MOVES between pictures 11 and 12" in told["text"]


def test_a_clip_without_rods_and_a_photo(line, tmp_path):
    sky = replace(PLACE, pitch_rad=math.radians(30.0))
    _, found = line(made_clip(tmp_path / "sky.mp4", [sky] * 3), *KNOWN)
    assert found["verdict"] == "not-found" and found["clip"]["camera"] is None
    _, found = line(write(tmp_path / "a.jpg", picture()))
    assert found["clip"] is None


def test_in_words_it_is_one_report_with_one_drawn_picture(capsys, tmp_path):
    clip = made_clip(tmp_path / "still.mp4", [PLACE] * 5)
    words = ["check", str(clip), *KNOWN, "--annotate", str(tmp_path / "drawn")]
    assert cli.main(words) == 0
    out = capsys.readouterr().out
    assert out.count("stands:") == 1 and "One camera that stands still" in out
    (drawn,) = (tmp_path / "drawn").iterdir()
    assert drawn.name == "still.jpg" and np.ptp(cv2.imread(str(drawn))) > 0
