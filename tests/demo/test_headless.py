"""The whole walk: simulated phone, real WebRTC, real server, real vision, scripted hand."""

from __future__ import annotations

import math

import pytest

from server.cli import main
from server.config import ServerConfig
from server.demo.geometry import START, Laid
from server.demo.hand import Stance
from server.demo.phone import PhoneError, connected
from server.demo.scene import Scene
from server.demo.walk import summary, walk
from server.serve import running
from vision.setup import Handed, Setup, View

TOLERANCE_M = 0.05
TOLERANCE_DEG = 2.0


@pytest.mark.parametrize(
    ("view", "handed"),
    [(View.FACE_ON, Handed.RIGHT), (View.DOWN_THE_LINE, Handed.LEFT)],
)
async def test_the_walk_ends_square(view, handed):
    said: list[str] = []
    async with running(ServerConfig()) as server:
        outcome = await walk(
            server.url,
            server.token,
            scene=Scene(laid=Laid(view, handed)),
            seconds=90,
            seed=4,
            tell=said.append,
        )
    story = "\n".join([*said, summary(outcome)])
    assert outcome.square, story
    assert abs(outcome.pose.offset_m) <= TOLERANCE_M, story
    assert abs(math.degrees(outcome.pose.yaw_rad)) <= TOLERANCE_DEG, story
    assert abs(math.degrees(outcome.pose.roll_rad)) <= TOLERANCE_DEG, story
    assert outcome.moves >= 3, story  # it really began off: slide, turn, level
    wrong = [
        s for s in outcome.samples if s.verdict == "square" and abs(s.true.offset_m) > TOLERANCE_M
    ]
    assert not wrong, story
    first = next(s for s in outcome.samples if s.offset_m is not None)
    assert first.offset_m == pytest.approx(START.offset_m, abs=0.06), story
    assert first.yaw_deg == pytest.approx(math.degrees(START.yaw_rad), abs=1.0), story


def test_the_command_says_what_happens_and_fails_when_time_is_up(capsys):
    assert main(["demo", "--headless", "--seconds", "1.5"]) == 1
    out = capsys.readouterr().out
    assert "connected" in out
    assert "Not square after" in out


def test_the_command_speaks_german_from_the_server_to_the_summary(capsys):
    assert main(["demo", "--headless", "--seconds", "2.5", "--language", "de"]) == 1
    first, *steps, last = capsys.readouterr().out.splitlines()
    assert first == "Der Übungsplatz wird gezeichnet …"
    assert "Das Handy ist verbunden." in steps
    told = [step for step in steps if "[wahr: " in step]
    assert any("nach links" in step or "nach rechts" in step for step in told), told
    assert last.startswith("Passt noch nicht nach ")


@pytest.mark.parametrize(
    ("option", "value"), [("--seconds", "-1"), ("--seconds", "nan"), ("--port", "70000")]
)
def test_bad_options_are_plain_sentences(option, value, capsys):
    assert main(["demo", "--headless", option, value]) == 2
    assert "give" in (told := capsys.readouterr().err) or "choose" in told


async def test_wrong_token_is_told():
    async with running(ServerConfig()) as server:
        with pytest.raises(PhoneError, match="401"):
            async with connected(server.url, "wrong", Scene(), Setup(), Stance(START), 1):
                pass


async def test_no_server_is_told():
    with pytest.raises(PhoneError, match="start it first"):
        async with connected("http://127.0.0.1:9", "x", Scene(), Setup(), Stance(START), 1):
            pass
