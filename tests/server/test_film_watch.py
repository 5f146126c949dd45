"""Films as the server sees them: the place locked, watched, recorded, over broken connections."""

from __future__ import annotations

import logging
import math
from dataclasses import replace

import numpy as np
import pytest

from server.film_book import FilmBook
from server.film_records import FilmRecords
from server.film_watch import ASTRAY_S, TOLD_S, FilmWatch
from server.film_words import worth_lines
from server.messages import FilmSent
from server.record import RecordError
from server.records import Records
from server.who import Who
from server.wire import Stated
from server.words import Plain
from tests.vision.test_drift import FPS, POSE, Stand
from vision.backlight import Light
from vision.frame import Frame
from vision.reading import Verdict
from vision.setup import Handed, Player, View
from vision.shake import Shake
from vision.worth import Camera, worth

FRAME = Frame.from_bgr(np.full((720, 1280, 3), 120, np.uint8))
NOW_S = 1_700_000_000.0  # any moment, in Unix seconds


class Clock:
    def __init__(self) -> None:
        self.now_s = NOW_S

    def __call__(self) -> float:
        return self.now_s


class Phone:
    """One phone on a stand: readings with noise, a clock, and the words about its films."""

    def __init__(self, records: Records, seed: int = 1) -> None:
        self.clock = Clock()
        self.stand = Stand(View.FACE_ON, Handed.RIGHT, seed)
        self.book = FilmBook(FilmRecords(records), self.clock)
        self.stated = Stated(self.stand.setup, who=Who("0123456789ab", "Ada", "4"))
        self.seq = 0
        self.connect()

    def connect(self) -> None:
        """A new session of the same phone on the same server."""
        self.watch = FilmWatch(self.book)

    def say(self, do: str, film: str | None = "film-1", since_s: float = 0.0, ago_s: float = 0.0):
        self.seq += 1
        size = (1920, 1080)
        sent = FilmSent(self.seq, do, film, since_s, size, 60.0, 59.8, 0.002, ago_s)
        self.watch.command(sent)

    def run(self, seconds: float, verdict: Verdict = Verdict.SQUARE):
        """What is told after so many seconds."""
        told = None
        for _ in range(max(1, round(seconds * FPS))):
            self.stand.time_s += 1 / FPS
            self.clock.now_s += 1 / FPS
            reading = replace(self.stand.reading(), verdict=verdict)
            told = self.watch.look(reading, FRAME, self.stand.time_s, self.stated)
        assert told is not None
        return told["film"]

    def kick(self, **changes: float) -> None:
        moved = replace(POSE, **{k: getattr(POSE, k) + v for k, v in changes.items()})
        self.stand.ends = self.stand.seen_from(moved)


@pytest.fixture
def records():
    kept = Records()
    yield kept
    kept.close()


@pytest.fixture
def phone(records):
    return Phone(records)


def locked(phone: Phone) -> None:
    assert not phone.run(0.5)["locked"]
    assert phone.run(6.0)["locked"]


def test_square_that_holds_locks_the_place_and_a_film_is_recorded_with_its_moves(phone, records):
    locked(phone)
    phone.say("begin")
    film = phone.run(2.0)
    assert film["film"] == "film-1"
    assert film["drift"]["watch"] == "still"
    phone.kick(offset_m=0.02)
    drift = phone.run(2.0, Verdict.OFF)["drift"]
    assert drift["watch"] == "moved" and drift["too_far"]
    assert drift["move_m"][0] == pytest.approx(0.02, abs=0.005)
    phone.say("end", since_s=4.0)
    assert phone.run(0.1, Verdict.OFF)["film"] is None
    record = records.get("film-1")
    assert (record.player, record.bay, record.phone) == ("Ada", "4", "0123456789ab")
    assert not record.unfinished
    assert record.ended_s - record.begun_s == pytest.approx(4.0, abs=0.1)
    watched = [row.watch for row in record.drift]
    assert watched[0] == "still" and watched[-1] == "moved"
    # A sample every half second at least, as docs/film.md says.
    times = [row.at_s for row in record.drift]
    assert max(np.diff(times)) <= 0.6
    still, kind = records.still("film-1")
    assert kind == "image/jpeg"
    assert still[:2] == b"\xff\xd8"  # start of image (ITU-T T.81, B.1)
    assert record.worth["promised_fps"] == 60 and record.worth["exposure_s"] == 0.002


def test_a_new_connection_goes_on_against_the_place_that_was_locked(phone, records):
    locked(phone)
    phone.say("begin")
    phone.run(1.0)
    phone.kick(offset_m=0.02)  # while nobody looks
    phone.connect()
    phone.say("begin", since_s=3.0)
    told = phone.run(2.0, Verdict.OFF)
    assert told["film"] == "film-1"
    assert told["drift"]["watch"] == "moved"
    phone.say("end", since_s=5.0)
    phone.run(0.1, Verdict.OFF)
    assert records.get("film-1").ended_s is not None


def test_a_film_that_ended_unheard_gets_its_record_afterwards(phone, records):
    phone.run(0.2, Verdict.OFF)
    now_s = phone.clock.now_s
    phone.say("end", "film-2", since_s=10.0, ago_s=30.0)
    phone.run(0.1, Verdict.OFF)
    record = records.get("film-2")
    assert record.begun_s == pytest.approx(now_s - 40.0, abs=0.5)
    assert record.ended_s - record.begun_s == pytest.approx(10.0, abs=0.5)


def test_words_come_again_and_late_and_are_taken_once(phone, records):
    locked(phone)
    phone.say("begin")
    phone.run(0.5)
    phone.say("end", since_s=0.5)
    old = FilmSent(1, "begin", "film-1", 0.0, None, None, None, None)
    phone.watch.command(old)
    told = phone.run(0.5)
    assert told["film"] is None
    assert len(records.get("film-1").drift) >= 1


def test_a_place_is_not_learned_from_a_phone_that_is_moved_again(phone):
    phone.run(1.0)
    assert phone.run(ASTRAY_S + 0.5, Verdict.OFF)["learned"] == 0.0


def test_without_a_film_an_alarm_gives_way_to_the_guidance(phone):
    locked(phone)
    phone.kick(offset_m=0.03)
    assert phone.run(2.0, Verdict.OFF)["drift"]["watch"] == "moved"
    assert not phone.run(TOLD_S + 0.5, Verdict.OFF)["locked"]


class Full:
    """A keeper on a full disk."""

    def begin(self, *_: object) -> None:
        raise RecordError("the disk is full: make room")

    def sample(self, *_: object) -> None:
        raise RecordError("the disk is full: make room")

    def finish(self, *_: object) -> None:
        raise RecordError("the disk is full: make room")


def test_guidance_goes_on_where_no_record_can_be_kept(phone, caplog):
    caplog.set_level(logging.ERROR)
    phone.book.keeper = Full()
    locked(phone)
    phone.say("begin")
    assert phone.run(2.0)["film"] == "film-1"
    phone.say("end", since_s=2.0)
    phone.run(0.2)
    assert "the record of a film failed" in caplog.text
    assert "a drift sample was not kept" in caplog.text


PLAIN = Plain()


def lines(camera: Camera, speech=PLAIN, **more) -> list[str]:
    return worth_lines(worth(camera, Player(club="7-iron"), **more), speech)


def test_what_a_film_is_worth_is_speed_times_time():
    """Way = speed x time: a 7-iron's 34 m/s (docs/trade.md, 14) over 1/240 s is 14 cm."""
    camera = Camera(fps=240.0, exposure_s=1 / 1000, size=(1280, 720))
    travel, blur = lines(camera)
    assert travel.startswith("240 pictures a second of 1280 x 720: at 34 m/s")
    assert "travels 14 cm" in travel
    assert blur == "Exposed for 1/1000 s: the club head blurs over 3 cm at the ball."
    # 34 m/s are 76 miles an hour (0.44704 m/s each, exact), 14 cm are 5.5 inches.
    travel, _ = lines(camera, Plain(units="inches"))
    assert "at 76 mph" in travel and "5.5 inches" in travel
    (travel,) = lines(Camera(fps=240.0), Plain(language="de"))
    assert travel.startswith("240 Bilder pro Sekunde: Bei 34 m/s") and "14 cm" in travel


def test_what_spoils_a_film_is_told_first():
    light = Light(behind=230.0, body=20.0, ground=20.0)
    assert light.against
    shaking = Shake(math.radians(0.1), math.radians(0.01), 0.006)
    told = lines(Camera(fps=60.0, measured_fps=31.0), light=light, shake=shaking)
    assert told[0].startswith("Against the light")
    assert told[1].startswith("The tripod shakes: 0.10°, 0.6 cm at the ball.")
    assert told[2].startswith("The camera gives 31 pictures a second, not the 60")
    calm = Shake(math.radians(0.001), math.radians(0.01), 0.006)
    assert not any("shakes" in line for line in lines(Camera(), shake=calm))
    inches = lines(Camera(), Plain(units="inches"), shake=shaking)
    assert "0.2 in at the ball" in inches[0]
    german = lines(Camera(), Plain(language="de"), shake=shaking)
    assert german[0].startswith("Das Stativ zittert: 0,10°, 0,6 cm am Ball.")
