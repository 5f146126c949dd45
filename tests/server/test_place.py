"""Places and their drift: the message, the store, the routes, and the watch within a session."""

import json
import math
import sqlite3
from dataclasses import replace

import aiohttp
import numpy as np
import pytest

from server.drift_row import Row
from server.drift_words import drift_big, drift_text
from server.messages import MessageError, PlaceSent, read_message
from server.place_watch import PlaceWatch
from server.places import Places, PlacesError
from server.registry import Sessions
from server.words import Plain
from tests.server.live_phone import serving
from tests.vision.test_drift import CM, POSE, SIZE, Stand
from vision.drift import Drift, Watch
from vision.drift_solve import Move
from vision.live import LiveReading
from vision.setup import Handed, View

SENT = {"type": "place", "seq": 1, "do": "remember", "name": " bay 3 ", "move_m": 0.01}


def test_a_place_message_is_read():
    sent = read_message(json.dumps(SENT))
    assert sent == PlaceSent(1, "remember", "bay 3", 0.01, math.radians(0.3))


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": None},
        {"do": "sell"},
        {"do": None},
        {"name": " "},
        {"name": "x" * 41},
        {"name": 3},
        {"move_m": 0},
        {"move_m": "1"},
        {"turn_deg": 90},
    ],
    ids=str,
)
def test_a_place_that_cannot_be_read_is_told_in_a_sentence(wrong):
    with pytest.raises(MessageError) as told:
        read_message(json.dumps(SENT | wrong))
    assert str(told.value).endswith(".")


def said(six, too_far=True, too_turned=False):
    six = np.array(six, float)
    move = Move(six[:3], np.radians(six[3:]), np.eye(6) * 1e-8)
    return Drift(Watch.MOVED, move=move, too_far=too_far, too_turned=too_turned)


@pytest.mark.parametrize(
    ("six", "word", "arrow"),
    [
        ([0.012, 0, 0, 0, 0, 0], "to the right", "left"),
        ([-0.012, 0, 0, 0, 0, 0], "to the left", "right"),
        ([0, 0.012, 0, 0, 0, 0], "forward", "back"),
        ([0, -0.012, 0, 0, 0, 0], "back", "forward"),
        ([0, 0, 0.012, 0, 0, 0], "up", "down"),
        ([0, 0, -0.012, 0, 0, 0], "down", "up"),
        ([0, 0, 0, 0.4, 0, 0], "turned 0.4° to the right", "turn-left"),
        ([0, 0, 0, -0.4, 0, 0], "turned 0.4° to the left", "turn-right"),
        ([0, 0, 0, 0, 0.4, 0], "tilted 0.4° up", "tilt-down"),
        ([0, 0, 0, 0, -0.4, 0], "tilted 0.4° down", "tilt-up"),
        ([0, 0, 0, 0, 0, 0.4], "rolled 0.4° clockwise", "counterclockwise"),
        ([0, 0, 0, 0, 0, -0.4], "rolled 0.4° counterclockwise", "clockwise"),
    ],
)
def test_a_move_is_told_with_the_arrow_that_undoes_it(six, word, arrow):
    far = any(six[:3])
    drift = said(six, far, not far)
    text = drift_text(drift, Plain())
    assert word in text and text.endswith(".")
    assert ("1.2 cm" in text) == far
    big = drift_big(drift, Plain())
    assert (big["arrow"], big["number"]) == (arrow, "1.2" if far else "0.4")
    if far:
        # 1.2 cm are 0.47 inches (2.54 cm, 1959).
        assert drift_big(drift, Plain(units="inches"))["number"] == "0.5"


@pytest.mark.parametrize("watch", [w for w in Watch if w is not Watch.MOVED])
def test_every_other_word_of_the_watch_is_a_sentence(watch):
    drift = Drift(watch, 0.5)
    assert drift_text(drift, Plain()).endswith(".")
    assert bool(drift_big(drift, Plain())["arrow"]) == (watch is Watch.RODS)


def test_the_store_keeps_places_and_logs_over_restarts(tmp_path):
    path = tmp_path / "deep" / "places.sqlite"
    reference = Stand(View.DOWN_THE_LINE, Handed.LEFT, 1).learned().reference
    places = Places(path)
    places.keep("bay 3", reference, 10.0)
    places.keep("bay 4", reference, 20.0)
    six = (0.001, 0.002, 0.003, 0.1, 0.2, 0.3)
    rows = [Row(100.0, "still", six, 0.0001, 0.01), Row(160.0, "blind")]
    for row in rows:
        places.log("bay 3", row)
    places.close()
    places = Places(path)
    assert places.names() == ["bay 4", "bay 3"]
    assert places.rows("bay 3", 0.0) == rows
    assert places.rows("bay 3", 150.0) == rows[1:]
    assert places.rows("bay 4", 0.0) == []
    again = places.find("bay 3")
    for name in ("ends_px", "seen", "params", "noise_px"):
        np.testing.assert_array_equal(getattr(again, name), getattr(reference, name))
    assert (again.roles, again.size, again.blocks) == (
        reference.roles,
        reference.size,
        reference.blocks,
    )
    np.testing.assert_array_equal(again.drawn(again.params), reference.drawn(reference.params))
    assert places.find("nowhere") is None
    places.close()
    # A place of another version of this program is as good as none.
    db = sqlite3.connect(path)
    with db:
        db.execute("update places set reference = ?", ('{"ends_px": 3}',))
    db.close()
    places = Places(path)
    assert places.find("bay 3") is None
    places.close()


def test_a_file_that_is_none_is_kept_aside_and_told(tmp_path):
    (tmp_path / "places.sqlite").write_text("no database " * 100)
    told = []
    places = Places(tmp_path / "places.sqlite", told.append)
    assert places.names() == []
    (aside,) = tmp_path.glob("places.sqlite.broken-*")
    assert aside.read_text() == "no database " * 100
    assert str(aside) in told[0]


def test_a_file_that_cannot_be_used_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(PlacesError, match="cannot be used"):
        Places(tmp_path / "file" / "places.sqlite")


def test_a_watch_learns_tells_and_logs():
    clock = [1000.0]
    places = Places()
    watch = PlaceWatch(places, lambda: clock[0])
    stand = Stand(View.FACE_ON, Handed.RIGHT, 1)

    def run(seconds):
        for _ in range(round(seconds * 15)):
            stand.time_s += 1 / 15
            clock[0] += 1 / 15
            told = watch.look(stand.reading(), SIZE, stand.time_s, Plain())
        return told

    assert run(0.2) == {"place_seq": None, "drift": None}
    watch.command(PlaceSent(1, "remember", "bay 3", 0.01, math.radians(0.3)))
    assert run(2.0)["drift"]["watch"] == "learning"
    assert places.names() == []
    told = run(130.0)
    assert told["place_seq"] == 1
    assert (told["drift"]["watch"], told["drift"]["name"]) == ("still", "bay 3")
    json.dumps(told, allow_nan=False)
    assert places.names() == ["bay 3"]
    assert [row.watch for row in places.rows("bay 3", 0.0)] == ["still"] * 3  # one a minute
    stand.ends = stand.seen_from(replace(POSE, offset_m=POSE.offset_m - CM))
    told = run(4.0)["drift"]
    assert told["watch"] == "moved"
    assert told["too_far"]
    assert told["move_m"][0] == pytest.approx(-CM, abs=0.002)
    assert "to the left" in told["text"]
    last = places.rows("bay 3", 0.0)[-1]
    assert last.watch == "moved"
    assert last.six[0] == pytest.approx(-CM, abs=0.003)
    watch.command(PlaceSent(0, "stop", "bay 3", 0.01, 0.005))  # overtaken on the way
    assert run(0.2)["drift"]["watch"] == "moved"
    watch.command(PlaceSent(2, "stop", "bay 3", 0.01, 0.005))
    assert run(0.2) == {"place_seq": 2, "drift": None}
    # Another session against the same place: the camera still stands a centimetre left.
    watch = PlaceWatch(places, lambda: clock[0])
    watch.command(PlaceSent(1, "watch", "bay 3", 0.01, math.radians(0.3)))
    assert run(5.0)["drift"]["watch"] == "moved"
    watch.command(PlaceSent(2, "watch", "nowhere", 0.01, math.radians(0.3)))
    assert run(0.2) == {"place_seq": 2, "drift": None}
    places.close()


async def test_a_session_remembers_a_place_and_the_log_needs_the_key(tmp_path):
    stand = Stand(View.FACE_ON, Handed.RIGHT, 1)

    def analyse(state, frame, setup, time_s, hints=()):
        return state, LiveReading(replace(stand.reading(), setup=setup), 0.0)

    async with serving(analyse, places=tmp_path / "p.sqlite") as (server, phone):
        first = await phone.of_type("guidance")
        assert (first["drift"], first["place_seq"]) == (None, None)
        phone.send(SENT)
        message = await phone.wait_for(lambda m: m.get("place_seq") == 1)
        assert message["drift"]["name"] == "bay 3"
        assert message["drift"]["watch"] == "learning"
        async with aiohttp.ClientSession(server.url) as stranger:
            for path in ("/drift/places", "/drift/log?place=bay+3"):
                assert (await stranger.get(path)).status == 401
            assert (await stranger.get("/drift")).status == 200
        sessions = [value for value in server.app.values() if isinstance(value, Sessions)]
        sessions[0].places.log("bay 3", Row(4e9, "still", (0.001, 0, 0, 0, math.radians(1), 0)))
        sessions[0].places.keep("bay 3", stand.learned().reference, 1.0)
        names = await (await phone.http.get("/drift/places")).json()
        assert names == {"places": ["bay 3"]}
        log = await (await phone.http.get("/drift/log?place=bay+3&days=1")).json()
        (row,) = log["rows"]
        assert (row["watch"], row["move_m"][0]) == ("still", 0.001)
        assert row["turn_deg"][1] == pytest.approx(1.0)
        for wrong in ("", "place=bay&days=0", "place=bay&days=x"):
            assert (await phone.http.get(f"/drift/log?{wrong}")).status == 400
