"""A target on its way from a message, a manifest or an option to the words about it."""

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from server import cli
from server.aim_words import aim_big, aim_text
from server.demo.geometry import Laid, Pose, project
from server.demo.scene import Scene, render
from server.messages import AimSent, MessageError, read_message
from server.words import Plain
from tests.server.live_phone import later_guidance, nothing_found, serving
from tests.server.made_readings import VALIDATOR, made_reading
from vision.aim import Aim, AimReason, NoAim, RodAim
from vision.errors import SetupError
from vision.live import LiveReading
from vision.setup import AimPoint, Role, Setup, View

SENT = {"type": "aim", "seq": 4, "xy_px": [10, 20.5], "size": [640, 360], "distance_m": 150}


def test_an_aim_message_is_read():
    assert read_message(json.dumps(SENT)) == AimSent(4, (10.0, 20.5), (640, 360), 150.0)
    gone = read_message(json.dumps(SENT | {"xy_px": None, "size": None}))
    assert (gone.seq, gone.xy_px) == (4, None)
    assert read_message(json.dumps(SENT | {"distance_m": None})).distance_m is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": None},
        {"seq": True},
        {"xy_px": [1]},
        {"xy_px": "far"},
        {"xy_px": [1, 1e9]},
        {"size": None},
        {"size": [0, 360]},
        {"distance_m": 0},
        {"distance_m": "150"},
        {"distance_m": 1e9},
        {"distance_m": True},
    ],
    ids=str,
)
def test_an_aim_that_cannot_be_read_is_told_in_a_sentence(wrong):
    with pytest.raises(MessageError) as told:
        read_message(json.dumps(SENT | wrong))
    assert str(told.value).endswith(".")


def said(degrees, sigma_deg=0.1, distance_m=150.0, *, stated=True, matters=False):
    a, s = math.radians(degrees), math.radians(sigma_deg)
    rod = RodAim(Role.TOE, a, s, distance_m * math.sin(a), distance_m * s, (1.0, 2.0))
    return Aim((rod,), distance_m, stated, matters)


def test_the_words_are_the_issues_own():
    text = aim_text(said(1.2), Plain())
    assert text == "The rods point 1.2° right of the target (± 0.2°): 3.1 m right at 150 m."
    # 150 m are 164.04 yards, 3.14 m are 3.44 yards (a yard is 0.9144 m, 1959).
    yards = aim_text(said(-1.2), Plain(units="inches"))
    assert yards == "The rods point 1.2° left of the target (± 0.2°): 3.4 yd left at 164 yd."
    # At a distance that nobody stated, and only where that is what the aim lacks, it is asked for.
    assert "State how far" in aim_text(said(1.2, stated=False, matters=True), Plain())
    assert "State" not in aim_text(said(1.2, stated=False), Plain())
    # From beside a T one thing helps most, and the distance is not asked for as well.
    aside = replace(said(1.2, stated=False, matters=True), aside=True)
    assert "stand behind the target rod" in aim_text(aside, Plain())
    assert "State" not in aim_text(aside, Plain())


@pytest.mark.parametrize(
    ("degrees", "sigma", "arrow", "word"),
    [
        (1.2, 0.1, "turn-left", "Turn the rods left"),
        (-1.2, 0.1, "turn-right", "Turn the rods right"),
        (0.1, 0.1, "ready", "Rods on target"),
        (0.9, 0.6, "hold", "Rods near target"),  # not known well enough to send anyone anywhere
    ],
)
def test_huge_type_says_which_way_to_turn_the_rods(degrees, sigma, arrow, word):
    big = aim_big(said(degrees, sigma), Plain())
    assert (big["arrow"], big["word"]) == (arrow, word)
    assert bool(big["number"]) == arrow.startswith("turn")
    assert aim_text(said(degrees, sigma), Plain()).endswith(".")


@pytest.mark.parametrize("reason", list(AimReason))
def test_every_reason_is_a_sentence(reason):
    assert aim_text(NoAim(reason), Plain()).endswith(".")
    assert aim_big(NoAim(reason), Plain())["word"]


async def test_a_tapped_target_reaches_the_analysis_and_the_guidance():
    def analyse(state, frame, setup, time_s, hints=()):
        if setup.aim is None:
            return state, LiveReading(nothing_found(setup).reading, 0.0)
        told = NoAim(AimReason.MOVED) if setup.aim.moved else said(1.2)
        return state, LiveReading(replace(made_reading(setup), aim=told), 0.0)

    async with serving(analyse) as (_, phone):
        first = await phone.of_type("guidance")
        assert (first["aim"], first["aim_seq"], first["aim_px"]) == (None, None, None)
        phone.send(SENT | {"xy_px": [79.5, 44.5], "size": [160, 90]})
        message = await phone.wait_for(lambda m: m.get("aim_seq") == 4)
        assert message["aim_px"] == [159.5, 89.5]
        assert message["aim"]["deg"] == 1.2
        assert message["aim_big"]["word"] == "Turn the rods left"
        reading = {k: v for k, v in message.items() if k in VALIDATOR.schema["properties"]}
        VALIDATOR.validate({"file": None, "frame": 0} | reading)
        phone.send(SENT | {"seq": 3, "xy_px": None})  # overtaken on the way
        assert (await later_guidance(phone))["aim_seq"] == 4
        # A phone that is picked up: the tilt sensor shows it, and the tap says nothing any more.
        upright = {"type": "tilt", "t_ms": 0, "gravity": [0, 9.80665, 0], "screen_deg": 0}
        phone.send(upright)
        assert (await later_guidance(phone))["aim"]["reason"] is None
        a = math.radians(3.0)
        leaning = [0, 9.80665 * math.cos(a), 9.80665 * math.sin(a)]
        phone.send(upright | {"gravity": leaning})
        moved = await phone.wait_for(lambda m: (m.get("aim") or {}).get("reason") == "moved")
        assert moved["aim"]["deg"] is None
        phone.send(upright)  # back again, but nobody knows whether to the same place
        assert (await later_guidance(phone))["aim"]["reason"] == "moved"
        phone.send(SENT | {"seq": 5, "xy_px": None})
        message = await phone.wait_for(lambda m: m.get("aim_seq") == 5)
        assert (message["aim"], message["aim_px"]) == (None, None)


LAID = Laid(View.DOWN_THE_LINE)
POSE = Pose(offset_m=0.2, yaw_rad=math.radians(-3.0), pitch_rad=math.radians(-8.0))


@pytest.fixture
def drawn(tmp_path):
    """A drawn pair that points 2 degrees right of a target 150 m away, and the target's pixel."""
    scene = Scene(laid=LAID)
    cv2.imwrite(str(tmp_path / "a.png"), render(scene, POSE))
    a = math.radians(2.0)  # the target is to the left of the rods, which is +Y
    target = np.array([[150 * math.cos(a), 150 * math.sin(a), 0.0]])
    return tmp_path, project(target, POSE, LAID, scene.camera)[0].tolist()


def checked(capsys, *words):
    code = cli.main(["check", *map(str, words)])
    return code, capsys.readouterr().out


KNOWN = ["--view", "down-the-line", "--focal-px", "1040", "--tilt", "-8,0,0.3"]


def test_check_tells_the_aim_of_a_manifests_target(capsys, drawn):
    folder, at = drawn
    lines = [
        {"file": "a.png", "aim_px": at, "aim_distance_m": 150},
        {"file": "a.png"},
        {"file": "a.png", "aim_px": [1]},
        {"file": "a.png", "aim_distance_m": 150},
        {"file": "a.png", "aim_px": at, "aim_distance_m": -1},
    ]
    (folder / "m.jsonl").write_text("\n".join(map(json.dumps, lines)), encoding="utf-8")
    code, out = checked(capsys, "--json", "--manifest", folder / "m.jsonl", *KNOWN)
    told, unasked, *wrong = (json.loads(line) for line in out.splitlines())
    for line in (told, unasked, *wrong):
        VALIDATOR.validate(line)
    assert code == 1
    aim = told["aim"]
    assert aim["deg"] == pytest.approx(2.0, abs=0.4)
    assert aim["deg"] == pytest.approx(2.0, abs=3 * aim["sigma_deg"])
    assert aim["at_target_m"] == pytest.approx(150 * math.sin(math.radians(aim["deg"])), abs=0.01)
    assert [rod["role"] for rod in aim["rods"]] == ["toe", "ball"]
    assert "right of the target" in aim["text"]
    assert unasked["aim"] is None
    for line, key in zip(wrong, ("aim_px", "aim_px", "aim_distance_m"), strict=True):
        assert line["verdict"] == "error"
        assert key in line["reason"]
        assert line["aim"] is None


def test_check_tells_the_aim_in_words(capsys, drawn):
    folder, (x, y) = drawn
    code, out = checked(capsys, folder / "a.png", "--aim", f"{x},{y},150", *KNOWN)
    assert code == 0
    assert "  aim: The rods point " in out
    assert "m right at 150 m. The ball rod by itself points" in out
    assert checked(capsys, folder / "a.png", "--aim", "640", *KNOWN)[0] == 2


def test_a_target_must_have_a_distance_that_can_be():
    with pytest.raises(SetupError, match="give its distance"):
        AimPoint((1.0, 2.0), distance_m=0.0)
    with pytest.raises(SetupError, match="sigma"):
        AimPoint((1.0, 2.0), sigma_px=-1.0)
    assert Setup(aim=AimPoint((1.0, 2.0))).aim is not None
