"""The first look within a session: its message, what the guidance says, what is kept of a lens."""

import json
from dataclasses import replace

import numpy as np
import pytest

from server.look_watch import LookWatch
from server.messages import LookSent, MessageError, read_message
from server.profiles import ProfileError, Profiles
from server.wire import Stated
from tests.synthetic import SIZE
from tests.vision.test_first_look import FPS, moved
from tests.walks import layout, sight, usable
from vision.belief import ACCEPT
from vision.frame import Frame
from vision.live import LiveReading
from vision.profile import LensKey
from vision.read import conclude
from vision.setup import LensSource

CAMERA = LensKey("phone", "back", 1920, 1080)


def test_the_message_is_read():
    text = json.dumps({"type": "look", "seq": 3, "do": "skip"})
    assert read_message(text) == LookSent(3, "skip")


@pytest.mark.parametrize("wrong", [{"seq": None}, {"seq": True}, {"do": "stop"}, {"do": None}])
def test_a_message_that_cannot_be_read_is_told_in_a_sentence(wrong):
    with pytest.raises(MessageError) as told:
        read_message(json.dumps({"type": "look", "seq": 1, "do": "begin"} | wrong))
    assert str(told.value).endswith(".")


class Session:
    """A phone that is carried back from the rods, as the server's side sees it."""

    def __init__(self, keep, seed=1):
        self.told = []
        self.watch = LookWatch(keep, self.told.append)
        self.rng = np.random.default_rng(seed)
        self.made = layout(self.rng)
        self.time_s = 0.0
        self.grey = Frame(
            np.zeros((SIZE[1], SIZE[0]), np.uint8),
            *(np.zeros((SIZE[1] // 2, SIZE[0] // 2), np.uint8) for _ in range(2)),
        )

    def frame(self, own, made=None):
        seen = sight(self.rng, made or self.made, own)
        setup = self.watch.applied(seen.setup, SIZE, self.time_s)
        reading = conclude(seen.rods, SIZE, setup, -np.inf)
        if reading.placement is not None:
            reading = replace(reading, belief=ACCEPT + 1)
        live, stated = LiveReading(reading, 0.0), Stated(seen.setup, camera=CAMERA)
        self.time_s += 1 / FPS
        return reading, self.watch.look(live, self.grey, seen.setup, self.time_s, stated)

    def walk(self):
        start, end = (usable(self.made, self.rng, share) for share in (0.05, 1.0))
        out = []
        for k in range(80):
            share = 0.5 - 0.5 * np.cos(np.pi * min(k / 60, 1.0))
            out.append(self.frame(start + share * (end - start)))
        return end, out


def test_a_walk_is_told_step_by_step_and_its_lens_is_kept(tmp_path):
    store = Profiles(tmp_path / "p.sqlite3")
    for seed in (1, 2):
        session = Session(store.add_first_look, seed)
        _, said = session.walk()
        looks = [message["look"] for _, message in said]
        phases = list(dict.fromkeys(look["phase"] for look in looks))
        assert phases[-1] == "known"
        assert "back" in phases
        last = looks[-1]
        assert last["measured"] is True
        assert last["angle_sigma_deg"] < 0.6
        assert last["big"] is None
        assert "±" in last["text"]
        reading, _ = said[-1]
        assert reading.lens.source is LensSource.FIRST_LOOK
        assert len(session.told) == 1
    # The made lens is 0.78 of the longer side, 10 % give or take, here in the camera's own pixels.
    profile = store.find(CAMERA)
    assert profile is not None
    assert profile.views == 2
    assert 0.5 * 1920 < profile.focal_px < 1.1 * 1920


def test_a_kick_is_told_in_words():
    session = Session(None)
    end, _ = session.walk()
    said = [session.frame(end, moved(session.made, 5.0))[1]["look"] for _ in range(30)]
    assert said[-1]["moved"] is True
    assert said[-1]["big"]["word"] == "The rods were moved"
    assert "moved" in said[-1]["text"]


def test_begin_and_skip_are_answered_by_their_number():
    session = Session(None)
    end = usable(session.made, session.rng, 1.0)
    assert session.frame(end)[1]["look_seq"] is None
    session.watch.command(LookSent(1, "begin"))
    _, message = session.frame(end)
    assert (message["look_seq"], message["look"]["phase"]) == (1, "over")
    assert message["look"]["big"]["arrow"] == "tilt-down"
    session.watch.command(LookSent(2, "skip"))
    session.watch.command(LookSent(1, "begin"))  # late
    _, message = session.frame(end)
    assert (message["look_seq"], message["look"]["phase"]) == (2, "off")
    assert message["look"]["text"] == ""


def test_a_store_that_fails_is_told_and_the_look_goes_on():
    def broken(*args):
        raise ProfileError("the lens profiles cannot be used: free some space")

    session = Session(broken)
    _, said = session.walk()
    assert said[-1][1]["look"]["phase"] == "known"
    assert session.told == ["the lens profiles cannot be used: free some space"]
