"""`check FOLDER --results TABLE`: every file once, whatever happens in between."""

import argparse
import csv
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from server import check, table
from server.batch import all_of
from server.journal import Journal, JournalError
from tests.server.made_clips import made_folder
from tests.server.made_files import bytes_in, picture, write, write_clip
from tests.server.made_readings import DyingSolver, MadeSolver

FOUND = MadeSolver()


class ThisProcess:
    """An engine that starts no process."""

    workers = 1

    def results(self, work, options):
        for number, item in enumerate(work):
            yield number, all_of(item, options, MadeSolver())


@pytest.fixture
def run(capsys):
    def run(*words, solver=FOUND, engine=None):
        parser = argparse.ArgumentParser(prog="teesquare check")
        check.add_arguments(parser)
        args = parser.parse_args([str(word) for word in words])
        code = check.run(args, solver, ThisProcess() if args.jobs is None else engine)
        told = capsys.readouterr()
        return code, told.out, told.err

    return run


@pytest.fixture
def folder(tmp_path):
    """Photos, a clip, a text that is called a clip, and what is neither."""
    place = tmp_path / "films"
    (place / "b").mkdir(parents=True)
    for name in ("c.jpg", "a.jpg", "b/d.jpg"):
        write(place / name, picture())
    write_clip(place / "b" / "e.mp4", count=12)
    bytes_in(place / "b" / "bad.mov", b"hello\n" * 50)
    bytes_in(place / "notes.txt", b"hello")
    bytes_in(place / "._a.jpg", b"hello")
    return place


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_folder_becomes_a_row_for_each_photo_and_clip(run, folder, tmp_path):
    code, out, err = run(folder, "--results", tmp_path / "out.csv")
    assert code == 1  # one file could not be read
    found = rows(tmp_path / "out.csv")
    names = ["a.jpg", "b/bad.mov", "b/d.jpg", "b/e.mp4", "c.jpg"]
    assert [row["file"] for row in found] == [str(folder / name) for name in names]
    bad, clip = found[1], found[3]
    assert bad["verdict"] == "error" and "neither a photo nor a clip" in bad["reason"]
    assert clip["verdict"] == "off" and clip["offset_m"] == "0.2" and clip["pictures"] == "2"
    assert found[0]["pictures"] == "" and found[0]["offset_sigma_m"] == "0.02"
    assert "5 files in" in out and "a second" in out
    assert "2 other files" in err


def test_the_table_does_not_depend_on_the_number_of_processes(run, folder, tmp_path):
    run(folder, "--results", tmp_path / "one.csv")
    run(folder, "--results", tmp_path / "three.csv", "--jobs", "3")
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "three.csv").read_bytes()


def test_parquet_holds_what_the_csv_holds(run, folder, tmp_path):
    run(folder, "--results", tmp_path / "out.csv")
    run(folder, "--results", tmp_path / "out.parquet")
    typed = pq.read_table(tmp_path / "out.parquet").to_pylist()
    assert list(typed[0]) == [name for name, _, _ in table.COLUMNS]
    for row, text in zip(typed, rows(tmp_path / "out.csv"), strict=True):
        for name, value in row.items():
            said = "" if value is None else str(value).lower() if value in (True, False) else value
            assert text[name] == str(said), name


def test_only_what_is_missing_or_changed_is_read_again(run, folder, tmp_path):
    out = tmp_path / "out.csv"
    run(folder, "--results", out)
    journal = tmp_path / "out.csv.journal"
    size = journal.stat().st_size
    before = out.read_bytes()
    out.unlink()
    code, told, err = run(folder, "--results", out)
    assert code == 1 and "5 of 5 are done already" in err and "a second" not in told
    assert journal.stat().st_size == size and out.read_bytes() == before
    write(folder / "new.png", picture())
    write(folder / "c.jpg", picture(grey=8))
    _, told, err = run(folder, "--results", out)
    assert "4 of 6 are done already" in err and "2 files in" in told
    assert [row["verdict"] for row in rows(out)][-2:] == ["not-found", "off"]
    _, told, _ = run(folder, "--results", out, "--hand", "left")  # other facts
    assert "6 files in" in told and {row["handed"] for row in rows(out)} == {"left"}


def test_those_that_could_not_be_read_are_tried_again_on_request(run, folder, tmp_path):
    out = tmp_path / "out.csv"
    run(folder, "--results", out)
    _, told, _ = run(folder, "--results", out, "--retry")
    assert "1 files in" in told and len(rows(out)) == 5


def test_a_line_torn_by_a_kill_is_done_again(run, folder, tmp_path):
    out, journal = tmp_path / "out.csv", tmp_path / "out.csv.journal"
    run(folder, "--results", out)
    whole = out.read_bytes()
    data = journal.read_bytes()
    for keep in (len(data) - 1, len(data) - 200, 10, 0):
        journal.write_bytes(data[:keep])
        out.unlink()
        run(folder, "--results", out)
        assert out.read_bytes() == whole
        names = [json.loads(line)["file"] for line in journal.read_bytes().splitlines()]
        assert len(names) == len(set(names)) == 5


def test_a_file_that_ends_its_process_has_a_row_and_the_others_theirs(run, folder, tmp_path):
    write(folder / "b" / "deadly.png", picture(width=64))
    out = tmp_path / "out.csv"
    code, _, _ = run(folder, "--results", out, "--jobs", "2", solver=DyingSolver())
    assert code == 1
    found = {Path(row["file"]).name: row for row in rows(out)}
    assert len(found) == 6
    assert "ended the program" in found["deadly.png"]["reason"]
    assert found["d.jpg"]["verdict"] == "off" and found["e.mp4"]["verdict"] == "off"


def test_two_runs_do_not_write_one_journal(tmp_path):
    with Journal(tmp_path / "j"), pytest.raises(JournalError, match="another run"):
        Journal(tmp_path / "j")


def test_what_is_no_journal_is_left_alone(run, folder, tmp_path):
    other = bytes_in(tmp_path / "out.csv.journal", b"dear diary\n")
    code, _, err = run(folder, "--results", tmp_path / "out.csv")
    assert code == 2 and "no journal" in err
    assert other.read_bytes() == b"dear diary\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--results", "a.xlsx"], ".csv or .parquet"),
        (["--results", "a.csv", "--json"], "leave out"),
        (["--scheduler", "tcp://127.0.0.1:9"], "belong to --results"),
        (["--results", "a.csv", "--scheduler", "tcp://127.0.0.1:9", "--jobs", "2"], "--jobs"),
        (["--results", "/proc/none/a.csv"], "cannot be written"),
    ],
)
def test_misuse_is_told_in_a_sentence(run, folder, words, told):
    code, _, err = run(folder, *words)
    assert code == 2 and told in err


def test_killed_in_the_middle_nothing_is_lost_and_nothing_is_twice(tmp_path):
    """The real program, ended by SIGKILL: the same command goes on, and no process stays behind."""
    names = made_folder(tmp_path / "films", 24, kinds=2, broken=(5,))
    words = ["check", str(tmp_path / "films"), "--every", "1", "--jobs", "2", "--results"]
    command = [sys.executable, "-m", "server.cli", *words]
    journal = tmp_path / "out.csv.journal"
    first = subprocess.Popen([*command, str(tmp_path / "out.csv")])
    deadline_s = time.monotonic() + 100
    while not journal.exists() or journal.read_bytes().count(b"\n") < 6:
        assert first.poll() is None and time.monotonic() < deadline_s
        time.sleep(0.02)
    children = _children(first.pid)
    assert children
    first.send_signal(signal.SIGKILL)
    first.wait()
    kept = journal.read_bytes().count(b"\n")
    assert 6 <= kept < 24 and not (tmp_path / "out.csv").exists()
    again = subprocess.run(
        [*command, str(tmp_path / "out.csv")], capture_output=True, text=True, timeout=150
    )
    assert again.returncode == 1 and f"{kept} of 24 are done already" in again.stderr
    assert [row["file"] for row in rows(tmp_path / "out.csv")] == names
    written = [json.loads(line)["file"] for line in journal.read_bytes().splitlines()]
    assert sorted(written) == names
    assert not any(Path(f"/proc/{child}").exists() for child in children)


def _children(pid):
    return Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
