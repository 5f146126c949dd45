"""`check --explain`: the table adds up, the object keeps the contract, the words say what to do."""

import argparse
import json
import math

import numpy as np
import pytest

from server import check
from server.solve import VisionSolver
from tests.server.made_files import write
from tests.server.made_readings import VALIDATOR, MadeSolver
from tests.synthetic import SIZE, draw
from vision.setup import View

SOURCES = ("pixels", "tilt", "focal", "layout", "length", "other")


class Drawn(VisionSolver):
    """Finds the same drawn rods in every picture; the pose is the real one."""

    def __init__(self, view):
        self.case = draw(np.random.default_rng(5), view, know_tilt=None, know_focal=False)

    def find(self, frame, setup, **_):
        return self.case.rods


@pytest.fixture
def run(tmp_path, capsys):
    def run(view, *words, solver=None):
        grey = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        photo = write(tmp_path / "a.png", grey)
        parser = argparse.ArgumentParser()
        check.add_arguments(parser)
        args = parser.parse_args(["--view", view.value, *words, str(photo)])
        assert check.run(args, solver or Drawn(view)) == 0
        return capsys.readouterr().out

    return run


@pytest.mark.parametrize("view", list(View))
def test_the_object_keeps_the_contract_and_adds_up(run, view):
    line = json.loads(run(view, "--json", "--explain"))
    VALIDATOR.validate(line)
    explained = line["explain"]
    for name, parts in explained["sigma"].items():
        total = math.hypot(*(parts[source] for source in SOURCES))
        assert total == pytest.approx(parts["all"], rel=0.01, abs=2e-3), name
        if name in line["sigma"]:
            assert parts["all"] == line["sigma"][name]
    assert explained["sigma"]["angle_deg"]["all"] == line["layout"]["sigma_deg"]
    assert ("square_offset_m" in explained["sigma"]) == (view is View.FACE_ON)
    assert explained["improve"][0]["text"]
    assert {"tilt-sensor", "lens", "rods"} & {step["how"] for step in explained["improve"]}


def test_without_the_option_nothing_is_explained(run):
    assert "explain" not in json.loads(run(View.FACE_ON, "--json"))
    assert "explain" not in run(View.FACE_ON)


def test_where_there_is_no_pose_there_is_nothing_to_explain(run, tmp_path):
    dark = MadeSolver()
    line = json.loads(run(View.FACE_ON, "--json", "--explain", solver=dark))
    VALIDATOR.validate(line)
    assert line["explain"] is None


def test_an_unreadable_file_keeps_the_contract_too(tmp_path, capsys):
    parser = argparse.ArgumentParser()
    check.add_arguments(parser)
    code = check.run(parser.parse_args(["--json", "--explain", str(tmp_path / "no.jpg")]))
    line = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(line)
    assert (code, line["explain"]) == (1, None)


def test_people_get_a_table_and_what_to_do_first(run):
    told = run(View.DOWN_THE_LINE, "--explain").splitlines()
    start = told.index("  explain: what each ± is made of")
    head = told[start + 1].split()
    assert head[:3] == ["sideways", "distance", "height"]
    rows = [line.strip() for line in told[start + 2 :]]
    names = ("picture", "tilt", "focal length", "how the rods lie", "rods' lengths", "usual height")
    for name, row in zip((*names, "all"), rows, strict=False):
        assert row.startswith(name), row
    assert rows[7].startswith("improve 1: Allow the phone's tilt sensor")
    assert "sideways ± " in rows[7] and "roll ± " in rows[7]
    inches = run(View.DOWN_THE_LINE, "--explain", "--units", "inches")
    assert " in" in inches.split("explain:")[1].splitlines()[2]


def test_lengths_known_better_narrow_their_part(run):
    usual = json.loads(run(View.FACE_ON, "--json", "--explain", "--rod-length", "1.22"))
    narrow = json.loads(
        run(
            View.FACE_ON,
            *("--json", "--explain", "--rod-length", "1.22", "--rod-length-sigma", "0.002"),
        )
    )
    wide, thin = (line["explain"]["sigma"]["distance_m"]["length"] for line in (usual, narrow))
    assert thin < 0.3 * wide
