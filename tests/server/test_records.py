"""Records of films: their JSON, the store, and what becomes of broken, full and newer files."""

import csv
import io
import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib import resources

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from server import database, wire_record
from server.drift_row import Row
from server.record import RecordError, StartOffset, person
from server.records import MIGRATIONS, Records, records_file
from tests.server.made_records import BEGUN_S, full_record, made_record, make_newer
from vision.profile import LensKey
from vision.setup import View

SCHEMA = json.loads(
    resources.files("web").joinpath("schema", "record.schema.json").read_text(encoding="utf-8")
)
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8


@pytest.fixture
def store(tmp_path):
    return Records(tmp_path / "deep" / "records.sqlite")


def same(a, b):
    """Records hold arrays: compared through their JSON, numbers to rounding of degrees."""

    def close(x, y):
        if isinstance(x, dict):
            return x.keys() == y.keys() and all(close(x[k], y[k]) for k in x)
        if isinstance(x, list | tuple):
            return len(x) == len(y) and all(map(close, x, y))
        if isinstance(x, float):
            return x == pytest.approx(y, rel=1e-9, abs=1e-12)
        return x == y

    return close(wire_record.record_to_json(a), wire_record.record_to_json(b))


@pytest.mark.parametrize(
    "record",
    [full_record(), made_record(view=View.DOWN_THE_LINE), made_record(placement=None, layout=None)],
    ids=["full", "pair", "not found"],
)
def test_the_json_holds_the_schema_and_comes_back(record):
    obj = json.loads(json.dumps(wire_record.record_to_json(record)))
    VALIDATOR.validate(obj)
    assert same(wire_record.record_from_json(obj), record)


def test_the_covariance_in_json_is_in_metres_and_degrees():
    obj = wire_record.record_to_json(full_record())
    sigma = np.array(list(obj["sigma"].values()))
    np.testing.assert_allclose(np.sqrt(np.diag(obj["covariance"])), sigma)
    assert obj["sigma"]["yaw_deg"] == pytest.approx(0.3)  # made_readings.SIGMA


def test_a_record_of_a_newer_program_says_so():
    obj = wire_record.record_to_json(full_record()) | {"version": 99, "smell": 1}
    with pytest.raises(RecordError, match="newer teesquare"):
        wire_record.record_from_json(obj)


@pytest.mark.parametrize("key", sorted(set(SCHEMA["required"]) - {"begun", "drift", "sigma"}))
def test_a_spoilt_record_says_so(key):
    obj = wire_record.record_to_json(full_record())
    for bad in ({k: v for k, v in obj.items() if k != key}, obj | {key: object()}):
        if key in ("player", "bay", "phone", "unfinished", "worth", "again", "verdict") and bad.get(
            key
        ):
            continue  # text is text, whatever it is
        if key == "version":
            continue
        with pytest.raises(RecordError, match="spoilt"):
            wire_record.record_from_json(bad)


def test_a_film_is_begun_sampled_and_ended(store):
    whole = full_record()
    store.begin(replace(whole, drift=(), ended_s=None))
    for row in whole.drift:
        store.append(whole.film, row)
    store.finish(whole.film, whole.ended_s, JPEG)
    assert same(Records(store.file).get(whole.film), whole)
    assert store.still(whole.film) == (JPEG, "image/jpeg")
    assert store.file.stat().st_mode & 0o077 == 0
    for still in store.stills.iterdir():
        assert still.stat().st_mode & 0o077 == 0


def test_worth_and_offset_are_added_later(store):
    store.begin(made_record())
    store.amend("film-1", worth={"fps": 120})
    store.set_offset("film-1", StartOffset("film-2", -0.25, 0.004))
    record = store.get("film-1")
    assert record.worth == {"fps": 120} and record.offset == StartOffset("film-2", -0.25, 0.004)


def test_a_film_has_one_record(store):
    store.begin(made_record())
    with pytest.raises(RecordError, match="already"):
        store.begin(made_record())


@pytest.mark.parametrize(
    "act",
    [
        lambda s: s.get("no"),
        lambda s: s.append("no", Row(1.0, "still")),
        lambda s: s.finish("no", 1.0),
        lambda s: s.delete("no"),
        lambda s: s.keep_still("no", JPEG),
        lambda s: s.delete_person("no"),
    ],
)
def test_an_unknown_film_or_person_is_said(store, act):
    with pytest.raises(RecordError, match=r"is kept"):
        act(store)


@pytest.mark.parametrize("name", ["", "../x", "a/b", "a" * 65, "a\0", "ä"])
def test_a_films_name_can_be_no_path(name):
    with pytest.raises(RecordError, match="cannot be called"):
        made_record(name)


def test_films_that_never_ended_are_recovered_and_may_still_end(store):
    store.begin(made_record("a"))
    store.begin(made_record("b", ended_s=BEGUN_S + 5))
    store.append("a", Row(BEGUN_S + 1, "still"))
    again = Records(store.file)
    assert again.recover() == ["a"]
    assert again.recover() == []
    assert again.get("a").unfinished and not again.get("b").unfinished
    assert len(again.get("a").drift) == 1
    again.finish("a", BEGUN_S + 9)
    assert not again.get("a").unfinished and again.get("a").ended_s == BEGUN_S + 9


def test_search_finds_words_anywhere_newest_first(store):
    store.begin(made_record("a", "Ada Lovell", bay="bay 4", begun_s=BEGUN_S))
    store.begin(made_record("b", "Björn", bay="bay 5", begun_s=BEGUN_S + 1, phone="phone-b"))
    store.begin(made_record("c", "100 %_x", bay="", begun_s=BEGUN_S + 2, view=View.DOWN_THE_LINE))
    films = lambda *a, **k: [r.film for r in store.search(*a, **k)]  # noqa: E731
    assert films() == ["c", "b", "a"]
    assert films("ADA") == films("lovell ada") == ["a"]
    assert films("bay") == ["b", "a"]
    assert films("BJÖRN") == ["b"]
    assert films("%") == films("_x") == ["c"]
    assert films("down-the-line") == ["c"]
    assert films(phone="phone-b") == ["b"]
    assert films(player=" ada   LOVELL ") == ["a"]
    assert films(since_s=BEGUN_S + 1, until_s=BEGUN_S + 2) == ["b"]
    assert films(limit=1) == ["c"]


@given(name=st.text(st.characters(exclude_categories=[]), max_size=60))
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_a_name_of_any_letters_is_kept_exported_and_deleted(tmp_path_factory, name):
    store = Records(tmp_path_factory.mktemp("names") / "records.sqlite")
    record = made_record("a", name)
    store.begin(record)
    assert store.get("a").player == record.player
    assert [r.film for r in store.search(player=name)] == ["a"]
    table = list(csv.reader(io.StringIO(wire_record.records_to_csv(store.whole()), newline="")))
    assert table[1][table[0].index("player")].lstrip("'") == record.player.lstrip("'")
    assert json.loads(wire_record.records_to_json(store.whole()))["records"][0]["film"] == "a"
    assert store.delete_person(name).films == 1
    assert store.search() == []


def test_half_a_letter_in_any_text_of_a_phone_is_kept_as_a_question_mark(store):
    """JSON can spell a lone surrogate, which no UTF-8 file can hold (RFC 8259, section 8.2)."""
    half = json.loads('"\\ud83d"')
    camera = LensKey(f"phone {half}", f"lens {half}", 1280, 720)
    store.begin(made_record(camera=camera, player=f"Ada {half}", bay=half, phone=half))
    assert store.get("film-1").camera.device == "phone ?"
    assert store.delete_person(f"Ada {half}").films == 1


def test_a_name_is_the_same_however_it_is_written():
    assert person("  Zoë  ") == person("ZOE\u0308") == "zoë"


def test_a_sheet_runs_no_name():
    text = wire_record.records_to_csv([made_record(player="=1+1")])
    assert list(csv.reader(io.StringIO(text)))[1][4] == "'=1+1"


def bytes_of(store):
    """All that lies in the store's folder, as it is on the disk."""
    files = [f for f in store.file.parent.rglob("*") if f.is_file()]
    return b"".join(f.read_bytes() + str(f).encode() for f in files)


@pytest.mark.parametrize("crowd", [1, 300])
def test_a_person_is_deleted_without_a_trace(store, crowd):
    """Looks at the bytes of database, log and stills; the film's name is theirs too."""
    name = "Quirina Xylander"
    for k in range(crowd):
        store.begin(made_record(f"other-{k}", f"player {k}"))
    for k in range(3):
        store.begin(made_record(f"theirs-{k}", name))
        store.append(f"theirs-{k}", Row(BEGUN_S, "still", (0.123456789,) * 6, 0.1, 0.1))
        store.finish(f"theirs-{k}", BEGUN_S + 1, JPEG + f"still of {name}".encode())
    # another connection keeps the log from being folded in by itself
    other = sqlite3.connect(store.file)
    other.execute("SELECT 1 FROM films").fetchone()
    traces = [name.encode(), person(name).encode(), b"theirs-", b"0.123456789"]
    store.amend("theirs-0", bay="bay 9")
    before = bytes_of(store)
    assert all(trace in before for trace in traces)
    assert store.file.with_name(store.file.name + "-wal").exists()
    assert store.delete_person(name.upper()).films == 3
    after = bytes_of(store)
    other.close()
    assert not any(trace in after for trace in traces)
    assert len(store.search()) == crowd


def test_one_film_is_deleted_alone(store):
    for k in range(2):
        store.begin(made_record(f"f{k}"))
        store.finish(f"f{k}", BEGUN_S, JPEG)
    store.delete("f0")
    assert [r.film for r in store.search()] == ["f1"]
    assert b"f0" not in bytes_of(store)
    assert store.still("f0") is None and store.still("f1") is not None


def test_traces_that_another_program_holds_back_are_said(store, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    store.begin(made_record())
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN")
    other.execute("SELECT 1 FROM films").fetchone()  # reads, and keeps the old state alive
    with pytest.raises(RecordError, match="end it"):
        store.delete_person("Ada")
    other.close()
    assert store.search() == []
    store.scrub()
    assert b"Ada" not in bytes_of(store)


def test_a_broken_file_is_kept_aside_and_told_when_a_person_is_deleted(store):
    store.begin(made_record())
    store.file.write_bytes(b"no database " * 100)
    told = []
    again = Records(store.file, told.append)
    again.begin(made_record("new"))
    (aside,) = store.file.parent.glob("*.broken-*")
    assert aside.read_bytes() == b"no database " * 100 and str(aside) in told[0]
    assert again.delete_person("Ada").kept_aside == (aside,)
    assert aside.exists()


def test_a_file_that_breaks_while_in_use_is_kept_aside_at_the_next_call(store):
    for k in range(30):
        store.begin(made_record(f"f{k}"))
    data = bytearray(store.file.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    store.file.write_bytes(data)
    with pytest.raises(RecordError, match="cannot be used"):
        store.search()
    store.begin(made_record("new"))
    assert [r.film for r in store.search()] == ["new"]
    (aside,) = store.file.parent.glob("*.broken-*")
    assert aside.read_bytes() == bytes(data)


def test_a_locked_file_is_said(store, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    store.begin(made_record())
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="in use by another program"):
        store.append("film-1", Row(1.0, "still"))
    other.rollback()
    other.close()
    store.append("film-1", Row(1.0, "still"))
    assert len(store.get("film-1").drift) == 1


def test_a_full_disk_is_said_and_harms_nothing(store, monkeypatch):
    """SQLite's own limit of pages raises a full disk's SQLITE_FULL (sqlite.org/rescode)."""
    store.begin(made_record())
    connect = database.Database._connect

    def full(self):
        db = connect(self)
        db.execute("PRAGMA max_page_count = 1")
        return db

    monkeypatch.setattr(database.Database, "_connect", full)
    with pytest.raises(RecordError, match="disk is full"):
        for k in range(400):
            store.append("film-1", Row(float(k), "still", (0.1,) * 6, 0.1, 0.1))
    monkeypatch.undo()
    assert store.get("film-1").film == "film-1"


def test_a_still_that_finds_no_room_leaves_the_record(store):
    store.begin(made_record())
    store.stills.write_text("in the way")  # where the folder should be
    with pytest.raises(RecordError, match="is kept, but its still is not"):
        store.finish("film-1", BEGUN_S + 2, JPEG)
    assert store.get("film-1").ended_s == BEGUN_S + 2


def test_what_is_no_picture_is_no_still(store):
    store.begin(made_record())
    with pytest.raises(RecordError, match="JPEG"):
        store.keep_still("film-1", b"<html>")


def test_a_newer_programs_file_is_left_alone(store):
    store.begin(made_record())
    db = sqlite3.connect(store.file)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    before = store.file.read_bytes()
    with pytest.raises(RecordError, match="newer teesquare"):
        store.search()
    assert store.file.read_bytes() == before


def test_one_newer_record_hides_no_other(store):
    store.begin(made_record("old"))
    store.begin(made_record("new"))
    make_newer(store, "new")
    assert [r.film for r in store.search()] == ["old"]
    [(film, why)] = store.find().unread
    assert film == "new" and "newer teesquare" in why
    assert store.find("nobody").unread == []  # told of what was asked for
    with pytest.raises(RecordError, match="newer teesquare"):
        store.get("new")


def test_the_same_kit_is_phone_lens_and_stated_rods_and_never_a_guess():
    one = made_record()
    assert one.kit and one.kit == made_record("film-2", player="Bob", bay="7").kit
    unstated = replace(one.setup, rod_lengths_m={})
    for other in (
        replace(one, phone="phone-b"),
        replace(one, camera=replace(one.camera, lens="front")),
        replace(one, setup=replace(one.setup, rod_lengths_m=dict.fromkeys(one.setup.roles, 1.2))),
        replace(one, setup=unstated),
    ):
        assert other.kit != one.kit
    assert replace(one, setup=unstated).kit == replace(one, setup=unstated).kit != ""
    assert replace(one, phone="").kit == replace(one, camera=None).kit == ""


def test_many_threads_lose_nothing(store):
    store.begin(made_record())

    def write(k):
        store.append("film-1", Row(float(k), "still"))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(40)))
    assert len(store.get("film-1").drift) == 40


def test_without_a_file_they_are_kept_until_the_end():
    store = Records()
    store.begin(made_record())
    folder = store.file.parent
    assert len(store.search()) == 1
    store.close()
    assert not folder.exists()


def test_the_file_can_be_named(monkeypatch, tmp_path):
    monkeypatch.setenv("TEESQUARE_RECORDS", str(tmp_path / "x.sqlite"))
    assert records_file() == tmp_path / "x.sqlite"
    monkeypatch.delenv("TEESQUARE_RECORDS")
    assert records_file().name == "records.sqlite"
