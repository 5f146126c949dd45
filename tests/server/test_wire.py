import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server import wire
from tests.server.made_readings import SCHEMA, VALIDATOR, made_reading, not_found
from vision.advice import Advice, Move
from vision.errors import SetupError
from vision.live import LiveReading
from vision.placement import QUANTITIES, Placement
from vision.reading import Evidence, Timing, Verdict
from vision.rods import Reason
from vision.setup import (
    Handed,
    Lens,
    LensSource,
    Line,
    Role,
    Setup,
    Tilt,
    View,
)

TIMING = Timing(0.0123, 0.0045, 0.0168)
HEAD = {"file": "a.jpg", "frame": 0}


def as_line(reading, timing=TIMING):
    line = HEAD | wire.reading_to_json(reading, wire.Stated(reading.setup), timing)
    VALIDATOR.validate(line)
    return json.loads(wire.line_text(line))


def test_the_schema_is_itself_valid():
    VALIDATOR.check_schema(SCHEMA)


@pytest.mark.parametrize("view", View)
def test_a_reading_follows_the_contract(view):
    line = as_line(made_reading(Setup(view=view)))
    assert list(line) == list(SCHEMA["required"])
    assert line["view"] == view
    assert line["verdict"] == "off"
    assert line["placement"] == {
        "offset_m": 0.2,
        "distance_m": 3.5,
        "height_m": 1.2,
        "yaw_deg": -3.0,
        "pitch_deg": -10.0,
        "roll_deg": 0.5,
    }
    assert line["sigma"] == pytest.approx(
        {
            "offset_m": 0.02,
            "distance_m": 0.2,
            "height_m": 0.15,
            "yaw_deg": 0.3,
            "pitch_deg": 0.5,
            "roll_deg": 0.7,
        }
    )
    assert line["rods"][0]["ends_px"] == [[20.13, 30.0], [100.0, 31.0]]
    assert line["rods"][0]["ends_seen"] == [True, False]
    assert [rod["role"] for rod in line["rods"]] == [role.value for role in Setup(view=view).roles]
    assert line["lens"] == {"focal_px": 1065.0, "sigma_px": 100.0, "source": "assumed"}
    assert line["framing"] == {"ok": False, "out": ["club head at the top"]}
    assert line["elapsed_ms"] == {"find": 12.3, "pose": 4.5, "total": 16.8}
    assert line["layout"]["angle_deg"] == (90.0 if view is View.FACE_ON else 0.0)


def test_each_advice_has_its_one_amount_and_a_sentence():
    slide, turn = as_line(made_reading(Setup()))["advice"]
    assert (slide["move"], slide["direction"], slide["amount_m"]) == ("slide", "left", 0.2)
    assert "amount_deg" not in slide
    assert (turn["move"], turn["direction"], turn["amount_deg"]) == ("turn", "right", 3.0)
    assert "amount_m" not in turn
    assert "left" in slide["text"] and "20 cm" in slide["text"]


@pytest.mark.parametrize("move", Move)
def test_every_kind_of_advice_is_in_the_schema(move):
    moves = SCHEMA["$defs"]["advice"]["properties"]["move"]["enum"]
    assert move.value in moves and len(moves) == len(Move)


@pytest.mark.parametrize("reason", Reason)
def test_not_found_says_why_and_claims_nothing(reason):
    line = as_line(not_found(Setup(), reason), timing=None)
    assert line["verdict"] == "not-found"
    assert line["reason"]
    for key in ("placement", "sigma", "layout", "lens", "framing", "effect", "evidence"):
        assert line[key] is None
    assert line["elapsed_ms"] is None
    assert len(line["rods"]) == 1  # what was seen nearest to a layout


def test_the_reason_for_a_single_rod_is_that_of_the_contract():
    assert as_line(not_found(Setup(), Reason.ONE_ROD))["reason"] == "one rod only"


def test_what_is_not_finite_becomes_null():
    cov = np.diag([math.inf, math.nan, -1.0, 1e-4, 1e-4, 1e-4])
    place = Placement(0.1, math.nan, math.inf, 0.0, -math.inf, -0.0, cov)
    line = as_line(
        made_reading(Setup(), placement=place, evidence=Evidence(math.nan, math.inf)),
    )
    assert line["placement"]["distance_m"] is None
    assert line["placement"]["height_m"] is None
    assert line["placement"]["pitch_deg"] is None
    assert math.copysign(1, line["placement"]["roll_deg"]) == 1
    assert [line["sigma"][key] for key in ("offset_m", "distance_m", "height_m")] == [None] * 3
    assert line["evidence"] == {"residual_px": None, "runner_up_ratio": None}


finite_or_not = st.floats(allow_nan=True, allow_infinity=True)


@settings(max_examples=100, deadline=None)
@given(values=st.lists(finite_or_not, min_size=6, max_size=6), spread=finite_or_not)
def test_any_numbers_make_a_valid_line(values, spread):
    place = Placement(**dict(zip(QUANTITIES, values, strict=True)), cov=np.diag([spread] * 6))
    as_line(made_reading(Setup(), placement=place))


def test_an_error_line_follows_the_contract():
    line = HEAD | wire.error_to_json("the file is empty", None, Handed.LEFT)
    VALIDATOR.validate(line)
    assert set(line) == set(SCHEMA["required"])
    assert line["verdict"] == "error" and line["handed"] == "left"


def message(live, stated=None):
    return wire.guidance_message(
        live,
        seq=7,
        capture_s=1.23456,
        age_s=0.0423,
        size=(1280, 720),
        setup_seq=3,
        stated=stated or wire.Stated(live.reading.setup),
        timing=TIMING,
    )


def test_a_guidance_message_holds_the_contract_and_what_the_page_shows():
    sent = message(LiveReading(made_reading(Setup()), 0.0))
    own = {
        "type": "guidance",
        "seq": 7,
        "capture_s": 1.2346,
        "age_ms": 42.3,
        "size": [1280, 720],
        "setup_seq": 3,
        "hold": None,
    }
    assert own.items() <= sent.items()
    assert "20 cm" in sent["say"]
    assert sent["big"]["arrow"] == "left" and sent["big"]["number"] == "20"
    assert "6 cm further back" in sent["effect_text"]
    assert any("unproven" in note for note in sent["notes"])
    VALIDATOR.validate(HEAD | {key: sent[key] for key in SCHEMA["required"] if key not in HEAD})
    json.dumps(sent, allow_nan=False)


def test_holding_is_told_while_all_is_inside():
    off = made_reading(Setup())
    assert message(LiveReading(off, 0.4))["hold"] == {"square_for_s": 0.4, "need_s": 1.0}
    first = made_reading(Setup(), advice=(Advice(Move.HOLD),))
    assert message(LiveReading(first, 0.0))["hold"]["square_for_s"] == 0.0
    square = made_reading(Setup(), verdict=Verdict.SQUARE, advice=())
    sent = message(LiveReading(square, 2.5))
    assert sent["hold"]["square_for_s"] == 2.5
    assert sent["verdict"] == "square" and sent["big"]["arrow"] == "ready"


def test_guidance_speaks_inches_when_asked():
    stated = wire.Stated(Setup(), units="inches")
    sent = message(LiveReading(made_reading(Setup()), 0.0), stated)
    assert "8 inches" in sent["say"] and sent["big"]["unit"] == "in"


def test_guidance_without_rods():
    sent = message(LiveReading(not_found(Setup()), 0.0))
    assert sent["verdict"] == "not-found" and sent["effect_text"] is None
    assert sent["big"]["arrow"] == "find" and sent["say"]


# --- setups -------------------------------------------------------------------------------------

# The example of docs/protocol.md.
PAGE_SETUP = {
    "view": "face-on",
    "handed": "right",
    "units": "cm",
    "language": "en",
    "rod_lengths_m": {"target": 1.22, "stem": 1.22},
    "focal_px": None,
    "line": "toe",
    "player_height_m": 1.78,
    "club": "7-iron",
    "goal": {"height_m": None, "distance_m": None, "framing": False},
    "tolerance": {"offset_m": 0.05, "yaw_deg": 2, "roll_deg": 2},
}


def test_the_page_s_setup_is_the_default_one():
    stated = wire.setup_from_json(PAGE_SETUP, Setup())
    lengths = {Role.TARGET: 1.22, Role.STEM: 1.22}
    assert stated == wire.Stated(Setup(rod_lengths_m=lengths), "cm", "en")


def test_an_empty_setup_keeps_what_it_is_based_on():
    base = Setup(
        view=View.DOWN_THE_LINE,
        lens=Lens(900.0, 9.0, LensSource.PROFILE),
        tilt=Tilt(0.1, 0.2, 0.01),
        rod_lengths_m={Role.BALL: 0.94},
    )
    assert wire.setup_from_json({}, base) == wire.Stated(base)


def test_every_key_arrives():
    stated = wire.setup_from_json(
        {
            "view": "down-the-line",
            "handed": "left",
            "units": "inches",
            "language": "en-GB",
            "rod_lengths_m": {"toe": 0.9, "ball": 1.1},
            "focal_px": 1065,
            "focal_sigma": 12,
            "tilt": {"pitch_deg": -12, "roll_deg": 0.5, "sigma_deg": 0.3, "bias_sigma_deg": 0.7},
            "line": "hands",
            "player_height_m": 1.6,
            "club": "driver",
            "club_length_m": 1.12,
            "ball_from_toes_m": 0.6,
            "goal": {"height_m": 0.9, "distance_m": 3, "framing": True},
            "tolerance": {
                "offset_m": 0.03,
                "yaw_deg": 1,
                "roll_deg": 1.5,
                "layout_deg": 0.5,
                "height_m": 0.2,
                "distance_m": None,
            },
        },
        Setup(),
    )
    setup = stated.setup
    assert (stated.units, stated.language) == ("inches", "en-GB")
    assert (setup.view, setup.handed, setup.line) == (View.DOWN_THE_LINE, Handed.LEFT, Line.HANDS)
    assert setup.rod_lengths_m == {Role.TOE: 0.9, Role.BALL: 1.1}
    assert setup.lens == Lens(1065.0, 12.0, LensSource.GIVEN)
    assert setup.tilt is not None
    assert math.degrees(setup.tilt.pitch_rad) == pytest.approx(-12)
    assert math.degrees(setup.tilt.roll_rad) == pytest.approx(0.5)
    assert math.degrees(setup.tilt.sigma_rad) == pytest.approx(0.3)
    assert math.degrees(setup.tilt.bias_sigma_rad) == pytest.approx(0.7)
    assert (setup.player.height_m, setup.player.club_m, setup.player.ball_m) == (1.6, 1.12, 0.6)
    assert (setup.goal.height_m, setup.goal.distance_m, setup.goal.framing) == (0.9, 3.0, True)
    assert setup.tolerance.offset_m == 0.03
    assert math.degrees(setup.tolerance.yaw_rad) == pytest.approx(1)
    assert math.degrees(setup.tolerance.roll_rad) == pytest.approx(1.5)
    assert math.degrees(setup.tolerance.layout_rad) == pytest.approx(0.5)
    assert (setup.tolerance.height_m, setup.tolerance.distance_m) == (0.2, None)


def test_null_clears_what_may_be_unknown():
    base = Setup(lens=Lens(900.0, 9.0), tilt=Tilt(0.1, 0.2, 0.01))
    setup = wire.setup_from_json({"focal_px": None, "tilt": None}, base).setup
    assert setup.lens is None and setup.tilt is None


def test_a_stated_focal_length_alone_is_good_to_one_per_cent_and_nothing_is_exact():
    lens = wire.setup_from_json({"focal_px": 1000}, Setup()).setup.lens
    assert lens == Lens(1000.0, 10.0, LensSource.GIVEN)
    exact = {
        "focal_px": 1000,
        "focal_sigma": 0,
        "tilt": {"pitch_deg": 0, "roll_deg": 0, "sigma_deg": 0},
    }
    setup = wire.setup_from_json(exact, Setup()).setup
    assert setup.lens is not None and setup.lens.sigma_px > 0
    assert setup.tilt is not None and setup.tilt.sigma_rad > 0


def test_another_club_brings_its_own_length():
    longer = wire.setup_from_json({"club": "driver", "club_length_m": 1.2}, Setup()).setup
    assert wire.setup_from_json({"club": "wedge"}, longer).setup.player.club_m == 0.89


@pytest.mark.parametrize(
    ("obj", "told"),
    [
        ([], "setup is a list"),
        ({"veiw": "face-on"}, 'no value called "veiw"'),
        ({"view": "above"}, 'view is "above": use face-on or down-the-line'),
        ({"view": 3}, "view is 3"),
        ({"units": "feet"}, "use cm, inches or in"),
        ({"language": "../../etc"}, "language"),
        ({"rod_lengths_m": [1.22]}, "rod_lengths_m is a list"),
        ({"rod_lengths_m": {"stick": 1.22}}, "use target, stem, toe or ball"),
        ({"rod_lengths_m": {"stem": 12}}, "rod_lengths_m.stem is 12: give a number from 0.3 to 3"),
        ({"focal_px": "1065"}, 'focal_px is "1065"'),
        ({"focal_px": True}, "focal_px is true"),
        ({"focal_px": -1}, "focal_px is -1"),
        ({"focal_px": math.nan}, "focal_px is no number"),
        ({"focal_px": math.inf}, "focal_px is a huge number"),
        ({"focal_px": 10**5000}, "focal_px is a huge number"),
        ({"focal_sigma": 3}, "without focal_px"),
        ({"focal_px": None, "focal_sigma": 3}, "without focal_px"),
        ({"tilt": {"pitch_deg": 3}}, "tilt.roll_deg is missing"),
        ({"tilt": {"pitch_deg": 300, "roll_deg": 0}}, "tilt.pitch_deg is 300"),
        ({"player_height_m": 178}, "player_height_m is 178"),
        ({"club": "spoon"}, 'club is "spoon"'),
        ({"goal": {"framing": "yes"}}, "give true or false"),
        ({"tolerance": {"offset_m": 0}}, "tolerance.offset_m is 0"),
        ({"tolerance": {"yaw_rad": 0.1}}, 'no value called "yaw_rad"'),
        ({"\ud800\x1b[2J": 1}, '"??[2J"'),
    ],
)
def test_what_cannot_be_used_is_told_in_a_sentence(obj, told):
    with pytest.raises(SetupError) as wrong:
        wire.setup_from_json(obj, Setup())
    text = str(wrong.value)
    assert told in text
    assert text.encode() and text.isprintable()


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["face-on", "left", "cm", "en", "toe", "driver", 1.22, 1065, 0.5]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
keys = st.sampled_from(
    [*PAGE_SETUP, "focal_sigma", "tilt", "club_length_m", "ball_from_toes_m", "nonsense"]
)
nested = st.dictionaries(
    st.sampled_from(
        ["target", "ball", "pitch_deg", "roll_deg", "sigma_deg", "height_m", "framing", "yaw_deg"]
    ),
    json_values,
    max_size=4,
)


@settings(max_examples=400, deadline=None)
@given(obj=st.dictionaries(keys, json_values | nested, max_size=6) | json_values)
def test_any_object_makes_a_setup_or_a_setup_error(obj):
    try:
        stated = wire.setup_from_json(obj, Setup())
    except SetupError as wrong:
        assert str(wrong).isprintable()
    else:
        assert stated.units in ("cm", "inches")
        assert isinstance(stated.setup, Setup)


# --- manifest lines -----------------------------------------------------------------------------


def test_a_manifest_line_splits_into_file_name_and_facts():
    line = wire.manifest_line('{"file": "a.jpg", "view": "face-on", "setup": "tee 4", "note": 1}')
    assert line == wire.ManifestLine("a.jpg", "tee 4", {"view": "face-on"}, ("note",))


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        "3",
        "null",
        "{}",
        '{"file": 3}',
        '{"file": ""}',
        '{"file": "a\\u0000b"}',
        '{"file": "a", "setup": 3}',
        "[" * 100_000,
        '{"file": ' + "9" * 5000 + "}",
    ],
)
def test_a_bad_manifest_line_is_a_setup_error(text):
    with pytest.raises(SetupError):
        wire.manifest_line(text)
