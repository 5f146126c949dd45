"""Taps on their way from a message or a manifest to the core."""

import argparse
import json

import pytest

from server import check
from server.messages import HintSent, MessageError, read_message
from tests.server.live_phone import later_guidance, nothing_found, serving
from tests.server.made_files import picture, write
from tests.server.made_readings import VALIDATOR, MadeSolver
from vision.hint import Hint
from vision.live import LiveReading

HINT = {"type": "hint", "seq": 4, "xy_px": [[10, 20.5]], "size": [640, 360]}


def test_a_hint_message_is_read():
    assert read_message(json.dumps(HINT)) == HintSent(4, ((10.0, 20.5),), (640, 360))
    assert read_message(json.dumps(HINT | {"xy_px": []})).xy_px == ()


@pytest.mark.parametrize(
    "wrong",
    [
        {"seq": None},
        {"seq": True},
        {"xy_px": None},
        {"xy_px": [10, 20]},
        {"xy_px": [[1, 2], [3, 4], [5, 6]]},
        {"xy_px": [[1, "2"]]},
        {"xy_px": [[1, 1e30]]},
        {"size": None},
        {"size": [0, 360]},
        {"size": [640, 1e9]},
        {"size": [640]},
    ],
    ids=str,
)
def test_a_hint_that_cannot_be_read_is_told_in_a_sentence(wrong):
    with pytest.raises(MessageError) as told:
        read_message(json.dumps(HINT | wrong))
    assert str(told.value).endswith(".")
    assert told.value.seq is None  # a page takes a number for its setup's


async def test_taps_reach_the_analysis_and_come_back_with_their_number():
    seen = []

    def analyse(state, frame, setup, time_s, hints=()):
        seen.append(hints)
        found = nothing_found(setup)
        return state, LiveReading(found.reading, 0.0, marks=hints)

    async with serving(analyse) as (_, phone):
        first = await phone.of_type("guidance")
        assert (first["hint_seq"], first["hints_px"]) == (None, [])
        # A copy of half the size: the pixels come back in the analysed picture's own.
        phone.send({"type": "hint", "seq": 1, "xy_px": [[79.5, 44.5]], "size": [160, 90]})
        message = await phone.wait_for(lambda m: m.get("hint_seq") == 1)
        assert message["hints_px"] == [[159.5, 89.5]]
        assert seen[-1] == (Hint((79.5, 44.5), (160, 90)),)
        # An older one that was overtaken on the way changes nothing.
        phone.send({"type": "hint", "seq": 0, "xy_px": [[1, 1]], "size": [160, 90]})
        assert (await later_guidance(phone))["hint_seq"] == 1
        phone.send({"type": "hint", "seq": 2, "xy_px": [], "size": [160, 90]})
        message = await phone.wait_for(lambda m: m.get("hint_seq") == 2)
        assert message["hints_px"] == []
        assert seen[-1] == ()


class Asked(MadeSolver):
    """Remembers the taps that it was given."""

    def __init__(self):
        super().__init__()
        object.__setattr__(self, "taps", [])

    def find(self, frame, setup, hints=()):
        self.taps.append(hints)
        return super().find(frame, setup)


@pytest.fixture
def lines(tmp_path, capsys):
    def lines(**facts):
        write(tmp_path / "a.jpg", picture())
        manifest = tmp_path / "m.jsonl"
        known = {"file": "a.jpg", "view": "face-on"} | facts
        manifest.write_text(json.dumps(known), encoding="utf-8")
        parser = argparse.ArgumentParser()
        check.add_arguments(parser)
        solver = Asked()
        code = check.run(parser.parse_args(["--json", "--manifest", str(manifest)]), solver)
        told = capsys.readouterr()
        found = [json.loads(line) for line in told.out.splitlines()]
        for line in found:
            VALIDATOR.validate(line)
        assert told.err == ""
        return code, found, solver.taps

    return lines


def test_a_manifests_taps_reach_the_finder(lines):
    code, _, taps = lines(hints_px=[[640, 412.5], [100, 300]])
    assert code == 0
    assert taps == [(Hint((640.0, 412.5)), Hint((100.0, 300.0)))]


@pytest.mark.parametrize("nothing", [{}, {"hints_px": None}, {"hints_px": []}])
def test_no_taps_are_none(lines, nothing):
    assert lines(**nothing)[2] == [()]


@pytest.mark.parametrize(
    "wrong", [5, [640, 412], [[1, 2, 3]], [["a", 1]], [[1, 2]] * 3, [[1e9, 0]]]
)
def test_taps_that_make_no_sense_are_an_error_of_their_line(lines, wrong):
    code, (line,), _ = lines(hints_px=wrong)
    assert code == 1
    assert line["verdict"] == "error"
    assert line["file"] == "a.jpg"
    assert "hints_px" in line["reason"]
