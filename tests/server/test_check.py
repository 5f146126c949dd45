import argparse
import io
import json
import os
import re
import shutil
import sys

import cv2
import numpy as np
import pytest

from server import batch, check
from tests.server.made_files import BAD, bytes_in, picture, write, write_clip
from tests.server.made_readings import VALIDATOR, DyingSolver, MadeSolver
from vision.setup import View

FACE_ON_BEST = MadeSolver()


@pytest.fixture
def run(capsys):
    """Runs `check` as from the command line: (exit code, standard output, standard error)."""

    def run(*words, solver=FACE_ON_BEST):
        parser = argparse.ArgumentParser(prog="teesquare check")
        check.add_arguments(parser)
        code = check.run(parser.parse_args([str(word) for word in words]), solver)
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


@pytest.fixture
def lines(run):
    """The same with --json: (exit code, the lines, each checked against the contract)."""

    def lines(*words, **kept):
        code, out, _ = run("--json", *words, **kept)
        parsed = [json.loads(line) for line in out.splitlines()]
        for line in parsed:
            VALIDATOR.validate(line)
        return code, parsed

    return lines


@pytest.fixture
def photo(tmp_path):
    return write(tmp_path / "a.jpg", picture())


def test_a_photo_gives_one_line(lines, photo):
    code, (line,) = lines(photo, "--view", "face-on")
    assert code == 0
    assert line["file"] == str(photo) and line["frame"] == 0
    assert line["verdict"] == "off" and line["view"] == "face-on"
    assert line["elapsed_ms"]["total"] >= line["elapsed_ms"]["find"] >= 0


def test_a_clip_gives_a_line_for_every_nth_picture(lines, tmp_path):
    clip = write_clip(tmp_path / "swing.mp4", count=25)
    code, found = lines(clip, "--every", "10")
    assert code == 0
    assert [line["frame"] for line in found] == [0, 10, 20]


def test_a_photo_without_rods_is_not_found_but_read(lines, tmp_path):
    code, (line,) = lines(write(tmp_path / "dark.jpg", picture(grey=8)))
    assert code == 0
    assert (line["verdict"], line["reason"]) == ("not-found", "too dark")


# --- what cannot be read ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_file_is_told_in_a_sentence_and_the_rest_go_on(lines, tmp_path, photo, kind):
    make, told = BAD[kind]
    code, found = lines(make(tmp_path), photo)
    assert code == 1
    bad, good = found
    assert bad["verdict"] == "error"
    assert told in bad["reason"], bad["reason"]
    assert good["verdict"] == "off"


def test_a_failure_of_the_analysis_is_one_line_too(lines, tmp_path, photo, caplog):
    white = write(tmp_path / "white.png", np.full((240, 320, 3), 255, np.uint8))
    code, (bad, good) = lines(white, photo)
    assert code == 1
    assert bad["verdict"] == "error" and "ZeroDivisionError" in bad["reason"]
    assert good["verdict"] == "off"
    assert "white" in caplog.text  # the whole story goes to the log


def test_an_unreadable_file_in_words(run, tmp_path, photo):
    code, out, _ = run(tmp_path / "nowhere.jpg", photo)
    assert code == 1
    assert "CANNOT BE READ: there is no such file" in out
    assert "2 read" not in out and "1 read" in out and "1 could not be read" in out


# --- the view -----------------------------------------------------------------------------------


@pytest.mark.parametrize("better", View)
def test_an_unstated_view_is_the_better_scoring_one(lines, photo, better):
    solver = MadeSolver(tuple((view, 9.0 if view is better else 1.0) for view in View))
    _, (line,) = lines(photo, solver=solver)
    assert line["view"] == better


def test_a_view_whose_pose_is_refused_leaves_it_to_the_other(lines, photo):
    _, (line,) = lines(photo, solver=MadeSolver(refused=(View.FACE_ON,)))
    assert (line["view"], line["verdict"]) == ("down-the-line", "off")


def test_a_stated_view_is_kept_even_where_the_other_fits_better(lines, photo):
    _, (line,) = lines(photo, "--view", "down-the-line")
    assert line["view"] == "down-the-line"


def test_a_stated_rod_length_states_the_view(lines, photo):
    _, (line,) = lines(photo, "--rod-length", "ball=0.94")
    assert line["view"] == "down-the-line"


# --- what is known ------------------------------------------------------------------------------


class Asked(MadeSolver):
    """Remembers the setups that it was asked about."""

    def __init__(self):
        super().__init__()
        object.__setattr__(self, "setups", [])

    def find(self, frame, setup):
        self.setups.append(setup)
        return super().find(frame, setup)


def test_the_options_reach_the_core(run, photo):
    solver = Asked()
    options = "--view face-on --hand left --focal-px 1065 --focal-sigma 7 --tilt -12,0.5,0.3 "
    options += "--rod-length 1.1 --rod-length stem=0.94 --player-height 1.9 --club driver"
    code, _, _ = run(photo, *options.split(), solver=solver)
    assert code == 0
    (setup,) = solver.setups
    assert (setup.view, setup.handed) == ("face-on", "left")
    assert (setup.lens.focal_px, setup.lens.sigma_px) == (1065, 7)
    angles = np.degrees([setup.tilt.pitch_rad, setup.tilt.roll_rad, setup.tilt.sigma_rad])
    assert angles == pytest.approx([-12, 0.5, 0.3])
    assert setup.rod_lengths_m == {"target": 1.1, "stem": 0.94, "toe": 1.1, "ball": 1.1}
    assert (setup.player.height_m, setup.player.club) == (1.9, "driver")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ("--tilt 3", "PITCH,ROLL"),
        ("--tilt a,b", "PITCH,ROLL"),
        ("--tilt nan,0", "tilt.pitch_deg"),
        ("--rod-length long", "metres"),
        ("--rod-length stick=1", "target, stem, toe or ball"),
        ("--rod-length 12", "from 0.3 to 3"),
        ("--focal-px 0", "focal_px"),
        ("--focal-sigma 3", "without focal_px"),
        ("--player-height 178", "player_height_m"),
        ("--manifest nowhere.jsonl", "cannot be read"),
    ],
)
def test_misuse_is_told_and_exits_with_2(run, photo, options, told):
    code, out, err = run(photo, *options.split())
    assert (code, out) == (2, "")
    assert told in err


@pytest.mark.parametrize("options", ["--every 0", "--jobs x", "--view above", "--hand both"])
def test_words_that_make_no_option_exit_with_2(run, photo, options, capsys):
    with pytest.raises(SystemExit) as wrong:
        run(photo, *options.split())
    assert wrong.value.code == 2


def test_nothing_to_check_exits_with_2(run, tmp_path):
    assert run()[0] == 2
    assert run("--manifest", bytes_in(tmp_path / "m.jsonl", b"\n\n"))[0] == 2


# --- manifests ----------------------------------------------------------------------------------


def _manifest(path, *found):
    path.parent.mkdir(exist_ok=True)
    text = (line if isinstance(line, str) else json.dumps(line) for line in found)
    path.write_text("".join(f"{line}\n" for line in text), encoding="utf-8")
    return path


def test_a_manifest_names_files_beside_itself_and_what_is_known(lines, tmp_path):
    made = tmp_path / "range"
    manifest = _manifest(
        made / "m.jsonl",
        {"file": "é 1.jpg", "view": "down-the-line", "handed": "left", "setup": "tee 4"},
        {"file": "b.jpg", "view": "face-on", "focal_px": 900, "setup": "tee 4"},
    )
    shutil.copy(write(tmp_path / "x.jpg", picture()), made / "é 1.jpg")
    shutil.copy(tmp_path / "x.jpg", made / "b.jpg")
    solver = Asked()
    code, (first, second) = lines("--manifest", manifest, "--hand", "right", solver=solver)
    assert code == 0
    told = (first["file"], first["view"], first["handed"])
    assert told == ("é 1.jpg", "down-the-line", "left")
    assert (second["file"], second["view"], second["handed"]) == ("b.jpg", "face-on", "right")
    assert [setup.lens and setup.lens.focal_px for setup in solver.setups] == [None, 900]


def test_bad_manifest_lines_are_told_and_the_rest_go_on(lines, tmp_path, photo):
    manifest = _manifest(
        tmp_path / "m.jsonl",
        "{broken",
        {"file": "a.jpg", "focal_px": "long"},
        {"view": "face-on"},
        {"file": "gone.jpg"},
        {"file": "a.jpg"},
    )
    code, found = lines("--manifest", manifest)
    assert code == 1
    assert [line["verdict"] for line in found] == ["error"] * 4 + ["off"]
    assert [line["file"] for line in found] == [None, "a.jpg", None, "gone.jpg", "a.jpg"]
    assert "line 1 of m.jsonl is not JSON" in found[0]["reason"]
    assert 'focal_px is "long"' in found[1]["reason"]
    assert "line 3 of m.jsonl names no file" in found[2]["reason"]


def test_bytes_that_are_no_text_spoil_their_own_line_only(lines, tmp_path, photo):
    manifest = tmp_path / "m.jsonl"
    manifest.write_bytes(b'\xef\xbb\xbf{"file": "a.jpg"}\r\n\xff\xfe\n{"file": "a.jpg"}')
    code, found = lines("--manifest", manifest)
    assert code == 1
    assert [line["verdict"] for line in found] == ["off", "error", "off"]


def test_unknown_keys_are_mentioned_on_standard_error_alone(run, tmp_path, photo):
    manifest = _manifest(tmp_path / "m.jsonl", {"file": "a.jpg", "note": "windy"})
    code, out, err = run("--json", "--manifest", manifest)
    assert code == 0 and len(out.splitlines()) == 1
    assert "note" in err


def test_files_choose_among_a_manifest_s_lines(lines, tmp_path, photo):
    other = write(tmp_path / "b.jpg", picture())
    manifest = _manifest(
        tmp_path / "m.jsonl",
        {"file": "a.jpg", "view": "down-the-line"},
        {"file": "c.jpg", "view": "down-the-line"},
    )
    code, found = lines(photo, other, "--manifest", manifest)
    assert code == 0
    assert [line["view"] for line in found] == ["down-the-line", "face-on"]


# --- what comes out -----------------------------------------------------------------------------


def test_json_is_pure_even_with_pictures_drawn(run, tmp_path, photo):
    code, out, _ = run("--json", "--annotate", tmp_path / "drawn", photo, photo)
    assert code == 0
    assert [json.loads(line)["verdict"] for line in out.splitlines()] == ["off", "off"]
    assert out.isascii()


def test_drawn_pictures_show_the_rods_and_keep_their_names_apart(run, tmp_path, photo):
    (tmp_path / "other").mkdir()
    same = write(tmp_path / "other" / "A.jpg", picture())
    clip = write_clip(tmp_path / "swing.mp4", count=12)
    drawn = tmp_path / "deep" / "drawn"
    code, _, _ = run(photo, same, clip, tmp_path / "gone.jpg", "--annotate", drawn, "--pictures")
    assert code == 1
    names = ["A-2.jpg", "a.jpg", "swing-000000.jpg", "swing-000010.jpg"]
    assert sorted(path.name for path in drawn.iterdir()) == names
    shown = cv2.imread(str(drawn / "a.jpg"))
    assert shown.shape[0] > 240 and shown.shape[1] == 320  # a strip of words below the picture
    # The target rod lies at y = 30.5 (made_readings): amber there, grey beside it.
    blue, _, red = shown[30, 45].astype(int)
    assert red - blue > 60
    assert np.ptp(shown[180, 200].astype(int)) < 20


def test_a_folder_that_cannot_be_made_exits_with_2(run, photo):
    code, out, err = run(photo, "--annotate", photo / "drawn")
    assert (code, out) == (2, "") and "cannot be made" in err


def test_the_report_is_in_plain_words(run, photo):
    code, out, _ = run(photo, "--view", "face-on")
    assert code == 0
    assert "OFF: Slide the tripod left 20 cm." in out
    assert "then: Turn the phone right 3 degrees." in out
    assert "20.0 cm (± 3.9 cm) right of the stem's line; 3.50 m (± 39.2 cm) from the rods" in out
    assert "turned 3.0° left (± 0.6°); tilted 10.0° down (± 1.0°)" in out
    assert "6 cm further back" in out and "unproven" in out
    assert "guessed" not in out


def test_the_report_in_german_has_german_words_and_numbers(run, tmp_path, monkeypatch):
    named = write(tmp_path / "tee.v1.2.jpg", picture())
    code, said, _ = run(named, "--view", "face-on", "--language", "de")
    assert code == 0
    head, verdict, *rest = said.splitlines()
    assert head == f"{named}  (von vorn, Rechtshand)"  # the name keeps its own points
    assert verdict == "  DANEBEN: Schieb das Stativ 20 cm nach links. Dreh es nicht."
    assert "  steht: 20,0 cm (± 3,9 cm) rechts der Linie des Querstabs" in said
    assert not any(re.search(r"\d\.\d", line) for line in rest)
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    _, by_environment, _ = run(named, "--view", "face-on")
    assert by_environment == said
    # What programs read stays as it was, unless asked otherwise.
    _, line, _ = run(named, "--view", "face-on", "--json")
    assert json.loads(line)["advice"][0]["text"].startswith("Slide the tripod left")


def test_the_report_in_inches_says_when_the_view_was_guessed(run, photo):
    _, out, _ = run(photo, "--units", "inches")
    assert "8 inches" in out and "7.9 in" in out and " cm" not in out
    assert "view guessed" in out


def test_control_characters_in_names_stay_off_the_terminal(run, tmp_path):
    code, out, _ = run(tmp_path / "a\x1b[2J\ud800.jpg")
    assert code == 1 and "\x1b" not in out


def test_a_terminal_of_few_letters_gets_the_report_all_the_same(photo, monkeypatch):
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    parser = argparse.ArgumentParser()
    check.add_arguments(parser)
    assert check.run(parser.parse_args([str(photo)]), MadeSolver()) == 0
    out.flush()
    assert b"turned 3.0? left" in out.buffer.getvalue()


def test_a_reader_that_leaves_is_no_failure_of_the_program(photo, monkeypatch):
    read, write_end = os.pipe()
    os.close(read)
    out = os.fdopen(write_end, "w")
    monkeypatch.setattr(sys, "stdout", out)
    parser = argparse.ArgumentParser()
    check.add_arguments(parser)
    assert check.run(parser.parse_args(["--json", str(photo)]), MadeSolver()) == 1
    out.close()


def test_a_bar_is_shown_on_a_terminal_for_long_work(run, photo, monkeypatch):
    monkeypatch.setattr(check, "BAR_AFTER_S", 0.0)
    monkeypatch.setenv("FORCE_COLOR", "1")  # rich: a terminal, whatever the stream says
    code, out, err = run("--json", photo, photo)
    assert code == 0
    assert "checking" in err and "checking" not in out
    assert len(out.splitlines()) == 2


def test_no_bar_without_a_terminal(run, photo, monkeypatch):
    monkeypatch.setattr(check, "BAR_AFTER_S", 0.0)
    assert run("--json", photo, photo)[2] == ""


# --- several processes --------------------------------------------------------------------------


def test_several_processes_keep_the_order(lines, tmp_path):
    files = [write(tmp_path / f"{n}.png", picture(grey=8 if n % 2 else 120)) for n in range(5)]
    files.insert(2, tmp_path / "gone.png")
    code, found = lines("--jobs", "2", *files)
    assert code == 1
    assert [line["file"] for line in found] == [str(file) for file in files]
    verdicts = ["off", "not-found", "error", "off", "not-found", "off"]
    assert [line["verdict"] for line in found] == verdicts


def test_a_file_that_kills_its_process_is_told_and_the_rest_go_on(lines, tmp_path):
    files = [write(tmp_path / f"{n}.png", picture(64 if n == 0 else 320)) for n in range(3)]
    code, found = lines("--jobs", "2", *files, solver=DyingSolver())
    assert code == 1
    assert [line["verdict"] for line in found] == ["error", "off", "off"]
    assert "ended the program" in found[0]["reason"]


def test_drawn_names_are_told_apart_before_the_work_is_shared_out(tmp_path):
    jobs = [
        batch.Job(name, tmp_path / name, None, ()) for name in ("a/x.jpg", "b/X.png", "x-2.jpg")
    ]
    assert [work.drawn_name for work in batch.works(jobs)] == ["x", "X-2", "x-2-2"]
