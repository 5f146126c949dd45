"""Views of one setup in a manifest: solved together, answered one by one and in order.

The rods come from made walks (`tests.walks`), told apart by the picture's grey.
"""

import argparse
import json
from dataclasses import dataclass, replace

import av
import cv2
import numpy as np
import pytest

from server import check
from server.solve import VisionSolver
from tests.server.made_files import bytes_in
from tests.server.made_readings import VALIDATOR
from tests.walks import layout, sight, usable, walk
from vision.rods import NotFound, Reason
from vision.setup import View

STEP = 20  # grey levels between two views: compression does not mix them up


@dataclass(frozen=True)
class WalkSolver(VisionSolver):
    """The real thing, but for the search: a picture's grey says which view of the walk it is."""

    sights: tuple = ()
    hard: tuple[int, ...] = ()  # found at the second look only
    lost: tuple[int, ...] = ()
    other: tuple[int, ...] = ()  # views in which another layout is found
    deadly: tuple[int, ...] = ()  # views that take their process with them

    def find(self, frame, setup, hints=()):
        number = round(float(frame.y.mean()) / STEP) - 1
        if number in self.deadly:
            import os

            os._exit(9)
        if setup.view is not self.sights[0].setup.view:
            return NotFound(Reason.T_LAID)
        if number in self.lost or number in self.hard:
            return NotFound(Reason.ONE_ROD)
        return self.sights[number].rods

    def find_again(self, frame, setup, hints=()):
        number = round(float(frame.y.mean()) / STEP) - 1
        assert setup.known is not None
        return NotFound(Reason.UNSURE) if number in self.lost else self.sights[number].rods


def grey(number):
    return np.full((720, 1280, 3), STEP * (number + 1), np.uint8)


@pytest.fixture(scope="module")
def made():
    return walk(np.random.default_rng(31), 8)


@pytest.fixture
def folder(tmp_path, made):
    for k in range(len(made.sights)):
        done, data = cv2.imencode(".png", grey(k))
        assert done
        (tmp_path / f"{k}.png").write_bytes(data.tobytes())
    return tmp_path


def line(made, number, **changes):
    tilt = made.sights[number].setup.tilt
    said = {
        "file": f"{number}.png",
        "view": "face-on",
        "setup": "tee 4",
        "rod_lengths_m": {"target": 1.22, "stem": 1.22},
        "tilt": {
            "pitch_deg": float(np.rad2deg(tilt.pitch_rad)),
            "roll_deg": float(np.rad2deg(tilt.roll_rad)),
            "sigma_deg": 0.3,
            "bias_sigma_deg": 0.7,
        },
    }
    said |= changes
    return {key: value for key, value in said.items() if value is not None}


@pytest.fixture
def run(folder, capsys):
    def run(found, solver, *words):
        manifest = folder / "m.jsonl"
        manifest.write_text("".join(json.dumps(each) + "\n" for each in found))
        parser = argparse.ArgumentParser()
        check.add_arguments(parser)
        args = parser.parse_args(["--json", "--manifest", str(manifest), *words])
        code = check.run(args, solver)
        told = capsys.readouterr()
        lines = [json.loads(text) for text in told.out.splitlines()]
        for each in lines:
            VALIDATOR.validate(each)
        return code, lines

    return run


def checked(made, said, number):
    """The line of one view against the truth that made it."""
    shared, own = made.layout.shared, made.own[number]
    truth = 90 + np.rad2deg(shared[6])
    assert said["layout"]["measured"]
    assert abs(said["layout"]["angle_deg"] - truth) < 4 * said["layout"]["sigma_deg"] < 2.0
    off = said["layout"]["square_offset_m"] - own[0]
    assert abs(off) < 4 * said["layout"]["square_offset_sigma_m"] < 0.2
    assert said["lens"]["source"] == "first-look"
    assert abs(said["lens"]["focal_px"] - np.exp(shared[0])) < 4 * said["lens"]["sigma_px"]


def test_views_of_one_setup_are_solved_together_and_answered_in_order(run, made):
    solver = WalkSolver(tuple(made.sights))
    code, lines = run([line(made, k) for k in range(8)], solver)
    assert code == 0
    assert [each["file"] for each in lines] == [f"{k}.png" for k in range(8)]
    for k, each in enumerate(lines):
        checked(made, each, k)
    assert len({each["layout"]["angle_deg"] for each in lines}) == 1
    assert len({each["lens"]["focal_px"] for each in lines}) == 1
    # The same views alone hardly see their own angle.
    _, alone = run([line(made, k, setup=None) for k in range(8)], solver)
    assert not any(each["layout"]["measured"] for each in alone)
    assert alone[-1]["layout"]["sigma_deg"] > 3 * lines[-1]["layout"]["sigma_deg"]


def test_other_lines_between_them_keep_their_places(run, made, folder):
    bytes_in(folder / "torn.png", b"\x89PNG\r\n\x1a\n torn")
    found = [
        line(made, 0),
        line(made, 5, setup=None),
        {"file": "gone.png", "setup": "tee 4"},
        *[line(made, k) for k in (1, 2, 3)],
        line(made, 4, file="torn.png"),
        {"file": "6.png", "setup": "tee 4", "focal_px": "long"},
        line(made, 7),
    ]
    solver = WalkSolver(tuple(made.sights))
    code, lines = run(found, solver)
    assert code == 1
    names = ["0.png", "5.png", "gone.png", "1.png", "2.png", "3.png", "torn.png", "6.png", "7.png"]
    assert [each["file"] for each in lines] == names
    bad = [each["verdict"] == "error" for each in lines]
    assert bad == [name in ("gone.png", "torn.png", "6.png") for name in names]
    assert [each["layout"]["measured"] for each in lines if each["layout"]] == [
        True,
        False,
        True,
        True,
        True,
        True,
    ]


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_view_found_at_the_second_look_counts(run, made, jobs):
    solver = WalkSolver(tuple(made.sights), hard=(0, 3), lost=(5,))
    code, lines = run([line(made, k) for k in range(8)], solver, "--jobs", jobs)
    assert code == 0
    for k in (0, 3, 7):
        checked(made, lines[k], k)
    assert lines[5]["verdict"] == "not-found" and lines[5]["reason"] == "one rod only"
    assert [each["file"] for each in lines] == [f"{k}.png" for k in range(8)]


def test_a_view_of_moved_rods_says_so(run, made):
    rng = np.random.default_rng(32)
    shared = made.layout.shared.copy()
    shared[6:9] += np.deg2rad(15), 0.1, 0.1
    moved = sight(rng, replace(made.layout, shared=shared), made.own[4])
    sights = list(made.sights)
    sights[4] = moved
    code, lines = run([line(made, k) for k in range(8)], WalkSolver(tuple(sights)))
    assert code == 0
    assert lines[4]["verdict"] == "not-found"
    assert "other views of this setup" in lines[4]["reason"]
    for k in (0, 3, 5, 7):
        checked(made, lines[k], k)


def test_a_file_that_kills_its_process_leaves_the_others_together(run, made):
    solver = WalkSolver(tuple(made.sights), deadly=(2,))
    code, lines = run([line(made, k) for k in (0, 2, 4, 7)], solver, "--jobs", "2")
    assert code == 1
    assert [each["verdict"] == "error" for each in lines] == [False, True, False, False]
    assert "ended the program" in lines[1]["reason"]
    checked(made, lines[3], 7)


def test_an_unstated_view_is_the_one_in_which_the_walk_agrees(run, made):
    found = [line(made, k, view=None, rod_lengths_m=None) for k in range(8)]
    _, lines = run(found, WalkSolver(tuple(made.sights)))
    assert {each["view"] for each in lines} == {"face-on"}
    assert all(each["layout"]["measured"] for each in lines)


def test_two_setups_in_one_manifest_stay_apart(run, made):
    """Rods of 1.22 m in one, said to be 0.94 m in the other: another scale, the same angle."""
    short = {"target": 0.94, "stem": 0.94}
    found = []
    for k in range(8):
        found += [line(made, k), line(made, k, setup="tee 5", rod_lengths_m=short)]
    _, lines = run(found, WalkSolver(tuple(made.sights)))
    for k in range(8):
        checked(made, lines[2 * k], k)
        share = lines[2 * k + 1]["placement"]["height_m"] / lines[2 * k]["placement"]["height_m"]
        assert share == pytest.approx(0.94 / 1.22, rel=0.05)


def test_a_view_alone_in_its_setup_is_a_view_alone(run, made):
    _, (each,) = run([line(made, 7)], WalkSolver(tuple(made.sights)))
    assert not each["layout"]["measured"] and each["lens"]["source"] == "assumed"


def test_a_clip_of_a_walk_is_solved_together(run, folder):
    rng = np.random.default_rng(33)
    rods = layout(rng)
    own = [usable(rods, rng, share) for share in np.linspace(0, 1, 10)]
    sights = tuple(sight(rng, rods, o, sensor=False) for o in own)
    with av.open(str(folder / "walk.mp4"), "w") as clip:
        stream = clip.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        stream.qmin = stream.qmax = 2
        for k in range(10):
            frame = av.VideoFrame.from_ndarray(grey(k), format="bgr24")
            clip.mux(stream.encode(frame))
        clip.mux(stream.encode())
    said = {"file": "walk.mp4", "view": "face-on", "setup": "walk"}
    said["rod_lengths_m"] = {"target": 1.22, "stem": 1.22}
    code, lines = run([said], WalkSolver(sights), "--every", "1")
    assert code == 0 and [each["frame"] for each in lines] == list(range(10))
    assert {each["lens"]["source"] for each in lines} == {"first-look"}
    assert len({each["layout"]["angle_deg"] for each in lines}) == 1
    truth = 90 + np.rad2deg(rods.shared[6])
    last = lines[-1]["layout"]
    assert abs(last["angle_deg"] - truth) < 3 * last["sigma_deg"]


def test_the_fault_of_the_rods_is_told_first(run, made):
    _, lines = run([line(made, k) for k in range(8)], WalkSolver(tuple(made.sights)))
    off = abs(np.rad2deg(made.layout.shared[6]))
    assert made.layout.view is View.FACE_ON and off > 1.5  # else the draw shows nothing
    first = lines[-1]["advice"][0]
    assert first["move"] == "rods"
    assert first["amount_deg"] == pytest.approx(off, abs=0.5)
