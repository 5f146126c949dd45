"""The words: every value has its text, amounts are rounded for people, nothing is left unfilled."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import web
from server import words
from server.words import Plain
from vision.advice import Advice, Move, Remedy, RodMove
from vision.aim import AimReason
from vision.budget import How, Source, Step
from vision.calibrate import Fault
from vision.coverage import CoverageHint
from vision.drift import Watch
from vision.effect import Effect, film_effect
from vision.framing import Cure, Framing, Part
from vision.placement import Layout, Placement
from vision.reading import Reading, Verdict
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Goal, Lens, LensSource, Role, Setup, Tilt, View

CM, INCHES = Plain("cm"), Plain("inches")
ARROWS = {  # docs/protocol.md
    *("left", "right", "up", "down", "forward", "back", "rotate", "hold", "ready", "find"),
    *("turn-left", "turn-right", "tilt-up", "tilt-down", "clockwise", "counterclockwise"),
}
DIRECTIONS: dict[Move, list[str | None]] = {
    Move.FIND: [r.value for r in Reason],
    Move.RODS: [r.value for r in RodMove],
    Move.CLOSER: ["forward", "back"],
    Move.SLIDE: ["left", "right"],
    Move.RAISE: ["up", "down"],
    Move.TURN: ["left", "right"],
    Move.TILT: ["up", "down"],
    Move.LEVEL: ["clockwise", "counterclockwise"],
    Move.ROTATE: ["upright", "sideways"],
    Move.HOLD: [None, *(r.value for r in Remedy)],
    Move.READY: [None],
}
IN_METRES = {Move.RODS, Move.CLOSER, Move.SLIDE, Move.RAISE}
IN_RADIANS = {Move.TURN, Move.TILT, Move.LEVEL}


def every_advice() -> list[Advice]:
    return [
        Advice(
            move,
            direction,
            amount_m=0.2 if move in IN_METRES else None,
            amount_rad=0.1 if move in IN_RADIANS else None,
        )
        for move in Move
        for direction in DIRECTIONS[move]
    ]


def rod(role: Role) -> Rod:
    return Rod(role, np.zeros((2, 2)), (End.SEEN, End.SEEN), 0.3, (1.5, 1.5), 3.0, 5.0)


def reading(**changes) -> Reading:
    """A square reading of a T with a tilt sensor and a stated lens."""
    setup = changes.pop("setup", Setup(tilt=Tilt(0.0, 0.0, 0.005)))
    sigma = np.array(changes.pop("sigma", (0.01, 0.05, 0.03, 0.002, 0.003, 0.004)))
    place = Placement(0.0, 3.5, 0.9, 0.0, 0.0, 0.0, np.diag(sigma**2))
    layout = Layout(math.pi / 2, 0.05, False, 0.0, 0.18)
    base = Reading(
        setup=setup,
        verdict=Verdict.SQUARE,
        rods=Rods(rod(Role.TARGET), rod(Role.STEM), 20.0, 5.0),
        placement=place,
        layout=layout,
        lens=Lens(1000.0, 5.0),
        framing=Framing(True, ()),
        effect=film_effect(place, layout, setup),
        advice=(Advice(Move.READY),),
        evidence=None,
    )
    return replace(base, **changes)


def not_found(reason: Reason) -> Reading:
    nothing = dict.fromkeys(["placement", "layout", "lens", "framing", "effect"])
    return reading(verdict=Verdict.NOT_FOUND, rods=NotFound(reason), advice=(), **nothing)


@pytest.mark.parametrize("advice", every_advice(), ids=str)
@pytest.mark.parametrize("speech", [CM, INCHES])
def test_every_instruction_has_its_words(advice, speech):
    sentence = words.advice_text(advice, speech)
    assert sentence.endswith(".") and sentence[0].isupper()
    assert not re.search(r"[{}]", sentence)
    big = words.advice_big(advice, speech)
    assert list(big) == ["arrow", "number", "unit", "word"]
    assert big["arrow"] in ARROWS
    assert 0 < len(big["word"]) <= 26  # huge type, two metres away
    has_amount = advice.amount_m is not None or advice.amount_rad is not None
    assert bool(big["number"]) == bool(big["unit"]) == has_amount
    if has_amount:
        assert big["number"] in sentence


@pytest.mark.parametrize("direction", ["forward", "back"])
def test_a_walk_without_a_number_has_words_too(direction):
    assert "little" in words.advice_text(Advice(Move.CLOSER, direction))


def test_every_enum_value_has_its_text():
    for reason in Reason:
        assert words.reason_text(reason)
    for part in Part:
        assert words.part_text(part)
    for source in Source:
        assert words.source_text(source)
    for how in How:
        assert words.step_text(Step(Source.OTHER, how, {}, 1.0)).endswith(".")
    for cure in Cure:
        for tilt in (-0.1, 0.1):
            framing = Framing(False, (Part.HEAD,), cure, 0.5, tilt)
            (note,) = [n for n in words.notes(reading(framing=framing)) if "Out of" in n]
            assert "head" in note and not re.search(r"[{}]", note)


def test_no_text_is_left_over_or_says_two_things_by_mistake():
    """Every template is reached by some value, so a mistyped key cannot hide in the file."""
    file = Path(web.__file__).parent / "texts" / "en" / "guidance.json"
    pairs = json.loads(file.read_text(encoding="utf-8"), object_pairs_hook=list)
    keys = [key for key, _ in pairs]
    assert len(keys) == len(set(keys))
    known = set()
    for advice in every_advice():
        name = advice.move.value + (f".{advice.direction}" if advice.direction else "")
        known |= {f"say.{name}", f"word.{name}"}
    known |= {f"say.closer.{d}.blind" for d in ("forward", "back")}
    known |= {f"reason.{r.value}" for r in Reason} | {f"part.{p.value}" for p in Part}
    known |= {f"source.{s.value}" for s in Source} | {f"explain.{h.value}" for h in How}
    shift = ("none", "unsure", "unknown")
    known |= {f"effect.ball.{k}" for k in ("forward", "back", *shift)}
    known |= {f"effect.club.{k}" for k in ("outside", "inside", *shift)}
    known |= {f"effect.tilt.{k}" for k in ("clockwise", "counterclockwise", *shift[1:])}
    known |= {"effect.near", "cure.none", "cure.back", "cure.upright", "cure.sideways"}
    known |= {"cure.tilt.up", "cure.tilt.down", "amount.any"}
    known |= {f"unit.{u}" for u in ("cm", "m", "in", "ft", "yd", "deg")}
    known |= {f"rod.{r.value}" for r in Role} | {"number.point"}
    known |= {f"amount.{u}{o}" for u in ("cm", "m", "in", "ft", "deg") for o in ("", ".one")}
    known |= {f"note.{k}" for k in ("roll", "lens", "lens.changed", "framing", "framing.stated")}
    known |= {f"lens.refused.{f.value}" for f in Fault} | {
        f"lens.hint.{h.value}" for h in CoverageHint
    }
    known |= {f"word.board.{h.value}" for h in CoverageHint}
    known |= {f"word.board.{k}" for k in ("find", "views", "done")}
    known |= {f"say.board.{k}" for k in ("find", "next", "done")}
    known |= {f"note.layout.{k}" for k in ("t", "t.blind", "pair")}
    sides = ("right", "left", "on", "unsure")
    known |= {f"aim.{k}" for k in (*sides, "aside", "usual", "rod.right", "rod.left")}
    known |= {f"aim.none.{r.value}" for r in AimReason} | {
        f"word.aim.{k}" for k in (*sides, "none")
    }
    ways = ("right", "left", "forward", "back", "up", "down", "clockwise", "counterclockwise")
    turns = ("turn-right", "turn-left", "tilt-up", "tilt-down")
    known |= {f"drift.moved.{k}" for k in (*ways, *turns)} | {"word.drift.moved", "word.drift.rods"}
    known |= {f"drift.{w.value}" for w in Watch if w is not Watch.MOVED}
    known |= {f"look.{k}" for k in ("over", "over.blind", "back", "back.ready", "known", "doubt")}
    known |= {"look.moved", "look.moved.measured", "unit.look", "unit.looks"}
    known |= {f"word.look.{k}" for k in ("over", "back", "moved")}
    assert set(keys) == known


@pytest.mark.parametrize(
    ("metres", "units", "want"),
    [
        (0.204, "cm", ("20", "cm")),
        (0.001, "cm", ("1", "cm")),
        (0.994, "cm", ("99", "cm")),
        (0.996, "cm", ("1.0", "m")),
        (1.26, "cm", ("1.3", "m")),
        (0.2, "inches", ("8", "in")),  # 7.87 in
        (0.0127, "inches", ("0.5", "in")),  # 1 inch = 25.4 mm exactly (1959)
        (0.001, "inches", ("0.5", "in")),
        (0.9144, "inches", ("3", "ft")),  # 1 yard
        (1.1, "inches", ("3.5", "ft")),
    ],
)
def test_lengths_are_rounded_for_people(metres, units, want):
    assert words.length_number(metres, units) == want


@pytest.mark.parametrize(
    ("degrees", "want"),
    [(7.6, "8"), (1.4, "1"), (0.97, "1"), (0.94, "0.9"), (0.34, "0.3"), (0.0, "0.1")],
)
def test_angles_are_rounded_for_people(degrees, want):
    assert words.angle_number(math.radians(degrees)) == want


def test_one_of_a_thing_is_singular():
    assert "1 degree." in words.advice_text(Advice(Move.TURN, "left", amount_rad=0.017)) + "."
    assert "1 inch." in words.advice_text(Advice(Move.SLIDE, "left", 0.0254), INCHES)


def test_square_is_said_only_of_a_square_verdict():
    square = reading()
    assert words.big(square)["arrow"] == "ready" and "Square" in words.say(square)
    for verdict in (Verdict.OFF, Verdict.NOT_FOUND):
        held = replace(square, verdict=verdict)
        assert words.big(held)["arrow"] == "hold" and words.say(held) == "Hold still."
        none = replace(held, advice=())
        assert words.big(none)["arrow"] == "hold"


@pytest.mark.parametrize("reason", list(Reason))
def test_nothing_found_says_what_to_do(reason):
    nothing = not_found(reason)
    assert words.big(nothing)["arrow"] == "find"
    assert words.say(nothing).count(".") >= 1
    assert words.effect_text(nothing) is None and words.notes(nothing) == ()


def effect(ball=None, club=None, deg=None, tilt=0.0, sigma=0.005) -> Effect:
    none = (None, None)
    ball_part = none if ball is None else (ball, sigma)
    club_part = (*none, *none) if club is None else (club, sigma, deg, 0.2)
    return Effect(*ball_part, *club_part, tilt, 0.2)


@pytest.mark.parametrize(
    ("shift", "want"),
    [
        (-0.06, "The ball will look 6 cm further back than it is (± 1 cm)."),
        (0.06, "The ball will look 6 cm further forward than it is (± 1 cm)."),
        (0.004, "The ball may look up to 1 cm too far forward or back."),
        (1.5, "The ball will look 1.5 metres further forward than it is (± 1 cm)."),
    ],
)
def test_ball_in_words(shift, want):
    said = words.describe_effect(effect(ball=shift), View.FACE_ON)
    assert said.startswith(want)


@pytest.mark.parametrize(("shift", "deg", "side"), [(-0.1, -6, "inside"), (0.1, 6, "outside")])
def test_club_in_words(shift, deg, side):
    said = words.describe_effect(effect(club=shift, deg=deg), View.DOWN_THE_LINE)
    assert said.startswith(
        f"The club will look 10 cm (6 degrees) further {side} than it is (± 1 cm)."
    )


def test_effect_words_do_not_claim_what_is_not_known():
    def said(value, sigma):
        return words.describe_effect(effect(ball=value, sigma=sigma), View.FACE_ON)

    assert "may look up to 14 cm" in said(0.04, 0.05)
    assert "to within 1 cm" in said(0.001, 0.002)
    assert "not known" in said(0.1, math.inf) and "not known" in said(0.1, 3.0)
    near = Effect(*[None] * 6, 0.0, math.inf)
    assert "near" in words.describe_effect(near, View.FACE_ON)
    assert "tilted is not known" in words.describe_effect(near, View.FACE_ON)


@pytest.mark.parametrize(
    ("tilt", "want"),
    [
        (3.0, "Spine and shaft will look 3 degrees further clockwise (± 0.4 degrees)."),
        (-3.0, "Spine and shaft will look 3 degrees further counterclockwise (± 0.4 degrees)."),
        (0.1, "Spine and shaft angles will look right to within 0.5 degrees."),
    ],
)
def test_tilts_in_words(tilt, want):
    assert words.describe_effect(effect(ball=0.0, tilt=tilt), View.FACE_ON).endswith(want)


def test_unproven_rods_are_noted_with_their_cost():
    (note,) = words.notes(reading())
    # 1.96 times the 18 cm sigma
    assert "unproven" in note and "35 cm" in note
    measured = reading(layout=Layout(math.pi / 2, 0.005, True, 0.0, 0.02))
    assert words.notes(measured) == ()
    unknown = reading(layout=Layout(math.pi / 2, 0.05, False, None, None))
    assert "unproven" in words.notes(unknown)[0]
    setup = Setup(view=View.DOWN_THE_LINE, tilt=Tilt(0.0, 0.0, 0.005))
    pair = reading(setup=setup, layout=Layout(0.0, 0.03, False, None, None, 0.5))
    assert "parallel" in words.notes(pair)[0] and "3 degrees" in words.notes(pair)[0]


def test_unknown_roll_is_noted_with_its_remedy():
    vague = (0.1, 0.2, 0.2, 0.003, 0.05, math.radians(4))
    blind = reading(setup=Setup(view=View.DOWN_THE_LINE), sigma=vague)
    note = words.notes(blind)[0]
    assert "8 degrees" in note and "tilt sensor" in note
    assert "any amount" in words.notes(reading(setup=Setup(), sigma=(*vague[:5], math.inf)))[0]
    assert not any("tilt sensor" in n for n in words.notes(reading(sigma=vague)))
    # a T may know its roll well enough without a sensor
    assert not any("tilt sensor" in n for n in words.notes(reading(setup=Setup())))


def test_framing_and_lens_are_noted():
    out = Framing(False, (Part.HEAD, Part.CLUB_HEAD_TOP), Cure.BACK, 0.64)
    notes = words.notes(reading(framing=out))
    assert "Out of the picture: head, club head at the top. Take the tripod 64 cm back." in notes
    assert "Squaring" in words.notes(reading(framing=replace(out, cure=None)))[-1]
    asked = Setup(tilt=Tilt(0, 0, 0.005), goal=Goal(distance_m=2.5, framing=True))
    told = words.notes(reading(setup=asked, framing=replace(out, ok=True, out=())))
    assert "From 2.5 metres the whole swing does not fit. It takes 64 cm more." in told
    assumed = reading(lens=Lens(1000.0, 100.0, LensSource.ASSUMED))
    assert any("10 cm" in n and "lens" in n for n in words.notes(assumed))


@pytest.mark.parametrize("language", ["xx", "../../etc", "EN", ""])
def test_an_unknown_language_speaks_english(language):
    assert words.say(reading(), Plain(language=language)) == words.say(reading())


def test_german_is_spoken_with_its_own_words_and_point():
    german = Plain(language="de-AT")
    assert words.say(reading(), german).startswith("Passt: zu deinen Stäben ausgerichtet.")
    slight = Advice(Move.TURN, "left", amount_rad=math.radians(0.44))
    assert "0,4 Grad nach links" in words.advice_text(slight, german)
    assert words.advice_big(slight, german)["number"] == "0,4"
    said = words.describe_effect(effect(ball=1.5, tilt=3.0), View.FACE_ON, german)
    assert "1,5 Meter weiter vorn" in said and "0,4 Grad" in said


def test_what_a_language_lacks_is_said_in_english(tmp_path, monkeypatch):
    for folder, text in (("en", {"a": "one", "b": "two"}), ("xy", {"a": "uno"})):
        (tmp_path / "texts" / folder).mkdir(parents=True)
        file = tmp_path / "texts" / folder / "guidance.json"
        file.write_text(json.dumps(text), encoding="utf-8")
    monkeypatch.setattr(words.resources, "files", lambda _: tmp_path)
    words._texts.cache_clear()
    try:
        assert words.texts("xy") == {"a": "uno", "b": "two"}
        assert words.languages() == ("en", "xy")
    finally:
        words._texts.cache_clear()


@pytest.mark.parametrize(
    ("environment", "want"),
    [
        ({"LANG": "de_DE.UTF-8"}, "de"),
        ({"LANG": "de_DE.UTF-8", "LC_ALL": "C.UTF-8"}, "en"),
        ({"LANG": "C", "LC_MESSAGES": "de_AT@euro"}, "de"),
        ({"LANG": "fr_FR.UTF-8"}, "en"),
        ({}, "en"),
    ],
)
def test_the_terminals_language_is_the_environments(environment, want):
    # POSIX.1-2017, 8.2: LC_ALL goes before LC_MESSAGES, which goes before LANG.
    assert words.language_of(environment) == want


def test_inches_reach_every_sentence():
    vague = replace(reading(), framing=Framing(False, (Part.HEAD,), Cure.BACK, 0.5))
    said = [*words.notes(vague, INCHES), words.effect_text(vague, INCHES)]
    assert not any(re.search(r"\d cm|\d metre", sentence) for sentence in said)
