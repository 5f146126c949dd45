"""`check` end to end: pictures drawn by the pinhole equations, read by the real core."""

import json

import av
import cv2
import jsonschema
import numpy as np
import pytest

from server import cli
from tests.server.made_readings import VALIDATOR

WIDTH, HEIGHT, FOCAL_PX = 1280, 720, 1065.0
PITCH_DEG = -14.0


def drawn_t(offset_m=0.3, distance_m=3.2, height_m=1.1, yaw_deg=2.0):
    """A T on grass seen by a level lens `offset_m` right of the stem, turned `yaw_deg` right.

    Ground: x to the right, y away from the lens, z up, origin at the junction, so the lens stands
    at (offset, -distance, height). Written out here, apart from the code under test.
    """
    yaw, pitch = np.radians([yaw_deg, PITCH_DEG])
    forward = np.array([np.sin(yaw) * np.cos(pitch), np.cos(yaw) * np.cos(pitch), np.sin(pitch)])
    right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    down = np.cross(forward, right)
    lens = np.array([offset_m, -distance_m, height_m])

    def pixel(point):
        x, y, z = np.stack([right, down, forward]) @ (np.array(point) - lens)
        return FOCAL_PX * x / z + (WIDTH - 1) / 2, FOCAL_PX * y / z + (HEIGHT - 1) / 2

    rng = np.random.default_rng(5)
    grass = np.array([40, 110, 60]) + rng.normal(0, 9, (HEIGHT, WIDTH, 1))
    picture = np.clip(grass, 0, 255).astype(np.uint8)
    for a, b in (((-0.61, 0, 0), (0.61, 0, 0)), ((0, 0, 0), (0, -1.22, 0))):
        ends = [tuple(round(v * 16) for v in pixel(p)) for p in (a, b)]
        cv2.line(picture, *ends, (30, 120, 250), 4, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.7)


KNOWN = ["--focal-px", "1065", "--tilt", f"{PITCH_DEG:g},0,0.5"]


def checked(capsys, *words):
    code = cli.main(["check", "--json", *map(str, words)])
    out = capsys.readouterr().out
    found = [json.loads(line) for line in out.splitlines()]
    for line in found:
        VALIDATOR.validate(line)
    return code, found


@pytest.mark.parametrize(
    ("offset_m", "yaw_deg", "slide"), [(0.3, 2.0, "left"), (-0.25, -4.0, "right")]
)
def test_a_drawn_t_is_read_and_the_way_to_square_is_told(
    capsys, tmp_path, offset_m, yaw_deg, slide
):
    path = tmp_path / "t.png"
    cv2.imwrite(str(path), drawn_t(offset_m, yaw_deg=yaw_deg))
    code, (line,) = checked(capsys, path, *KNOWN)
    assert code == 0
    assert (line["view"], line["verdict"]) == ("face-on", "off")
    assert [rod["role"] for rod in line["rods"]] == ["target", "stem"]
    place = line["placement"]
    assert place["offset_m"] == pytest.approx(offset_m, abs=0.03)
    assert place["distance_m"] == pytest.approx(3.2, abs=0.1)
    assert place["height_m"] == pytest.approx(1.1, abs=0.08)
    assert place["yaw_deg"] == pytest.approx(yaw_deg, abs=0.5)
    slides = [step for step in line["advice"] if step["move"] == "slide"]
    assert slides[0]["direction"] == slide
    assert line["elapsed_ms"]["total"] > 0


def test_a_square_lens_is_called_square_and_a_bare_lawn_is_not(capsys, tmp_path):
    cv2.imwrite(str(tmp_path / "square.png"), drawn_t(0.0, yaw_deg=0.0))
    cv2.imwrite(str(tmp_path / "lawn.png"), np.full((HEIGHT, WIDTH, 3), (40, 110, 60), np.uint8))
    files = [tmp_path / "square.png", tmp_path / "lawn.png"]
    code, (square, lawn) = checked(capsys, *files, *KNOWN, "--view", "face-on")
    assert code == 0
    assert square["verdict"] == "square"
    assert lawn["verdict"] == "not-found" and lawn["reason"]


def test_a_clip_of_a_drawn_t(capsys, tmp_path):
    path = tmp_path / "clip.mp4"
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("mpeg4", rate=25)
        stream.width, stream.height = WIDTH, HEIGHT
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = 40_000_000  # three pictures only: the coder has no time to settle
        for offset_m in (0.5, 0.3, 0.1):
            frame = av.VideoFrame.from_ndarray(drawn_t(offset_m), format="bgr24")
            clip.mux(stream.encode(frame))
        clip.mux(stream.encode())
    code, found = checked(capsys, path, "--every", "1", "--view", "face-on", *KNOWN)
    assert code == 0
    offsets = [line["placement"]["offset_m"] for line in found]
    assert offsets == pytest.approx([0.5, 0.3, 0.1], abs=0.05)


def test_a_line_that_breaks_the_contract_is_noticed():
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate({"file": "a.jpg", "verdict": "square"})
