"""`teesquare compare`: two films of the records, two clips, and what cannot be compared."""

import json
import math
from dataclasses import replace
from importlib import resources

import cv2
import jsonschema
import numpy as np
import pytest

from server import cli
from server.compare_command import compare
from server.demo.geometry import Camera, Pose
from server.drift_row import Row
from server.record import RecordError
from server.records import Records
from server.words import Plain
from tests.server.made_clips import made_clip
from tests.server.made_records import CAMERA, made_record
from tests.stands import laid_anew, own_of, stand
from vision.placement import place
from vision.setup import Handed, View
from vision.standing import shared_errors

SCHEMA = json.loads(
    resources.files("web").joinpath("schema", "comparison.schema.json").read_text(encoding="utf-8")
)
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
APART = np.array([0.0, 0.10, 0.08, math.radians(1.5), 0.0, 0.0])


@pytest.fixture
def store(tmp_path, monkeypatch):
    file = tmp_path / "records.sqlite"
    monkeypatch.setenv("TEESQUARE_RECORDS", str(file))
    return Records(file)


def keep(store, view=View.FACE_ON, seed=2, apart=APART, steady=True):
    """Two films of a player, the second 10 cm farther, 8 cm higher and 1.5 degrees to the right."""
    rng = np.random.default_rng(seed)
    while True:
        try:
            first, second = laid_anew(rng, view)
            truth = np.array([0.02, 3.4, 1.0, 0.0, math.radians(-9), 0.0])
            stands = [
                stand(rng, first, own_of(first, truth)),
                stand(rng, second, own_of(second, truth + apart)),
            ]
            break
        except ValueError:
            continue
    for k, one in enumerate(stands):
        pose, setup = one.look.pose(), one.look.setup
        placement, layout = place(pose, setup)
        record = made_record(f"film-{k + 1}", view=view, begun_s=1.79e9 + 86400 * k)
        store.begin(
            replace(
                record,
                setup=setup,
                lens=pose.lens,
                placement=placement,
                layout=layout,
                shared=shared_errors(pose, setup),
                steady=one.look if steady else None,
                camera=CAMERA,
            )
        )


@pytest.mark.parametrize("steady", [True, False], ids=["looks", "placements"])
@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_two_films_of_the_records(store, view, steady, capsys):
    keep(store, view, steady=steady)
    assert cli.main(["compare", "film-1", "film-2", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(told)
    true = dict(zip(("offset_m", "distance_m", "height_m"), APART[:3], strict=True))
    true |= {"yaw_deg": 1.5, "pitch_deg": 0.0, "roll_deg": 0.0}
    for name, value in true.items():
        number = told["place"][name]
        assert abs(number["value"] - value) <= 3 * number["sigma"], name
    # The lens 10 cm farther of 3.4 m: everything 2.9 % smaller, by the depth of the chest.
    scale = told["film"]["scale"]
    assert scale["value"] == pytest.approx(-math.log(3.5 / 3.4), abs=3 * scale["sigma"] + 1e-3)
    assert told["film"]["scale"]["text"].endswith(").")
    assert cli.main(["compare", "film-1", "film-2"]) == 1
    words = capsys.readouterr().out
    assert "bay 4" in words and "Size: everything is drawn" in words
    assert ("Ball: is drawn" in words) == (view is View.FACE_ON)
    assert "Distance: " in words and "farther" in words and "higher" in words
    if steady:
        assert scale["sigma"] < (0.01 if view is View.FACE_ON else 0.02)


def test_rods_that_are_said_to_lie_untouched_and_do_not_are_found_out(store, capsys):
    keep(store, apart=np.zeros(6))  # the second T lies degrees otherwise
    assert cli.main(["compare", "film-1", "film-2", "--same-rods"]) == 2
    assert "do not fit each other" in capsys.readouterr().out


def test_tilts_of_one_place_are_alike(store, capsys):
    keep(store, apart=np.zeros(6))
    cli.main(["compare", "film-1", "film-2", "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["film"]["tilt_deg"]["verdict"] == "alike"
    assert told["film"]["keystone"]["verdict"] == "alike"
    assert told["rods_unproven"]


def test_a_film_whose_camera_moved_counts_where_it_stood(store):
    keep(store, apart=np.zeros(6))
    still = json.loads(compare(store, "film-1", "film-2", json=True))
    for k in range(4):
        row = Row(1.79e9 + 86400 + k, "moved", (0.04, 0, 0, 0, 0, 0), 1e-3, 1e-4)
        store.append("film-2", row)
    moved = json.loads(compare(store, "film-1", "film-2", json=True))
    change = moved["place"]["offset_m"]["value"] - still["place"]["offset_m"]["value"]
    assert change == pytest.approx(0.04, abs=1e-4)
    assert moved["moved"] and not still["moved"]
    assert "moved while it filmed" in compare(store, "film-1", "film-2")
    inches = compare(store, "film-1", "film-2", Plain("inches"))
    assert " in right (" in inches and " cm" not in inches


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"view": View.DOWN_THE_LINE}, "face-on, the other down the line"),
        ({"handed": Handed.LEFT}, "different hands"),
        ({"placement": None}, "nobody knows"),
    ],
    ids=str,
)
def test_what_cannot_be_compared_is_said(store, capsys, changes, word):
    first, second = made_record("film-1"), made_record("film-2")
    if "placement" in changes:
        second = replace(second, placement=None, layout=None)
    else:
        second = replace(second, setup=replace(second.setup, **changes))
    store.begin(first)
    store.begin(second)
    assert cli.main(["compare", "film-1", "film-2"]) == 2
    assert word in capsys.readouterr().out
    assert cli.main(["compare", "film-1", "film-2", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(told)
    assert told["verdict"] is None and word in told["reason"]


def test_the_records_command_says_the_same(store, capsys):
    keep(store)
    assert cli.main(["records", "compare", "film-1", "film-2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(told)
    assert told == json.loads(compare(store, "film-1", "film-2", json=True))


def test_an_unknown_film_is_a_plain_sentence(store, capsys):
    store.begin(made_record("film-1"))
    assert cli.main(["compare", "film-1", "gone"]) == 2
    assert "no film gone is kept" in capsys.readouterr().err
    assert cli.main(["compare", "film-1", "gone.mp4"]) == 2
    assert "no file here" in capsys.readouterr().err
    with pytest.raises(RecordError):
        compare(store, "film-1", "gone")


@pytest.mark.timeout(120)
def test_two_clips_without_any_record(tmp_path, capsys, store):
    then = Pose(0.0, 3.4, 1.0, 0.0, math.radians(-9), 0.0)
    now = replace(then, distance_m=3.5, height_m=1.08, yaw_rad=math.radians(1.5))
    clips = [
        str(made_clip(tmp_path / f"{k}.mp4", [pose] * 5, camera=Camera()))
        for k, pose in enumerate((then, now))
    ]
    options = ["--every", "1", "--rod-length", "1.22", "--json"]
    sigma = {}
    for more in ([], ["--same-phone"], ["--same-phone", "--same-rods"]):
        assert cli.main(["compare", *clips, *options, *more]) == 1
        told = json.loads(capsys.readouterr().out)
        VALIDATOR.validate(told)
        for name, value in (("distance_m", 0.10), ("height_m", 0.08), ("yaw_deg", 1.5)):
            number = told["place"][name]
            assert abs(number["value"] - value) <= 3 * number["sigma"], name
        sigma[len(more)] = told["film"]["ball_shift_m"]["sigma"]
    # What phone and rods err by cancels where they are said to be the same.
    assert sigma[2] < sigma[1] <= sigma[0] * 1.01
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((720, 1280, 3), 60, np.uint8))
    assert cli.main(["compare", clips[0], str(blank)]) == 2
    assert "no rods were found in" in capsys.readouterr().err
