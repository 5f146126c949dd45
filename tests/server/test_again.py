"""Earlier places on the server: the message, who may see what, the way back, and its record."""

import json
import math
from dataclasses import replace
from importlib import resources

import aiohttp
import jsonschema
import numpy as np
import pytest

from server import wire_record
from server.again_places import earlier, earlier_at, may_see
from server.again_watch import AgainWatch
from server.app import SESSIONS
from server.demo.geometry import Camera, Laid, Pose, truth
from server.film_book import FilmBook, Lock
from server.film_records import FilmRecords
from server.film_watch import FilmWatch
from server.messages import AgainSent, FilmSent, MessageError, read_message
from server.record import record_of
from server.records import Records
from server.who import Who
from server.wire import Stated
from tests.server.live_phone import far_away, serving
from tests.server.made_records import CAMERA, made_record
from tests.server.test_records import SCHEMA
from vision.belief import ACCEPT
from vision.drift import Watch
from vision.frame import Frame
from vision.profile import LensKey
from vision.read import conclude, not_found
from vision.reading import Verdict
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Handed, Setup, Tilt, View

SIZE = (1280, 720)
BIAS = math.radians(0.4)
THEN = Pose(0.01, 3.4, 1.0, 0.0, math.radians(-9), 0.0)
FRAME = Frame.from_bgr(np.full((720, 1280, 3), 90, np.uint8))
WHO = Who("phone-a", "Ada", "4")


def test_an_again_message_is_read():
    sent = {"type": "again", "seq": 1, "do": "lead", "film": "film-1"}
    assert read_message(json.dumps(sent)) == AgainSent(1, "lead", "film-1")
    sent = {"type": "again", "seq": 2, "do": "lead", "bay": " 4 ", "same_rods": True}
    assert read_message(json.dumps(sent)) == AgainSent(2, "lead", None, "4", None, True)
    sent = {"type": "again", "seq": 2, "do": "lead", "player": "Ada"}
    assert read_message(json.dumps(sent)) == AgainSent(2, "lead", None, None, "Ada")
    assert read_message('{"type":"again","seq":3,"do":"stop"}') == AgainSent(3, "stop")


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": None},
        {"seq": True},
        {"do": "sell"},
        {"do": []},
        {"film": "../x"},
        {"film": 3},
        {"film": None},
        {"film": None, "bay": " "},
        {"film": None, "bay": "x" * 81},
    ],
    ids=str,
)
def test_one_that_cannot_be_read_is_told_in_a_sentence(wrong):
    with pytest.raises(MessageError) as told:
        read_message(json.dumps({"type": "again", "seq": 1, "do": "lead", "film": "f"} | wrong))
    assert str(told.value).endswith(".")


# ---- who may see what


@pytest.fixture
def store():
    records = Records()
    yield records
    records.close()


def keep(store, film, **changes):
    store.begin(made_record(film, **changes))


def test_a_phone_sees_its_own_films_and_those_of_its_bay(store):
    keep(store, "own", phone="phone-a", bay="", begun_s=1.0)
    keep(store, "bay", phone="phone-b", bay=" BAY 4", player="Bo", begun_s=2.0)
    keep(store, "other", phone="phone-b", bay="5", player="Ada", begun_s=3.0)
    keep(store, "nowhere", phone="phone-a", placement=None, layout=None, begun_s=4.0)
    who = Who("phone-a", "Ada", "bay 4")
    assert [r.film for r in earlier(store, who)] == ["bay", "own"]
    # Neither an empty number nor an empty bay is something that two share.
    assert earlier(store, Who("", "Ada", "")) == []
    assert not may_see(made_record(phone="", bay=""), Who("", "", ""))


def test_bay_4_face_on_means_the_newest_of_that_bay_and_view(store):
    keep(store, "old", bay="4", begun_s=1.0)
    keep(store, "new", bay="4", begun_s=2.0)
    keep(store, "pair", bay="4", view=View.DOWN_THE_LINE, begun_s=3.0)
    keep(store, "elsewhere", bay="5", begun_s=4.0)
    assert earlier_at(store, Setup(), WHO, bay="4").film == "new"
    assert earlier_at(store, Setup(view=View.DOWN_THE_LINE), WHO, bay="4").film == "pair"
    assert earlier_at(store, Setup(handed=Handed.LEFT), WHO, bay="4") is None
    assert earlier_at(store, Setup(), Who("phone-z", "", "6"), bay="4") is None
    # Of a player: of the films that this phone may see.
    assert earlier_at(store, Setup(), WHO, player=" ada ").film == "elsewhere"
    assert earlier_at(store, Setup(), WHO, player="") is None
    assert earlier_at(store, Setup(), Who("phone-z", "Ada", "6"), player="Ada") is None


async def test_the_list_needs_the_key_and_names_nobody_to_strangers():
    async with serving(far_away) as (server, phone):
        records = server.app[SESSIONS].records
        keep(records, "own", phone="phone-a", bay="4", player="Ada", begun_s=1.0)
        keep(records, "hers", phone="phone-b", bay="4", player="Bo", begun_s=2.0)
        body = {"phone": "phone-a", "player": "Ada", "bay": "4"}
        async with aiohttp.ClientSession(server.url) as stranger:
            assert (await stranger.post("/again/places", json=body)).status == 401
        answer = await phone.http.post("/again/places", json=body)
        hers, own = (await answer.json())["places"]
        assert (own["film"], own["player"], own["own"]) == ("own", "Ada", True)
        assert (hers["film"], hers["player"], hers["own"]) == ("hers", "", False)
        assert "phone" not in hers and "phone-b" not in json.dumps(hers)
        assert (own["view"], own["distance_m"], own["height_m"]) == ("face-on", 3.5, 1.2)
        for wrong in ("", "[]", '{"phone": 3}', '{"film": "x"}'):
            assert (await phone.http.post("/again/places", data=wrong)).status == 400


# ---- the way back


AGAIN = jsonschema.Draft202012Validator(
    json.loads(
        resources.files("web").joinpath("schema", "again.schema.json").read_text(encoding="utf-8")
    )
)


class Sim:
    """A phone at rods: readings with noise, its tilt sensor wrong by a fixed 0.4 degrees."""

    def __init__(self, seed=1, pose=THEN, lean=0.0, who=WHO, camera=CAMERA, view=View.FACE_ON):
        self.rng = np.random.default_rng(seed)
        self.laid, self.pose = Laid(view, lean_rad=lean), pose
        self.view = view
        roles = Setup(view=view).roles
        self.stated = Stated(
            Setup(view=view, rod_lengths_m=dict.fromkeys(roles, 1.22)), "cm", "en", camera, who
        )
        self.time_s = 0.0

    def reading(self):
        pose, rng = self.pose, self.rng
        pitch, roll = np.array([pose.pitch_rad, pose.roll_rad]) + rng.normal(0, 0.002, 2) + BIAS
        tilt = Tilt(pitch, roll, math.radians(0.3), math.radians(0.7))
        setup = replace(self.stated.setup, tilt=tilt)
        ends = truth(pose, self.laid, Camera()).ends_px
        rods = [
            Rod(
                role,
                ends[role] + rng.normal(0, 0.05, (2, 2)),
                (End.SEEN, End.SEEN),
                0.2,
                (1.4, 1.4),
                3.0,
                3.0,
            )
            for role in setup.roles
        ]
        return conclude(Rods(*rods, 5.0, -20.0), SIZE, setup, -math.inf)

    def run(self, watch, seconds, films=None):
        """The last message after so many seconds at eight pictures a second."""
        told = {}
        for _ in range(round(seconds * 8)):
            self.time_s += 1 / 8
            reading = self.reading()
            told = watch.look(reading, SIZE, self.time_s, self.stated)
            AGAIN.validate(told["again"])
            if films is not None:
                told |= films.look(reading, FRAME, self.time_s, self.stated, watch.here)
        return told


def filmed(store, film="film-1", **changes):
    """A film of four seconds' stand, kept as the server keeps it."""
    sim, watch = Sim(), AgainWatch(store)
    sim.run(watch, 4.0)
    reading = sim.reading()
    record = record_of(
        reading,
        SIZE,
        film=film,
        begun_s=1.0,
        player="Ada",
        bay="4",
        phone="phone-a",
        camera=CAMERA,
        steady=watch.here.steady,
    )
    store.begin(replace(record, **changes))
    return record


def test_the_mean_look_is_kept_with_the_record_and_comes_back(store):
    record = filmed(store)
    assert record.steady.looks >= 25
    obj = json.loads(json.dumps(wire_record.record_to_json(record)))
    jsonschema.Draft202012Validator(SCHEMA).validate(obj)
    back = store.get("film-1").steady
    for a, b in zip(record.steady.rods.both, back.rods.both, strict=True):
        np.testing.assert_allclose(a.ends_px, b.ends_px)
        assert (a.role, a.ends, a.line_sigma_px) == (b.role, b.ends, b.line_sigma_px)
    assert back.setup.tilt.noise_rad == pytest.approx(record.steady.setup.tilt.noise_rad)
    assert (back.size, back.looks) == (SIZE, record.steady.looks)
    first, second = obj["steady"]["rods"]
    first["line_reach"] = 3.0
    del second["line_reach"]  # as in records of 0.1
    rods = wire_record.record_from_json(obj).steady.rods
    assert (rods.first.line_reach, rods.second.line_reach) == (3.0, 1.0)
    # A record of an earlier program has none.
    del obj["steady"]
    assert wire_record.record_from_json(obj).steady is None


def test_nobody_is_led_until_the_page_asks(store):
    filmed(store)
    assert Sim().run(AgainWatch(store), 0.5) == {"again_seq": None, "again": None}


def test_led_back_moves_are_told_one_at_a_time_and_same_at_last(store):
    filmed(store)
    away = Pose(0.16, 3.6, 0.9, math.radians(2), math.radians(-8), math.radians(1))
    sim, watch = Sim(2, away, lean=math.radians(1.5)), AgainWatch(store)
    watch.command(AgainSent(1, "lead", "film-1"))
    words, verdicts = [], []
    for _ in range(12):
        again = sim.run(watch, 3.0)["again"]
        json.dumps(again, allow_nan=False)
        verdicts.append(again["verdict"])
        if again["verdict"] == "same":
            break
        assert watch.here.film is None and watch.here.leading
        words.append(again["big"]["word"])
        worst = _first_off(again)
        sim.pose = replace(sim.pose, **_corrected(sim.pose, worst))
    assert verdicts[-1] == "same"
    order = ["Closer", "Slide left", "Raise", "Turn left", "Tilt down", "Level"]
    assert [w for w in words if w in order] == order[: len(words)] or words[0] == "Closer"
    assert watch.here.film == "film-1"
    assert again["big"] == {"arrow": "ready", "number": "", "unit": "", "word": "Same place"}
    assert {row["mark"] for row in again["rows"]} == {"in"}
    assert "bay 4" in again["name"] and again["say"].endswith(".")
    for name, most in (("offset_m", 0.03), ("distance_m", 0.05), ("height_m", 0.03)):
        assert abs(getattr(sim.pose, name) - getattr(THEN, name)) <= most
    watch.command(AgainSent(0, "stop"))  # overtaken on the way
    assert sim.run(watch, 0.3)["again"]["verdict"] == "same"
    watch.command(AgainSent(2, "stop"))
    assert sim.run(watch, 0.3) == {"again_seq": 2, "again": None}


def _first_off(again):
    """The row that the instruction is about: by the arrow's own quantity."""
    arrows = {
        "forward": "distance",
        "back": "distance",
        "left": "offset",
        "right": "offset",
        "up": "height",
        "down": "height",
        "turn-left": "yaw",
        "turn-right": "yaw",
        "tilt-up": "pitch",
        "tilt-down": "pitch",
        "clockwise": "roll",
        "counterclockwise": "roll",
    }
    name = arrows.get(again["big"]["arrow"])
    return next((row for row in again["rows"] if row["quantity"] == name), None)


def _corrected(pose, row):
    if row is None:
        return {}
    angle = row["unit"] == "deg"
    name = row["quantity"] + ("_rad" if angle else "_m")
    step = math.radians(row["difference"]) if angle else row["difference"]
    return {name: getattr(pose, name) - step}


def test_a_moved_phone_is_no_longer_at_the_same_place(store):
    filmed(store)
    sim, watch = Sim(3), AgainWatch(store)
    watch.command(AgainSent(1, "lead", bay="4"))
    assert sim.run(watch, 5.0)["again"]["verdict"] == "same"
    sim.pose = replace(THEN, height_m=THEN.height_m + 0.06)
    assert sim.run(watch, 0.5)["again"]["verdict"] != "same"
    assert sim.run(watch, 3.0)["again"]["big"]["arrow"] == "down"


def test_rods_hidden_for_a_moment_take_nothing_back_and_for_long_do(store):
    filmed(store)
    sim, watch = Sim(3), AgainWatch(store)
    watch.command(AgainSent(1, "lead", "film-1"))
    sim.run(watch, 5.0)
    lost = not_found(NotFound(Reason.NO_RODS), sim.stated.setup)
    told = watch.look(lost, SIZE, sim.time_s + 0.3, sim.stated)
    assert told["again"]["verdict"] == "same"
    told = watch.look(lost, SIZE, sim.time_s + 2.0, sim.stated)["again"]
    assert (told["verdict"], told["big"], told["rows"]) == (None, None, [])


@pytest.mark.parametrize(
    ("changes", "stated", "word"),
    [
        ({}, {"who": Who("phone-z", "", "5")}, "no such place"),
        ({"setup": Setup(view=View.DOWN_THE_LINE)}, {}, "other side"),
        ({"setup": Setup(handed=Handed.LEFT)}, {}, "other hand"),
        ({"placement": None}, {}, "nobody knows"),
    ],
    ids=["not its own", "view", "hand", "no place"],
)
def test_where_nobody_can_be_led_the_reason_is_said(store, changes, stated, word):
    filmed(store, **changes)
    sim, watch = Sim(), AgainWatch(store)
    sim.stated = replace(sim.stated, **stated)
    watch.command(AgainSent(1, "lead", "film-1"))
    again = sim.run(watch, 0.5)["again"]
    assert word in again["reason"] and again["verdict"] is None and again["big"] is None
    assert watch.here.film is None and not watch.here.leading


def test_rods_that_are_hard_to_see_guide_but_are_never_the_same_place(store):
    filmed(store)
    sim, watch = Sim(3), AgainWatch(store)
    watch.command(AgainSent(1, "lead", "film-1"))
    for _ in range(50):
        sim.time_s += 1 / 8
        doubtful = replace(sim.reading(), belief=ACCEPT - 0.5)
        again = watch.look(doubtful, SIZE, sim.time_s, sim.stated)["again"]
        assert again["verdict"] != "same"
    assert "not surely" in again["say"]
    # Nor is anybody led back to what was only taken for rods.
    lock = FilmWatch(FilmBook())
    lock.look(doubtful, FRAME, sim.time_s, sim.stated, watch.here)
    assert lock._locked(None, doubtful, FRAME).steady is None


def test_a_film_that_was_forgotten_is_as_good_as_none(store):
    watch = AgainWatch(store)
    watch.command(AgainSent(1, "lead", "gone"))
    assert "no such place" in Sim().run(watch, 0.3)["again"]["reason"]


def test_another_phone_is_near_at_most_and_says_why(store):
    filmed(store)
    other = Who("phone-b", "", "4")
    sim = Sim(4, who=other, camera=LensKey("Other phone", "back", 1280, 720))
    watch = AgainWatch(store)
    watch.command(AgainSent(1, "lead", bay="4"))
    again = sim.run(watch, 6.0)["again"]
    assert again["verdict"] != "same"
    assert "another phone" in again["say"] or again["big"]["arrow"] != "hold"


def test_a_record_without_its_mean_look_still_leads(store):
    filmed(store, steady=None)
    sim, watch = Sim(5, replace(THEN, offset_m=THEN.offset_m + 0.2)), AgainWatch(store)
    watch.command(AgainSent(1, "lead", "film-1"))
    again = sim.run(watch, 4.0)["again"]
    assert (again["big"]["arrow"], again["verdict"]) == ("left", "off")
    assert float(again["big"]["number"]) == pytest.approx(20, abs=2)


# ---- the film that follows


def test_the_place_is_locked_where_it_was_led_to_and_the_record_says_so(store):
    filmed(store)
    book = FilmBook(FilmRecords(store))
    # 12 cm beside its line: no square, but the place of then.
    beside = replace(THEN, offset_m=THEN.offset_m + 0.12)
    sim, watch, films = Sim(6, beside), AgainWatch(store), FilmWatch(book)
    watch.command(AgainSent(1, "lead", "film-1"))
    told = sim.run(watch, 4.0, films)
    assert told["again"]["verdict"] == "off" and not told["film"]["locked"]
    sim.pose = THEN
    told = sim.run(watch, 12.0, films)
    assert told["again"]["verdict"] == "same" and told["film"]["locked"]
    films.command(FilmSent(1, "begin", "film-2", 0.0, None, None, None, None))
    sim.run(watch, 2.0, films)
    films.command(FilmSent(2, "end", "film-2", 1.0, None, None, None, None))
    sim.run(watch, 0.5, films)
    record = store.get("film-2")
    assert (record.again, record.steady.looks >= 8) == ("film-1", True)
    assert record.drift[-1].watch == Watch.STILL.value


def test_square_on_the_way_locks_nothing(store):
    filmed(store, film="far")
    sim, watch, films = Sim(7), AgainWatch(store), FilmWatch(FilmBook())
    # Square, and locked; then the way to another place begins, and no alarm tells of the move.
    for _ in range(90):
        sim.time_s += 1 / 8
        reading = replace(sim.reading(), verdict=Verdict.SQUARE)
        watch.look(reading, SIZE, sim.time_s, sim.stated)
        told = films.look(reading, FRAME, sim.time_s, sim.stated, watch.here)
    assert told["film"]["locked"]
    sim.pose = replace(THEN, offset_m=THEN.offset_m - 0.3)
    watch.command(AgainSent(1, "lead", "far"))
    told = sim.run(watch, 2.0, films)
    assert told["film"]["drift"] is None and not told["film"]["locked"]


def test_a_film_without_the_way_back_has_no_earlier_one(store):
    lock = Lock(None, Sim().reading(), FRAME)
    FilmBook(FilmRecords(store)).begin("film-9", 0.0, lock, {}, Sim().stated)
    assert store.get("film-9").again is None
