"""The bench runs, and its own references hold."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.bench import board, bounds, falses
from tests.bench.scenes import accept_score, gather, right, threshold
from tests.synthetic import draw
from vision import live
from vision.find import find
from vision.rods import Rods
from vision.setup import Lens, View
from vision.warm import warm_up

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def rows():
    options = "--json --limit 2 --draws 3 --crops 3 --parts finders pose one-view board accept"
    ran = subprocess.run(
        [sys.executable, "-m", "tests.bench", "vision", *options.split()],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=280,
    )
    return [json.loads(line) for line in ran.stdout.splitlines()]


@pytest.mark.timeout(300)  # the first on a new machine has vision's loops compiled
def test_every_row_is_a_json_object_that_names_its_table(rows):
    kinds = {row["bench"] for row in rows}
    assert kinds == {"machine", "finders", "tracking", "pose", "one-view", "board", "accept"}


def test_all_finders_are_timed_on_the_same_pictures(rows):
    finders = [row for row in rows if row["bench"] == "finders"]
    assert len(finders) == 5
    assert {row["pictures"] for row in finders} == {2}
    assert all(row["total_ms"] > 0 for row in finders)


def test_a_line_is_right_only_where_it_follows_the_whole_rod():
    """Turned about one end so that the other is 12 pixels off, it does not: 7 pixels rms."""
    scene = gather([], 1)[0]
    good = find(scene.frame(), scene.setup())
    assert isinstance(good, Rods) and right(good, scene)
    for end in range(2):
        ends = good.first.ends_px[::-1] if end else good.first.ends_px
        span = ends[1] - ends[0]
        turn = 12.0 / np.hypot(*span) * np.array([-span[1], span[0]])
        turned = replace(good.first, ends_px=np.stack([ends[0], ends[1] + turn]))
        assert not right(replace(good, first=turned), scene)


def test_the_curve_marks_the_shipped_threshold(rows):
    shipped = [row for row in rows if row["bench"] == "accept" and row["shipped"]]
    assert [(row["over"], row["painted"]) for row in shipped] == [("single pictures", 4)]


def test_a_second_of_video_has_its_curve_too(monkeypatch):
    monkeypatch.setattr(falses, "SHIFTS", (-3.0, 0.0))
    monkeypatch.setattr(falses, "FRAMES", 8)
    doubtful, shipped = falses.over_a_second(gather([], 1)[:1], "all", 1)[:2]
    assert (doubtful["shipped"], shipped["shipped"]) == (False, True)
    for row in (doubtful, shipped):
        assert row["over"] == "a second of video"
        assert (row["laid"], row["painted"], row["crops"]) == (1, 2, 1)
    assert doubtful["true_share"] == 1.0


def test_the_pose_solver_and_scipy_agree(rows):
    known = [r for r in rows if r["bench"] == "pose" and r["known"] == "tilt 0.5°, f known"]
    for row in known:
        assert row["apart_median"] < 0.02 * row["bound_median"], row["quantity"]


@pytest.mark.parametrize("known", bounds.REFERENCE, ids=str)
def test_the_bounds_of_one_view_are_those_of_the_reference(known):
    upward = bounds.one_view(*known, pitch_deg=14.0)
    for name, sigma in bounds.REFERENCE[known].items():
        assert upward[name] == pytest.approx(sigma, rel=0.12, abs=0.55 if sigma >= 2 else 0), name


@pytest.mark.parametrize("known", bounds.REFERENCE, ids=str)
def test_offset_angle_and_yaw_are_bounded_alike_looking_down(known):
    downward = bounds.one_view(*known, pitch_deg=-14.0)
    for name in ("offset", "square", "angle", "yaw"):
        assert downward[name] == pytest.approx(bounds.REFERENCE[known][name], rel=0.12), name


@pytest.mark.parametrize("kind", ["charuco", "marker"])
def test_a_perfect_board_gives_the_true_place(kind, monkeypatch):
    monkeypatch.setattr(board, "CORNER_PX", 1e-6)
    rng = np.random.default_rng(4)
    case = draw(rng, View.FACE_ON)
    params = case.params.copy()
    params[7:10] = 639.5, 359.5, 0.0
    lens = Lens(float(np.exp(params[6])), 1.0)
    case = replace(case, params=params, setup=replace(case.setup, lens=lens))
    found = board.from_board(case, kind, rng)
    for name, true in board.on_line(case).items():
        assert found[name] == pytest.approx(true, abs=2e-3), name


@pytest.mark.parametrize("gone", [0, 1])
def test_a_painted_rod_is_gone_and_the_other_one_stays(gone):
    scene = next(s for s in gather([]) if s.layout == "t")
    before = [contrast(scene.bgr(), rod) for rod in scene.rods[:2]]
    after = [contrast(falses.painted(scene, gone), rod) for rod in scene.rods[:2]]
    assert after[gone] < 0.2 * before[gone]
    assert after[1 - gone] > 0.8 * before[1 - gone]


def contrast(picture: np.ndarray, rod: dict) -> float:
    """Mean difference of colour between the rod's middle line and its parallels 12 px beside."""
    a, b = np.array(rod["ends_px"])
    along = (b - a) / np.linalg.norm(b - a)
    at = np.linspace(a + 20 * along, b - 20 * along, 60)

    def mean(shift: float) -> np.ndarray:
        x, y = np.rint(at + shift * np.array([-along[1], along[0]])).astype(int).T
        return picture[y, x].astype(float).mean(axis=0)

    return float(np.linalg.norm(mean(0) - 0.5 * (mean(12) + mean(-12))))


def test_crops_are_the_same_for_the_same_seed_and_show_every_ground():
    first, again = (list(falses.crops(4, seed=3)) for _ in range(2))
    for a, b in zip(first, again, strict=True):
        np.testing.assert_array_equal(a, b)
    assert {picture.shape for picture in first} <= {(360, 640, 3), (640, 360, 3)}
    assert min(picture.std() for picture in first) > 10


def test_the_threshold_is_put_back():
    shipped, doubtful = accept_score(), live.DOUBTFUL
    with threshold(shipped + 2.0):
        assert (accept_score(), live.DOUBTFUL) == (shipped + 2.0, doubtful + 2.0)
    assert (accept_score(), live.DOUBTFUL) == (shipped, doubtful)


@pytest.mark.browser  # one of its phones
@pytest.mark.timeout(180)
def test_the_server_bench_prints_one_object_about_streams_that_were_really_sent():
    warm_up()  # the compiler's work is on disk then, and not in what is measured
    options = "--json --phones 2 --seconds 3"
    ran = subprocess.run(
        [sys.executable, "-m", "tests.bench", "server", *options.split()],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=170,
    )
    (row,) = [json.loads(line) for line in ran.stdout.splitlines()]
    assert row["phones"] == 2
    assert 0 < row["guidance_hz_min"] <= 15.5
    assert 0 < row["age_p50_ms"] <= row["age_p95_ms"]
    assert row["loop_lag_p99_ms"] >= 0
    assert row["cpu_per_frame_ratio"] > 1  # the floor does less, for the same pictures
    assert 0 < row["sharp_after_s"] <= 5.0  # 2 s on a machine of its own
    assert row["received_width"] == 1280
