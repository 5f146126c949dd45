"""The JSON edge: setups and manifest lines come in here, readings and guidance go out.

Degrees outside, radians inside; the keys are those of docs/protocol.md and docs/conventions.md.
Nothing else in the project knows the layout of these objects.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from server import words
from server.fields import Fields, shown
from server.who import Who, who_from_json
from server.wire_aim import aim_to_json, live_aim
from server.wire_lens import board_to_json, camera_from_json
from vision.advice import Advice, Move
from vision.budget import Budget, Source
from vision.effect import Effect
from vision.errors import SetupError
from vision.hint import Hint
from vision.live import LiveReading
from vision.placement import QUANTITIES, Layout, Placement
from vision.profile import LensKey
from vision.reading import Reading, Timing, Verdict
from vision.rods import End, NotFound, Rod
from vision.setup import (
    CLUB_LENGTH_M,
    Goal,
    Handed,
    Lens,
    LensSource,
    Line,
    Player,
    Role,
    Setup,
    Tilt,
    Tolerance,
    View,
)

# A stated focal length without its own sigma is taken as known to 1 %, a calibration's usual
# worth. Nothing stated is taken as exact: a sigma of zero would make the fit singular.
FOCAL_SIGMA = 0.01
LEAST_FOCAL_SIGMA = 1e-4
TILT_SIGMA_DEG = 1.0
LEAST_TILT_SIGMA_DEG = 0.01

_UNITS = {"cm": "cm", "inches": "inches", "in": "inches"}
_ANGLES_DEG = ("yaw", "roll", "layout")
_SETUP_KEYS = (
    "view",
    "handed",
    "units",
    "language",
    "rod_lengths_m",
    "rod_length_sigma",
    "focal_px",
    "focal_sigma",
    "tilt",
    "line",
    "player_height_m",
    "club",
    "club_length_m",
    "ball_from_toes_m",
    "club_speed_mps",
    "goal",
    "tolerance",
)
_LIVE_KEYS = ("camera", "who")  # in a page's setup only
_MANIFEST_KEYS = ("file", "setup", "hints_px", "aim_px", "aim_distance_m")


@dataclass(frozen=True, slots=True)
class Stated:
    """A setup as stated, and how the person wants to be spoken to."""

    setup: Setup
    units: str = "cm"  # "cm" or "inches"
    language: str = "en"
    camera: LensKey | None = None  # which lens the page says it films with
    who: Who = field(default_factory=Who)


@dataclass(frozen=True, slots=True)
class ManifestLine:
    """One line of a manifest: a file, the name of its unmoved setup, and what is known of it.

    `facts` goes to `setup_from_json`, `hints` to `hints_from_json`, `aim` (place, distance) to
    `wire_aim.target_from_json`; `unknown` are keys that nobody here understands.
    """

    file: str
    setup_name: str | None
    facts: dict[str, Any]
    unknown: tuple[str, ...] = ()
    hints: object = None
    aim: tuple[object, object] = (None, None)


def setup_from_json(obj: object, base: Setup) -> Stated:
    """A setup from its JSON object; keys left out (or null) keep what `base` says.

    Null clears what may be unknown: `focal_px`, `tilt`, `club_length_m`, `ball_from_toes_m`,
    `club_speed_mps`, the goal's height and distance, the tolerance of height and distance. Raises
    SetupError with a plain sentence for an unknown key, a value of the wrong type or one outside
    what is possible.
    """
    fields = Fields(obj, "setup", (*_SETUP_KEYS, *_LIVE_KEYS))
    lengths = Fields(fields.get("rod_lengths_m", {}), "rod_lengths_m", tuple(Role))
    setup = replace(
        base,
        view=fields.choice("view", View, base.view),
        handed=fields.choice("handed", Handed, base.handed),
        line=fields.choice("line", Line, base.line),
        rod_lengths_m=base.rod_lengths_m
        | {role: lengths.number(role, 0.3, 3.0, "m") for role in Role if lengths.has(role)},
        rod_length_sigma=fields.number(
            "rod_length_sigma", 1e-4, 0.2, "of the length", base.rod_length_sigma
        ),
        lens=_lens(fields, base.lens),
        tilt=_tilt(fields, base.tilt),
        player=_player(fields, base.player),
        goal=_goal(fields, base.goal),
        tolerance=_tolerance(fields, base.tolerance),
    )
    units = fields.text("units", "cm", one_of=tuple(_UNITS))
    camera = fields.get("camera", None)
    return Stated(
        setup,
        _UNITS[units],
        fields.language("language", "en"),
        None if camera is None else camera_from_json(camera),
        who_from_json(fields.get("who", {})),
    )


def _lens(fields: Fields, base: Lens | None) -> Lens | None:
    if fields.is_null("focal_px"):
        if fields.has("focal_sigma"):
            raise SetupError("focal_sigma came without focal_px: give both, or neither.")
        return None
    if not fields.has("focal_px") and not fields.has("focal_sigma"):
        return base
    if not fields.has("focal_px") and base is None:
        raise SetupError("focal_sigma came without focal_px: give both, or neither.")
    k1 = 0.0 if base is None else base.k1
    focal_px = fields.number("focal_px", 10.0, 1e6, "pixels", base.focal_px if base else None)
    sigma_px = fields.number("focal_sigma", 0.0, 1e6, "pixels", FOCAL_SIGMA * focal_px)
    return Lens(focal_px, max(sigma_px, LEAST_FOCAL_SIGMA * focal_px), LensSource.GIVEN, k1)


def _tilt(fields: Fields, base: Tilt | None) -> Tilt | None:
    if fields.is_null("tilt"):
        return None
    if not fields.has("tilt"):
        return base
    keys = ("pitch_deg", "roll_deg", "sigma_deg", "bias_sigma_deg")
    tilt = Fields(fields.get("tilt", {}), "tilt", keys)
    sigma_deg = tilt.number("sigma_deg", 0.0, 90.0, "degrees", TILT_SIGMA_DEG)
    return Tilt(
        pitch_rad=math.radians(tilt.number("pitch_deg", -90.0, 90.0, "degrees")),
        roll_rad=math.radians(tilt.number("roll_deg", -180.0, 180.0, "degrees")),
        sigma_rad=math.radians(max(sigma_deg, LEAST_TILT_SIGMA_DEG)),
        bias_sigma_rad=math.radians(tilt.number("bias_sigma_deg", 0.0, 90.0, "degrees", 0.0)),
    )


def _player(fields: Fields, base: Player) -> Player:
    club = fields.text("club", base.club, one_of=tuple(CLUB_LENGTH_M))
    # Another club by name brings its own length and ball place, unless those are stated too.
    kept = base if club == base.club else Player(club=club)
    return Player(
        height_m=fields.number("player_height_m", 0.8, 2.5, "m", base.height_m),
        club=club,
        club_length_m=fields.optional("club_length_m", 0.3, 1.5, "m", kept.club_length_m),
        ball_from_toes_m=fields.optional("ball_from_toes_m", 0.0, 1.5, "m", kept.ball_from_toes_m),
        club_speed_mps=fields.optional("club_speed_mps", 0.5, 70.0, "m/s", kept.club_speed_mps),
    )


def _goal(fields: Fields, base: Goal) -> Goal:
    goal = Fields(fields.get("goal", {}), "goal", ("height_m", "distance_m", "framing"))
    return Goal(
        height_m=goal.optional("height_m", 0.05, 3.0, "m", base.height_m),
        distance_m=goal.optional("distance_m", 0.5, 30.0, "m", base.distance_m),
        framing=goal.flag("framing", base.framing),
    )


def _tolerance(fields: Fields, base: Tolerance) -> Tolerance:
    keys = ("offset_m", *(f"{name}_deg" for name in _ANGLES_DEG), "height_m", "distance_m")
    given = Fields(fields.get("tolerance", {}), "tolerance", keys)
    yaw, roll, layout = (
        math.radians(given.number(f"{name}_deg", 0.05, 45.0, "degrees", math.degrees(kept)))
        for name, kept in zip(
            _ANGLES_DEG, (base.yaw_rad, base.roll_rad, base.layout_rad), strict=True
        )
    )
    return Tolerance(
        offset_m=given.number("offset_m", 0.001, 2.0, "m", base.offset_m),
        yaw_rad=yaw,
        roll_rad=roll,
        layout_rad=layout,
        height_m=given.optional("height_m", 0.001, 5.0, "m", base.height_m),
        distance_m=given.optional("distance_m", 0.001, 20.0, "m", base.distance_m),
        confidence=base.confidence,
    )


def manifest_line(text: str) -> ManifestLine:
    """One line of a manifest. Raises SetupError unless it is an object that names its `file`."""
    try:
        obj = json.loads(text)
    except (ValueError, RecursionError) as wrong:
        raise SetupError("is not JSON: write one object a line") from wrong
    if not isinstance(obj, dict):
        raise SetupError(f"holds {shown(obj)}: write one object a line, with the key file")
    file, name = obj.get("file"), obj.get("setup")
    if not isinstance(file, str) or not file or "\0" in file:
        raise SetupError("names no file: give the picture's name under the key file")
    if name is not None and not isinstance(name, str):
        raise SetupError(f"has {shown(name)} as its setup: give the setup a name in quotes")
    facts = {key: value for key, value in obj.items() if key in _SETUP_KEYS}
    unknown = tuple(key for key in obj if key not in _SETUP_KEYS and key not in _MANIFEST_KEYS)
    aim = (obj.get("aim_px"), obj.get("aim_distance_m"))
    return ManifestLine(file, name, facts, unknown, obj.get("hints_px"), aim)


def hints_from_json(obj: object) -> tuple[Hint, ...]:
    """Taps [[x, y], ...] in pixels of the picture, none or null for none. Raises SetupError."""
    taps = [] if obj is None else obj
    if not isinstance(taps, list) or len(taps) > 2 or not all(map(_is_point, taps)):
        raise SetupError(
            f"hints_px is {shown(obj)}: give one or two places on rods, such as [[640, 412]]"
        )
    return tuple(Hint((float(x), float(y))) for x, y in taps)


def _is_point(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(
            isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e6 for v in value
        )
    )


def line_text(line: Mapping[str, Any]) -> str:
    """One JSON line, ASCII only. Raises ValueError for NaN, which JSON cannot hold."""
    return json.dumps(line, allow_nan=False)


def reading_to_json(reading: Reading, stated: Stated, timing: Timing | None) -> dict[str, Any]:
    """The output contract (web/schema/reading.schema.json) without `file` and `frame`.

    What is not known, or not finite, is null.
    """
    setup, found = reading.setup, reading.rods
    rods = found.seen if isinstance(found, NotFound) else found.both
    place, lens, framing = reading.placement, reading.lens, reading.framing
    return {
        "view": setup.view.value,
        "handed": setup.handed.value,
        "verdict": reading.verdict.value,
        "reason": words.reason_text(found.reason, stated) if isinstance(found, NotFound) else None,
        "rods": [_rod(rod) for rod in rods],
        "placement": place and _quantities({name: getattr(place, name) for name in QUANTITIES}),
        "sigma": place and _sigma(place),
        "layout": reading.layout and _layout(reading.layout),
        "lens": lens
        and {
            "focal_px": _rounded(lens.focal_px, 2),
            "sigma_px": _rounded(lens.sigma_px, 2),
            "source": lens.source.value,
        }
        | ({"profile_misfit": True} if setup.lens_changed else {}),
        "framing": framing
        and {"ok": framing.ok, "out": [words.part_text(part, stated) for part in framing.out]},
        "effect": reading.effect and _effect(reading.effect),
        "aim": aim_to_json(reading.aim, stated),
        "advice": [_advice(advice, stated) for advice in reading.advice],
        "evidence": reading.evidence
        and {
            "residual_px": _rounded(reading.evidence.residual_px, 3),
            "runner_up_ratio": _rounded(reading.evidence.runner_up_ratio, 3),
        },
        "elapsed_ms": timing
        and {
            "find": _milliseconds(timing.find_s),
            "pose": _milliseconds(timing.pose_s),
            "total": _milliseconds(timing.total_s),
        },
    }


def explain_to_json(budget: Budget | None, stated: Stated) -> dict[str, Any] | None:
    """The `explain` object: each quantity's sigma by its sources, and what would narrow it."""
    if budget is None:
        return None
    parts = {
        source.value: _quantities({name: budget.sigma(name, source) for name in budget.quantities})
        for source in Source
    }
    total = _quantities({name: budget.sigma(name) for name in budget.quantities})
    return {
        "sigma": {
            key: {source: parts[source][key] for source in parts} | {"all": total[key]}
            for key in total
        },
        "misfit": _rounded(budget.misfit, 3),
        "improve": [
            {
                "source": step.source.value,
                "how": step.how.value,
                "sigma": _quantities(step.sigma),
                "text": words.step_text(step, stated),
            }
            for step in budget.steps
        ],
    }


def error_to_json(reason: str, view: View | None, handed: Handed) -> dict[str, Any]:
    """The contract's line for a file that could not be read: `verdict` "error" and its reason."""
    unknown = ("placement", "sigma", "layout", "lens", "framing", "effect", "aim")
    return {
        "view": view and view.value,
        "handed": handed.value,
        "verdict": "error",
        "reason": reason,
        "rods": [],
        **dict.fromkeys(unknown),
        "advice": [],
        "evidence": None,
        "elapsed_ms": None,
    }


def guidance_message(
    live: LiveReading,
    *,
    seq: int,
    capture_s: float,
    age_s: float,
    size: tuple[int, int],
    setup_seq: int | None,
    stated: Stated,
    hint_seq: int | None = None,
    aim_seq: int | None = None,
    timing: Timing | None,
) -> dict[str, Any]:
    """The live message of docs/protocol.md: the contract's objects and what the page shows."""
    reading = live.reading
    first = reading.advice[0].move if reading.advice else None
    holding = reading.verdict is Verdict.SQUARE or live.square_for_s > 0 or first is Move.HOLD
    hold = {"square_for_s": live.square_for_s, "need_s": live.need_s}
    return {
        "type": "guidance",
        "seq": seq,
        **told_at(capture_s, age_s),
        "size": list(size),
        "setup_seq": setup_seq,
        "hint_seq": hint_seq,
        "hints_px": [
            [_rounded(x, 1), _rounded(y, 1)]
            for mark in live.marks
            if (at := mark.within(size)) is not None
            for x, y in (at,)
        ],
        **live_aim(reading.setup.aim, aim_seq, reading.aim, size, stated),
        "hold": {key: _rounded(value, 3) for key, value in hold.items()} if holding else None,
        "say": words.say(reading, stated),
        "big": words.big(reading, stated),
        "effect_text": words.effect_text(reading, stated),
        "notes": list(words.notes(reading, stated)),
        **reading_to_json(reading, stated, timing),
    } | (board_to_json(live.board, stated.language) if live.board is not None else {})


def told_at(capture_s: float, age_s: float) -> dict[str, Any]:
    """Of which picture's time a live message is, and how old that picture was."""
    return {"capture_s": _rounded(capture_s, 4), "age_ms": _rounded(age_s * 1e3, 1)}


def _rounded(value: float | None, digits: int) -> float | None:
    """A number as JSON can hold it; adding zero turns -0.0 into 0.0."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def _milliseconds(value_s: float | None) -> float | None:
    return None if value_s is None else _rounded(value_s * 1e3, 1)


def _degrees(value_rad: float | None) -> float | None:
    return None if value_rad is None else _rounded(math.degrees(value_rad), 3)


def _quantities(values: Mapping[str, float]) -> dict[str, float | None]:
    """Metres stay, radians become degrees, in the key as in the value."""
    return {
        name.replace("_rad", "_deg"): _degrees(value)
        if name.endswith("_rad")
        else _rounded(value, 4)
        for name, value in values.items()
    }


def _sigma(place: Placement) -> dict[str, float | None]:
    # A covariance that has gone wrong (negative on its diagonal) says nothing: null, no warning.
    variances = dict(zip(QUANTITIES, place.cov.diagonal().tolist(), strict=True))
    return _quantities(
        {name: math.sqrt(var) if var >= 0 else math.nan for name, var in variances.items()}
    )


def _rod(rod: Rod) -> dict[str, Any]:
    return {
        "role": rod.role.value,
        "ends_px": [[_rounded(x, 2), _rounded(y, 2)] for x, y in rod.ends_px.tolist()],
        "ends_seen": [end is End.SEEN for end in rod.ends],
    }


def _layout(layout: Layout) -> dict[str, Any]:
    return {
        "angle_deg": _degrees(layout.angle_rad),
        "sigma_deg": _degrees(layout.sigma_rad),
        "measured": layout.measured,
        "square_offset_m": _rounded(layout.square_offset_m, 4),
        "square_offset_sigma_m": _rounded(layout.square_offset_sigma_m, 4),
    }


def _effect(effect: Effect) -> dict[str, float | None]:
    return {
        "ball_shift_m": _rounded(effect.ball_shift_m, 4),
        "ball_shift_sigma_m": _rounded(effect.ball_shift_sigma_m, 4),
        "club_path_shift_m": _rounded(effect.club_path_shift_m, 4),
        "club_path_shift_sigma_m": _rounded(effect.club_path_shift_sigma_m, 4),
        "club_path_deg": _rounded(effect.club_path_deg, 3),
        "club_path_sigma_deg": _rounded(effect.club_path_sigma_deg, 3),
        "tilt_deg": _rounded(effect.tilt_deg, 3),
        "tilt_sigma_deg": _rounded(effect.tilt_sigma_deg, 3),
    }


def _advice(advice: Advice, stated: Stated) -> dict[str, Any]:
    out: dict[str, Any] = {"move": advice.move.value, "direction": advice.direction}
    if advice.amount_m is not None:
        out["amount_m"] = _rounded(advice.amount_m, 4)
    if advice.amount_rad is not None:
        out["amount_deg"] = _degrees(advice.amount_rad)
    return out | {"text": words.advice_text(advice, stated)}
