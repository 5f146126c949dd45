"""`teesquare records`: what each action prints, keeps and deletes, and its sentences."""

import csv
import io
import json
import os
import resource
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from server import cli, database
from server.records import Records
from tests.server.made_records import BEGUN_S, made_record, make_newer
from tests.server.made_session import keep, session, still
from vision.setup import View

ROOT = Path(__file__).parents[2]
NAMES = [
    "Ada",
    'O\'Hara "the ace"',
    "<script>alert(1)</script>",
    "אבגד (right to left)",
    "🏌️‍♀️ Zoë",
    "lone \ud83d surrogate",
    "=HYPERLINK(1)",
    "a\tb\nc\x1b[31m",
    "%_'; DROP TABLE films; --",
]


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("TEESQUARE_RECORDS", str(tmp_path / "records.sqlite"))
    return Records(tmp_path / "records.sqlite")


def run(capsys, *words):
    code = cli.main(["records", *words])
    got = capsys.readouterr()
    return code, got.out, got.err


def test_list_and_search_narrow_by_all_that_is_known(store, capsys):
    store.begin(made_record("a", "Ada Lovell", bay="bay 4", begun_s=BEGUN_S))
    store.begin(made_record("b", "Björn", bay="bay 5", begun_s=BEGUN_S + 90_000))
    store.begin(made_record("c", "Cleo", View.DOWN_THE_LINE, bay="bay 5", begun_s=BEGUN_S - 9e4))
    days = {
        r.film: line[:10] for r, line in zip(store.search(), lines(capsys, "list"), strict=True)
    }

    def films(*words):
        return [line.split("  ")[-3].split()[-1] for line in lines(capsys, *words)]

    assert films("list") == ["b", "a", "c"]
    assert films("list", "--player", " ada  LOVELL") == ["a"]
    assert films("list", "--bay", "BAY 5") == ["b", "c"]
    assert films("list", "--view", "down-the-line") == ["c"]
    assert films("list", "--day", days["a"]) == ["a"]
    assert films("list", "--from", days["a"]) == ["b", "a"]
    assert films("list", "--to", days["a"]) == ["a", "c"]
    assert films("search", "bay", "björn") == ["b"]
    assert films("search", days["c"]) == ["c"]
    code, out, _ = run(capsys, "list", "--limit", "1")
    assert code == 0 and "2 more" in out
    code, out, err = run(capsys, "search", "nobody")
    assert code == 1 and out == "" and "No film fits" in err


def lines(capsys, *words):
    code, out, err = run(capsys, *words)
    assert code == 0 and err == ""
    return out.splitlines()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["list", "--day", "yesterday-ish"], "no day"),
        (["list", "--day", "0001-01-01"], "no day"),
        (["list", "--day", "2026-11-25", "--to", "2026-11-26"], "without --from"),
        (["list", "--limit", "0"], "--limit"),
        (["show", "nothing"], "no film nothing is kept"),
        (["delete", "nothing", "--yes"], "nothing was deleted"),
        (["forget", "nobody", "--yes"], "no film of that name"),
        (["forget", "Ada"], "add --yes"),
        (["report"], "a report needs films"),
        (["report", "--player", "nobody"], "no film was chosen"),
        (["report", "nothing"], "no film nothing is kept"),
        (["export", "-o", "/nowhere/x.json"], "cannot be written"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(store, capsys, monkeypatch, words, says):
    store.begin(made_record())
    monkeypatch.setattr("sys.stdin", io.StringIO("yes\n"))  # no terminal: nobody is asked
    code, out, err = run(capsys, *words)
    assert code == 2 and says in err and len(err.splitlines()) == 1
    assert out == "" and len(store.search()) == 1


def test_show_and_exports_hold_everything(store, capsys, tmp_path):
    keep(store, session())
    code, out, _ = run(capsys, "show", "film-a")
    shown = json.loads(out)
    assert code == 0 and shown["placement"]["offset_m"] == pytest.approx(0.004)
    assert len(shown["drift"]) == 40 and Path(shown["still"]).read_bytes() == still()
    _, out, _ = run(capsys, "export")
    assert [r["film"] for r in json.loads(out)["records"]] == ["film-c", "film-b", "film-a"]
    _, out, _ = run(capsys, "export", "--format", "csv", "--view", "face-on")
    table = list(csv.DictReader(io.StringIO(out, newline="")))
    assert [row["film"] for row in table] == ["film-c", "film-a"]
    assert float(table[1]["most_moved_m"]) == pytest.approx(0.05, abs=0.006)
    for name in ("out.csv", "out.json"):
        _, out, _ = run(capsys, "export", "-o", str(tmp_path / name))
        assert "3 films" in out
        assert (tmp_path / name).stat().st_mode & 0o077 == 0
    assert (tmp_path / "out.csv").read_text("utf-8").startswith("film,begun")
    assert len(json.loads((tmp_path / "out.json").read_text("utf-8"))["records"]) == 3


@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_a_name_of_any_letters_goes_through_every_action(store, capsys, tmp_path, name):
    keep(store, session(name))
    store.begin(made_record("other", "someone else"))
    # A lone surrogate reaches the program where a terminal sends bytes that are no UTF-8.
    code, out, _ = run(capsys, "list", "--player", name)
    assert code == 0 and len(out.splitlines()) == 3 and "\x1b" not in out
    code, _, _ = run(capsys, "report", "--player", name, "-o", str(tmp_path / "r.html"))
    assert code == 0 and "<script" not in (tmp_path / "r.html").read_text("utf-8")
    assert len(json.loads(run(capsys, "export", "--player", name)[1])["records"]) == 3
    code, out, _ = run(capsys, "forget", name, "--yes")
    assert code == 0 and "Deleted: 3 films (pictures: 2, samples of the drift: 80)" in out
    assert "lie on the phones" in out
    assert [r.film for r in store.search()] == ["other"]


def test_deleting_asks_and_says_what_is_not_reached(store, capsys, monkeypatch):
    keep(store, session())

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr("sys.stdin", Terminal("no\n"))
    code, out, _ = run(capsys, "delete", "film-a")
    assert code == 1 and "Nothing was deleted" in out and len(store.search()) == 3
    monkeypatch.setattr("sys.stdin", Terminal("yes\n"))
    code, out, _ = run(capsys, "delete", "film-a")
    assert code == 0 and "1 film (pictures: 1, samples of the drift: 40)" in out
    assert "backups" in out and len(store.search()) == 2
    # One unknown film: none is deleted.
    assert run(capsys, "delete", "film-b", "film-x", "--yes")[0] == 2
    assert len(store.search()) == 2
    assert "written anew" in run(capsys, "scrub")[1]


def test_broken_files_kept_aside_are_named_when_someone_is_forgotten(store, capsys):
    store.file.write_bytes(b"no database " * 400)
    code, _, err = run(capsys, "list")
    assert code == 1 and "kept aside" in err
    store.begin(made_record())
    code, out, _ = run(capsys, "forget", "ada", "--yes")
    (aside,) = store.file.parent.glob("*.broken-*")
    assert code == 0 and str(aside) in out and aside.read_bytes() == b"no database " * 400


def test_a_record_of_a_newer_program_is_told_and_hides_no_other(store, capsys):
    store.begin(made_record("old"))
    store.begin(made_record("new"))
    make_newer(store, "new")
    code, out, err = run(capsys, "list")
    assert code == 0 and len(out.splitlines()) == 1 and "  old  " in out
    assert "new cannot be read" in err and "newer teesquare" in err
    code, _, err = run(capsys, "show", "new")
    assert code == 2 and "newer teesquare" in err
    # It can still be deleted.
    assert run(capsys, "delete", "new", "--yes")[0] == 0


def test_a_locked_file_is_told(store, capsys, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    store.begin(made_record())
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    code, _, err = run(capsys, "delete", "film-1", "--yes")
    assert code == 2 and "in use by another program" in err
    other.rollback()
    other.close()
    assert len(store.search()) == 1


def test_an_export_that_finds_no_room_leaves_what_was_there(store, tmp_path):
    """A limit on the size of files (setrlimit, POSIX) stops the writing as a full disk does."""
    for k in range(80):
        store.begin(made_record(f"f{k}"))
    for name in ("out.json", "out.html"):
        (tmp_path / name).write_text("before")

    def small():
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    for words in (
        ["export", "-o", str(tmp_path / "out.json")],
        ["report", *(f"f{k}" for k in range(40)), "-o", str(tmp_path / "out.html")],
    ):
        done = subprocess.run(
            [sys.executable, "-m", "server.cli", "records", *words],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            preexec_fn=small,
            timeout=60,
        )
        assert done.returncode == 2, done.stderr
        assert "cannot be written" in done.stderr and "unharmed" in done.stderr
        assert Path(words[-1]).read_text() == "before"
    assert not list(tmp_path.glob("*.part"))
    assert len(store.search()) == 80


def test_a_report_lands_in_a_file_for_its_owner_alone(store, capsys, tmp_path):
    keep(store, session())
    out_file = tmp_path / "r.html"
    code, out, _ = run(capsys, "report", "film-a", "-o", str(out_file))
    assert code == 0 and "Report written" in out and "1 films" in out
    page = out_file.read_text("utf-8")
    assert page.startswith("<!doctype html>") and "film-b" not in page
    assert out_file.stat().st_mode & 0o077 == 0
    day = json.loads(run(capsys, "show", "film-a")[1])["begun"][:10]
    _, page, _ = run(capsys, "report", "--day", day)
    assert all(f'id="film-film-{x}"' in page for x in "abc")
