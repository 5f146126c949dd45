"""From a phone's word to its record: a film watched, moved and ended; and a store in trouble."""

import math
import sqlite3
from dataclasses import replace

import numpy as np
import pytest

from server import database
from server.demo.geometry import Camera, Laid, truth
from server.drift_row import Row
from server.film_book import FilmBook
from server.film_records import AGAIN_S, FilmRecords
from server.film_watch import FilmWatch
from server.messages import FilmSent
from server.record import RecordError
from server.records import Records
from server.report_numbers import told
from server.who import Who
from server.wire import Stated
from tests.live.film_server import PLACE, Steady
from tests.server.made_records import BEGUN_S
from vision.drift import Watch
from vision.frame import Frame
from vision.live import LiveState
from vision.setup import Setup

FRAME = Frame(np.full((720, 1280), 90, np.uint8), *(np.full((360, 640), 128, np.uint8),) * 2)
FPS = 15


class Clock:
    now_s = 0.0

    def __call__(self):
        return BEGUN_S + self.now_s


class Filming:
    """A phone whose pictures and words are made here; time is the test's."""

    def __init__(self, records, tell=lambda sentence: None):
        self.clock = Clock()
        self.store = records
        self.keeper = FilmRecords(records, tell, self.clock)
        self.watch = FilmWatch(FilmBook(self.keeper, self.clock))
        self.rods = Steady()
        self.setup = Setup()
        self.stated = Stated(self.setup, who=Who("phone-a", "Ada", "4"))
        self.seq = 0

    def say(self, do, film, since_s=0.0):
        self.seq += 1
        sent = FilmSent(self.seq, do, film, since_s, (1920, 1080), 60.0, 59.8, 0.002)
        self.watch.command(sent)

    def run(self, seconds):
        for _ in range(round(seconds * FPS)):
            self.clock.now_s += 1 / FPS
            _, live = self.rods.step(LiveState(), FRAME, self.setup, self.clock.now_s)
            got = self.watch.look(live.reading, FRAME, self.clock.now_s, self.stated)
        return got["film"]


@pytest.fixture
def store(tmp_path):
    return Records(tmp_path / "records.sqlite")


def test_a_film_is_locked_watched_moved_and_ended(store):
    """The true numbers within three spreads; a move of 3 cm at second 4 told within a second."""
    one = Filming(store)
    assert one.run(6)["locked"]
    one.say("begin", "film-1")
    one.run(4)
    moved = replace(PLACE, offset_m=PLACE.offset_m + 0.03)
    ends = truth(moved, Laid(), Camera()).ends_px
    one.rods.ends = np.stack([ends[role] for role in Setup().roles])
    assert one.run(3)["drift"]["watch"] == "moved"
    one.say("end", "film-1", since_s=7.0)
    one.run(0.2)
    record = store.get("film-1")
    # A tripod that was moved once does not shake: less than a millimetre at the ball.
    assert record.worth["shake_ball_m"] < 0.001
    for key in ("offset_m", "yaw_rad", "roll_rad", "height_m", "distance_m"):
        error = getattr(record.placement, key) - getattr(PLACE, key)
        assert abs(error) <= 3 * record.placement.sigma(key), key
    assert (record.player, record.bay, record.phone) == ("Ada", "4", "phone-a")
    assert record.ended_s - record.begun_s == pytest.approx(7.0, abs=0.1)
    (mark,) = [t for t in told(record) if t.watch is Watch.MOVED]
    assert 4.0 <= mark.at_s <= 5.0
    last = record.drift[-1]
    assert last.six[0] == pytest.approx(0.03, abs=max(3 * last.sigma_m, 0.003))
    assert record.worth["fps"] == 59.8 and record.worth["blur_m"] == pytest.approx(34 * 0.002)
    assert store.still("film-1")[1] == "image/jpeg"
    gaps = np.diff([row.at_s for row in record.drift])
    assert gaps.max() <= 0.6  # every half second


def test_words_that_wait_for_a_picture_keep_their_time(store):
    """Pictures come 3 s late: the film's begin and end are those that the page told."""
    one = Filming(store)
    one.run(6)
    one.say("begin", "film-1", since_s=0.5)
    begun_s = one.clock() - 0.5
    one.clock.now_s += 3.0
    one.run(2)
    one.say("end", "film-1", since_s=5.5)
    one.clock.now_s += 3.0
    one.run(0.2)
    record = store.get("film-1")
    assert record.begun_s == pytest.approx(begun_s, abs=0.05)
    assert record.ended_s - record.begun_s == pytest.approx(5.5, abs=0.01)
    # A film of which this server hears only its end.
    one.say("end", "film-2", since_s=4.0)
    ended_s = one.clock()
    one.clock.now_s += 3.0
    one.run(0.2)
    assert store.get("film-2").ended_s == pytest.approx(ended_s, abs=0.1)


def go_on(one, book):
    """The phone on a new connection, its rods lying 3 cm away from where the film began."""
    again = Filming(one.store)
    again.clock, again.seq = one.clock, 100
    book = book or FilmBook(FilmRecords(one.store, clock=one.clock), one.clock)
    again.watch = FilmWatch(book)
    ends = truth(replace(PLACE, offset_m=PLACE.offset_m + 0.03), Laid(), Camera()).ends_px
    again.rods.ends = np.stack([ends[role] for role in Setup().roles])
    return again


@pytest.mark.parametrize("squared", [False, True], ids=["at once", "after a lock of its own"])
def test_a_new_connection_goes_on_against_the_films_own_place(store, squared):
    one = Filming(store)
    one.run(6)
    one.say("begin", "film-1", since_s=0.1)
    one.run(2)
    again = go_on(one, one.watch._book)
    if squared:
        again.run(1)  # square holds before the film's word comes
    again.say("begin", "film-1", since_s=3.0)
    assert again.run(3)["drift"]["watch"] == "moved"
    again.say("end", "film-1", since_s=6.0)
    again.run(0.2)
    last = store.get("film-1").drift[-1]
    assert last.watch == "moved" and last.six[0] == pytest.approx(0.03, abs=0.005)


def test_after_a_restart_nobody_claims_that_the_camera_stood_where_it_stood(store):
    """It was moved while the server was away: what is learned anew is not the film's place."""
    one = Filming(store)
    one.run(6)
    one.say("begin", "film-1", since_s=0.1)
    one.run(2)
    picture = store.still("film-1")
    assert picture is not None  # kept at once: the server may be killed
    again = go_on(one, None)
    again.say("begin", "film-1", since_s=3.0)
    assert again.run(6)["drift"]["watch"] == "still"  # since it was learned anew
    ends = truth(replace(PLACE, offset_m=PLACE.offset_m + 0.08), Laid(), Camera()).ends_px
    again.rods.ends = np.stack([ends[role] for role in Setup().roles])
    again.run(2)
    again.say("end", "film-1", since_s=11.0)
    again.run(0.2)
    record = store.get("film-1")
    after = [row for row in record.drift if row.at_s > record.begun_s + 3]
    assert {row.watch for row in after} == {"blind", "moved"}
    assert all(row.six is None for row in after)
    assert store.still("film-1") == picture  # of the lock, not of a later moment
    assert [t.watch for t in told(record)] == [Watch.BLIND, Watch.MOVED]


@pytest.mark.parametrize("restarted", [False, True])
def test_a_film_heard_of_after_its_end_is_of_the_place_locked_before_it_or_of_none(
    store, restarted
):
    one = Filming(store)
    one.run(6)
    again = go_on(one, None if restarted else one.watch._book)
    again.say("end", "film-1", since_s=4.0)
    again.run(0.2)
    record = store.get("film-1")
    if restarted:
        assert (record.verdict, record.placement) == ("not-found", None)
        assert store.still("film-1") is None
    else:
        assert record.verdict == "square" and store.still("film-1") is not None


def test_a_film_that_a_page_lost_keeps_its_picture(store):
    one = Filming(store)
    one.run(6)
    one.say("begin", "film-1", since_s=0.1)
    one.run(2)
    picture = store.still("film-1")
    again = go_on(one, one.watch._book)
    again.say("lost", "film-1", since_s=2.0)
    again.run(0.2)
    record = store.get("film-1")
    assert record.ended_s - record.begun_s == pytest.approx(2.0, abs=0.01)
    assert store.still("film-1") == picture


@pytest.fixture
def hasty(store, monkeypatch):
    monkeypatch.setattr("server.records.HASTY_S", 0.02)
    return store.hasty()


def test_while_the_file_is_in_use_nothing_is_lost(store, hasty):
    said = []
    one = Filming(hasty, said.append)
    one.run(6)
    store.search()
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    one.say("begin", "film-1")
    one.run(5)
    (sentence,) = said
    assert "in use by another program" in sentence and "safe on the phones" in sentence
    other.rollback()
    other.close()
    assert store.search() == []
    one.run(AGAIN_S + 1)
    assert "written again; nothing was lost" in said[1] and len(said) == 2
    one.say("end", "film-1", since_s=8.0)
    one.run(0.5)
    record = store.get("film-1")
    times = [row.at_s - record.begun_s for row in record.drift]
    assert times == sorted(times) and np.diff(times).max() <= 0.6
    assert times[0] < 0.7 and len(times) >= 15
    assert record.ended_s is not None and store.still("film-1") is not None


def test_while_the_disk_is_full_nothing_is_lost(store, hasty, monkeypatch):
    """SQLite's own limit of pages raises a full disk's SQLITE_FULL (sqlite.org/rescode)."""
    said = []
    one = Filming(hasty, said.append)
    one.run(6)
    one.say("begin", "film-1")
    one.run(1)
    connect = database.Database._connect

    def full(self):
        db = connect(self)
        db.execute("PRAGMA max_page_count = 1")
        return db

    row = Row(BEGUN_S, "still", tuple(math.pi * k for k in range(6)), 0.1, 0.1)
    with monkeypatch.context() as patched:
        patched.setattr(database.Database, "_connect", full)
        for k in range(400):
            one.clock.now_s += 0.1
            one.keeper.sample("film-1", replace(row, at_s=BEGUN_S + 100 + k))
        assert "disk is full" in said[0] and len(said) == 1
    one.clock.now_s += AGAIN_S
    one.keeper.sample("film-1", replace(row, at_s=BEGUN_S + 1000))
    got = [r.at_s - BEGUN_S for r in store.get("film-1").drift]
    assert got[-401:] == [*(100.0 + k for k in range(400)), 1000.0]
    assert "nothing was lost" in said[1]


def test_a_film_deleted_while_it_runs_is_not_brought_back(store):
    said = []
    one = Filming(store, said.append)
    one.run(6)
    one.say("begin", "film-1")
    one.run(1)
    store.delete_person("ada")
    one.run(1)
    one.say("end", "film-1", since_s=2.0)
    one.run(0.5)
    assert store.search() == [] and store.still("film-1") is None
    assert said == []


def test_what_is_lost_at_the_end_is_told(store, hasty):
    said = []
    one = Filming(hasty, said.append)
    one.run(6)
    store.search()
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    one.say("begin", "film-1")
    one.run(1)
    one.keeper.close()
    assert "entries of the films' records are lost" in said[-1]
    other.close()


def test_a_still_that_finds_no_room_leaves_the_record_and_is_told(store):
    said = []
    one = Filming(store, said.append)
    one.run(6)
    store.search()
    store.stills.write_text("in the way")  # where the folder should be
    one.say("begin", "film-1")
    one.run(1)
    one.say("end", "film-1", since_s=1.0)
    one.run(0.2)
    assert store.get("film-1").ended_s is not None
    assert len(said) == 2 and all("picture was not kept" in sentence for sentence in said)


def test_a_film_with_no_usable_name_is_refused(store):
    one = Filming(store)
    one.run(6)
    lock = one.watch._lock
    with pytest.raises(RecordError, match="cannot be called"):
        one.keeper.begin("../x", BEGUN_S, lock, {}, one.stated)
