"""`calibrate` as from the command line, on OpenCV's published set."""

import argparse
import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from server import calibrate, cli
from server.profiles import Profiles
from vision.errors import SetupError, TeesquareError
from vision.profile import LensKey

CHESSBOARD = sorted((Path(__file__).parents[1] / "data" / "chessboard").glob("left*.jpg"))


@pytest.fixture
def run(capsys, tmp_path):
    """Runs `calibrate`: (exit code, standard output, standard error)."""
    store = Profiles(tmp_path / "profiles.sqlite3")

    def run(*words):
        parser = argparse.ArgumentParser(prog="teesquare calibrate")
        calibrate.add_arguments(parser)
        code = calibrate.run(parser.parse_args([str(word) for word in words]), store)
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


def test_the_published_set_makes_a_profile(run, tmp_path):
    code, out, _ = run(
        *CHESSBOARD, "--chessboard", "9x6", "--name", "a", "--device", "d", "--lens", "l"
    )
    assert code == 0
    assert "residual 0.1" in out and "held back" in out and "kept as a" in out
    assert sum(file.name in out for file in CHESSBOARD) == 13
    code, out, _ = run("--list")
    assert "a: focal length 53" in out and "13 board views" in out
    found = Profiles(tmp_path / "profiles.sqlite3").find(LensKey("d", "l", 640, 480))
    assert found.focal_px == pytest.approx(535.9, rel=0.01)


def test_the_json_line_reports_residuals_and_check(run):
    code, out, _ = run(*CHESSBOARD, "--chessboard", "9x6", "--json")
    line = json.loads(out)
    assert code == 0 and line["profile"] is None and line["refused"] is None
    assert 0.1 < line["rms_px"] < 0.25 and line["held_back_px"] < 0.3
    assert [view["name"] for view in line["views"]] == [file.name for file in CHESSBOARD]


def test_a_refusal_names_its_reason_and_keeps_nothing(run, tmp_path):
    code, out, _ = run(*CHESSBOARD[:3], "--chessboard", "9x6", "--name", "a")
    assert code == 1 and out.startswith("REFUSED: Only 3 pictures")
    assert Profiles(tmp_path / "profiles.sqlite3").all() == []
    code, out, _ = run(*CHESSBOARD[:3], "--chessboard", "9x6", "--json")
    line = json.loads(out)
    assert code == 1 and line["refused"] == "too-few" and line["reason"].startswith("Only 3")


def test_pictures_without_a_board_or_unreadable_are_passed_over(run, tmp_path):
    (tmp_path / "text.jpg").write_text("no picture")
    cv2.imwrite(str(tmp_path / "grey.png"), np.full((480, 640), 128, np.uint8))
    code, out, err = run(
        tmp_path / "text.jpg", tmp_path / "grey.png", *CHESSBOARD, "--chessboard", "9x6"
    )
    assert code == 0 and "13 views" in out
    assert "text.jpg: the file is neither" in err and "grey.png: the board is not seen" in err


def test_pictures_held_both_ways_are_refused(run, tmp_path):
    upright = cv2.rotate(cv2.imread(str(CHESSBOARD[0])), cv2.ROTATE_90_CLOCKWISE)
    cv2.imwrite(str(tmp_path / "upright.jpg"), upright)
    code, out, _ = run(tmp_path / "upright.jpg", *CHESSBOARD, "--chessboard", "9x6")
    assert code == 1 and "2 different sizes" in out


def test_profiles_travel_as_json(run, tmp_path):
    run(*CHESSBOARD, "--chessboard", "9x6", "--name", "a")
    assert run("--export", tmp_path / "e.json")[0] == 0
    assert run("--delete", "a")[0] == 0
    assert run("--list")[1] == ""
    assert run("--import", tmp_path / "e.json")[1].startswith("1 profiles read")
    assert run("--list")[1].startswith("a: focal length 53")
    assert run("--export", tmp_path / "one.json", "--name", "a")[0] == 0
    with pytest.raises(TeesquareError, match="no lens profile is called b"):
        run("--export", tmp_path / "one.json", "--name", "b")


def test_the_board_is_written(run, tmp_path):
    code, out, _ = run("--board", tmp_path / "b.pdf", "--paper", "letter")
    assert code == 0 and "LETTER" in out
    assert (tmp_path / "b.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "no picture was named"),
        (["a.jpg", "--chessboard", "9"], "give the inner corners"),
        (["a.jpg", "--chessboard", "9x2"], "give the inner corners"),
        (["a.jpg", "--ruler-mm", "15"], "120 to 188 mm"),
        (["a.jpg", "--ruler-mm", "x"], "120 to 188 mm"),
        (["a.jpg", "--every", "0"], "whole number"),
        (["--import", "nowhere.json"], "cannot be read"),
    ],
)
def test_misuse_is_a_sentence(run, words, said):
    with pytest.raises(SetupError, match=said):
        run(*words)


def test_rulers_set_the_squares():
    parser = argparse.ArgumentParser()
    calibrate.add_arguments(parser)
    board = calibrate._board(parser.parse_args(["--ruler-mm", "148.5,150"]))
    assert board.square_m == pytest.approx((0.02475, 0.025))
    one = calibrate._board(parser.parse_args(["--ruler-mm", "147"]))
    assert one.square_m == pytest.approx((0.0245, 0.0245))


def test_the_command_is_there(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("TEESQUARE_PROFILES", str(tmp_path / "p.sqlite3"))
    assert cli.main(["calibrate", "--list"]) == 0
    assert cli.main(["calibrate", "--delete", "x"]) == 2
    assert "no lens profile is called x" in capsys.readouterr().err


def test_a_folders_pictures_may_have_any_name(run, tmp_path):
    names = []
    for k, file in enumerate(CHESSBOARD):
        names.append(tmp_path / f"bild ü {k}.jpg")
        shutil.copy(file, names[-1])
    assert run(*names, "--chessboard", "9x6")[0] == 0


def test_the_published_pictures_turned_flat_are_refused_for_their_tilt(run, tmp_path):
    """Each picture undistorted and warped until the board is square to the lens, at some place."""
    rng = np.random.default_rng(0)
    intrinsics = CHESSBOARD[0].parent / "left_intrinsics.yml"
    published = cv2.FileStorage(str(intrinsics), cv2.FILE_STORAGE_READ)
    matrix = published.getNode("camera_matrix").mat()
    bend = published.getNode("distortion_coefficients").mat()
    grid = np.stack(np.meshgrid(range(9), range(6)), axis=-1).reshape(-1, 2).astype(float)
    for k, file in enumerate(CHESSBOARD):
        straight = cv2.undistort(cv2.imread(str(file), cv2.IMREAD_GRAYSCALE), matrix, bend)
        found, corners = cv2.findChessboardCorners(straight, (9, 6))
        assert found
        turn, side = rng.uniform(-0.5, 0.5), rng.uniform(30, 42)
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        at = np.array([320.0 + (k % 3 - 1) * 90, 240.0 + (k // 3 % 3 - 1) * 60])
        flat = (grid - grid.mean(axis=0)) @ spin.T * side + at
        warp, _ = cv2.findHomography(corners.reshape(-1, 2), flat)
        cv2.imwrite(
            str(tmp_path / f"flat{k:02d}.png"),
            cv2.warpPerspective(straight, warp, (640, 480), borderValue=150),
        )
    code, out, _ = run(*sorted(tmp_path.glob("flat*.png")), "--chessboard", "9x6", "--name", "a")
    assert code == 1
    assert out.startswith("REFUSED: The board is never tilted enough")
    assert "focal length open" in out and "Tilt the board more" in out
    assert run("--list")[1] == ""


def test_one_picture_over_and_over_is_refused(run):
    code, out, _ = run(*[CHESSBOARD[4]] * 10, "--chessboard", "9x6")
    assert code == 1 and "tilted the same way in every picture" in out
